"""Records as terms: what a survey, a run, a fish, a batch and a run without catch are in Darwin Core. Pure.

A survey is an event, a run an event below it. A fish is an occurrence of its run (of its survey, if it has none), a
batch one with its count. A run without any catch says so: every species that its survey met elsewhere was absent.
Missing values are left out of a mapping.
"""

import json
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from ingest.species import SpeciesBook
from office.exports.darwin_core.places import Coordinates, place_of

Terms = dict[str, Any]
Record = Mapping[str, Any]

_OBSERVED = "HumanObservation"
_ANY_FISH = {"scientificName": "Actinopterygii", "taxonRank": "class"}


def run_event_id(survey_id: str, run_no: int | None) -> str:
    """The event of a run, or of the survey for fish that belong to no run."""
    return survey_id if run_no is None else f"{survey_id}:run:{run_no}"


def survey_event(survey: Record) -> Terms:
    return {
        "eventID": survey["survey_id"],
        "eventType": "Survey",
        "eventDate": _interval(survey["opened_at"], survey["closed_at"]),
        "waterBody": survey["water"],
        "eventRemarks": survey["name"],
    }


def run_event(run: Record, coordinates: Coordinates) -> Terms:
    effort_s = run["current_on_s"]
    said = (
        f"{effort_s:g} seconds with the current on" if effort_s is not None else None,
        f"pass {run['pass_no']}" if run["pass_no"] is not None else None,
        run["settings"],
    )
    return {
        "eventID": run_event_id(run["survey_id"], run["run_no"]),
        "parentEventID": run["survey_id"],
        "eventType": "Run",
        "eventDate": _interval(run["started_at"], run["ended_at"]),
        "samplingProtocol": run["gear"] or "not recorded",
        "sampleSizeValue": effort_s,
        "sampleSizeUnit": "second" if effort_s is not None else None,
        "samplingEffort": "; ".join(part for part in said if part) or None,
        "waterBody": run["water"],
        "locality": run["area"],
        "eventRemarks": run["note"],
        **place_of(run, coordinates),
    }


def run_measurements(run: Record) -> Iterator[Terms]:
    event = run_event_id(run["survey_id"], run["run_no"])
    for name, value, unit in (
        ("water temperature", run["water_c"], "degrees Celsius"),
        ("ambient conductivity of the water", run["conductivity_us_per_cm"], "microsiemens per cm"),
    ):
        if value is not None:
            yield _measurement(event, None, name, value, unit, run["started_at"])


def fish_occurrence(fish: Record, observed: Sequence[tuple[str, str]], book: SpeciesBook) -> Terms:
    """`observed` are (kind, text) of the fish's observations."""
    return {
        "eventID": run_event_id(fish["survey_id"], fish["run_no"]),
        "occurrenceID": fish["fish_id"],
        "basisOfRecord": _OBSERVED,
        "occurrenceStatus": "present",
        "individualCount": 1,
        "organismID": fish["individual_id"],
        "organismName": fish["tag"],
        **_taxon(fish["species"], book),
        "sex": _listed(observed, "sex"),
        "reproductiveCondition": _listed(observed, "maturity"),
        "occurrenceRemarks": fish["note"],
        "dynamicProperties": json.dumps(
            {"fate": fish["fate"], "tagStatus": fish["tag_status"], "status": fish["status"]},
            ensure_ascii=False,
        ),
    }


def fish_measurements(fish: Record) -> Iterator[Terms]:
    event = run_event_id(fish["survey_id"], fish["run_no"])
    doubt = "in doubt: a serious finding was not settled" if fish["status"] == "queried" else None
    length = f"{fish['length_type']} length" if fish["length_type"] else None
    coarse = (
        "below the useful minimum of the scale, too coarse for condition"
        if fish["weight_quality"] == "too_coarse"
        else None
    )
    for name, value, unit, method, remark in (
        ("length", fish["length_mm"], "mm", length, doubt),
        ("weight", fish["weight_g"], "g", None, "; ".join(filter(None, (doubt, coarse))) or None),
        ("relative weight", fish["relative_weight"], "%", "percentage of the standard weight", doubt),
    ):
        if value is not None:
            terms = _measurement(event, fish["fish_id"], name, value, unit, fish["worked_up_at"])
            yield {**terms, "measurementMethod": method, "measurementRemarks": remark}


def batch_occurrence(batch: Record, book: SpeciesBook) -> Terms:
    return {
        "eventID": run_event_id(batch["survey_id"], batch["run_no"]),
        "occurrenceID": batch["batch_id"],
        "basisOfRecord": _OBSERVED,
        "occurrenceStatus": "present",
        "individualCount": batch["n"],
        **_taxon(batch["species"], book),
        "occurrenceRemarks": batch["note"],
        "dynamicProperties": json.dumps({"fate": batch["fate"]}, ensure_ascii=False),
    }


def batch_measurements(batch: Record) -> Iterator[Terms]:
    if batch["total_weight_g"] is not None:
        event = run_event_id(batch["survey_id"], batch["run_no"])
        yield _measurement(
            event, batch["batch_id"], "weight of all together", batch["total_weight_g"], "g", batch["at"]
        )


def absences(run: Record, species_of_survey: Sequence[str], book: SpeciesBook) -> Iterator[Terms]:
    """The occurrences of a run without catch; where the whole survey met no fish, one of any fish at all."""
    event = run_event_id(run["survey_id"], run["run_no"])
    absent = {
        "eventID": event,
        "basisOfRecord": _OBSERVED,
        "occurrenceStatus": "absent",
        "individualCount": 0,
        "occurrenceRemarks": "no fish of any species was caught in this run",
    }
    for species in species_of_survey:
        yield {**absent, "occurrenceID": f"{event}:absent:{species}", **_taxon(species, book)}
    if not species_of_survey:
        yield {**absent, "occurrenceID": f"{event}:absent", **_ANY_FISH}


def _taxon(species: str | None, book: SpeciesBook) -> Terms:
    """Name and rank; a code that no species file knows stays as it was said, and nothing is guessed."""
    known = book.get(species)
    if known is None:
        return {"verbatimIdentification": species or "not recorded"}
    return {
        "scientificName": known.scientific,
        "vernacularName": known.common,
        "verbatimIdentification": species,
    }


def _measurement(event: str, occurrence: str | None, name: str, value: float, unit: str, at: str) -> Terms:
    return {
        "eventID": event,
        "measurementID": f"{occurrence or event}:{name.replace(' ', '_')}",
        "occurrenceID": occurrence,
        "measurementType": name,
        "measurementValue": value,
        "measurementUnit": unit,
        "measurementDeterminedDate": at,
    }


def _interval(start: str, end: str | None) -> str:
    """ISO 8601-1 interval; an instant where no end is known."""
    return start if end is None or end == start else f"{start}/{end}"


def _listed(observed: Sequence[tuple[str, str]], kind: str) -> str | None:
    return " | ".join(text for one, text in observed if one == kind) or None
