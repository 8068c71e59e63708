"""Chapter: how far can the records be trusted? What was queried, left out, corrected, checked."""

from collections import Counter

import numpy as np

from fishery.answers import Refused
from ingest.species import SpeciesBook
from office.answers.model import Answer, Cell, Chapter, Column, Table
from office.answers.records import Mask, Records
from office.answers.telling import refusal
from office.answers.units import Words

_LINE = ("line_lost", "weights_swapped", "weight_found_its_fish", "slip_place_uncertain")
"""Findings about the pairing of lengths and weights on a two-person line."""
_CLOCK = ("clock_doubtful",)


def quality(records: Records, book: SpeciesBook, words: Words) -> Chapter:
    """The records of the occasion asked about, and findings and check measurements of all that were read."""
    if not len(records.fish) and not records.batches:
        why = Refused(f"There are no fish, {records.when}.", "A survey with fish.")
        return Chapter(
            "quality", "Quality of the records", (refusal("quality", "The quality of the records", why),)
        )
    answers = [*_fish(records), *_findings(records), *_effort(records), *_around(records)]
    return Chapter(
        "quality",
        "Quality of the records",
        tuple(answers),
        (_statuses(records), _finding_table(records), _check_table(records)),
        (),
        (
            "Queried: closed with a serious finding that nobody settled. Confirmed: the doubtful value came twice. Amended: "
            "corrected in the open; old and new value are kept.",
            "`tallywell fish trace FISH` shows the bytes, readings, findings and amendments behind each value.",
        ),
    )


def _fish(records: Records) -> list[Answer]:
    fish, now = records.fish, records.now
    n = int(now.sum())
    batched = sum(one.n for one in records.batches if one.occasion == records.focus)
    more = f", {batched} more in batches and counts" if batched else ""
    found = [
        _count(
            "fish", "fish worked up", f"{records.when}: {n} fish worked up one by one{more}.", now, records
        )
    ]
    masks: tuple[tuple[str, str, Mask, str], ...] = (
        (
            "queried",
            "queried fish",
            fish.status == "queried",
            "queried: a value is in doubt and was not settled",
        ),
        ("confirmed", "confirmed fish", fish.status == "confirmed", "confirmed: odd, and measured twice"),
        (
            "incomplete",
            "incomplete fish",
            fish.status == "incomplete",
            "without a part that the protocol asks for",
        ),
        (
            "waiting",
            "fish not closed",
            np.isin(fish.status.astype(str), ("held", "parked")),
            "still held or parked",
        ),
        ("amended", "amended fish", fish.amended, "amended after they were saved"),
        (
            "not_scanned",
            "fish that nobody scanned",
            fish.tag_status == "not_scanned",
            "not scanned for a tag",
        ),
        (
            "unknown_tag",
            "tags from elsewhere",
            fish.tag_status == "unknown",
            "with a tag that nobody here knows",
        ),
        ("no_species", "fish without a species", fish.species == "", "without a (trusted) species"),
        (
            "doubted",
            "values left out",
            fish.length_doubted | fish.weight_doubted | fish.tag_doubted,
            "with a length, weight or tag left out of the answers, because it is in doubt",
        ),
    )
    for key, title, mask, told in masks:
        here = np.asarray(mask, dtype=np.bool_) & now
        share = f" ({100 * here.sum() / n:.1f} %)" if n else ""
        found.append(
            _count(key, title, f"{records.when}: {int(here.sum())} fish {told}{share}.", here, records)
        )
    return found


def _count(key: str, title: str, sentence: str, mask: Mask, records: Records) -> Answer:
    ids = records.ids(mask)
    return Answer(
        key,
        title,
        sentence,
        float(len(ids)),
        "fish",
        None,
        len(ids),
        "fish",
        "count of records",
        "definition",
        ids,
    )


def _findings(records: Records) -> list[Answer]:
    found = []
    now = set(records.ids(records.now))
    for key, title, names, told in (
        (
            "line",
            "warnings about the pairing of a line",
            _LINE,
            "carry a warning that the line was off by one",
        ),
        (
            "clock",
            "fish under a doubtful clock",
            _CLOCK,
            "were worked up while the station's clock was doubtful",
        ),
    ):
        ids = tuple(
            dict.fromkeys(
                fish_id
                for (name, _, _), mine in records.notes.findings.items()
                if name in names
                for fish_id in mine
                if fish_id in now
            )
        )
        found.append(
            Answer(
                key,
                title,
                f"{records.when}: {len(ids)} fish {told}.",
                float(len(ids)),
                "fish",
                None,
                len(ids),
                "fish",
                f"count of the findings {', '.join(names)}",
                "definition",
                ids,
            )
        )
    return found


def _effort(records: Records) -> list[Answer]:
    runs = [run for run in records.runs if run.occasion == records.focus]
    silent = sum(run.seconds is None for run in runs)
    loose = records.now & (records.fish.run < 0)
    return [
        Answer(
            "runs",
            "runs without seconds",
            f"{records.when}: {len(runs)} runs, {silent} of them without seconds of current-on time.",
            float(silent),
            "runs",
            None,
            len(runs),
            "runs",
            "count of records",
            "definition",
        ),
        _count(
            "no_run",
            "fish of no run",
            f"{records.when}: {int(loose.sum())} fish belong to no run.",
            loose,
            records,
        ),
    ]


def _around(records: Records) -> list[Answer]:
    """Sightings, void records and unnamed surveys of all that was read."""
    notes = records.notes
    unnamed = sum(one.provisional for one in records.surveys)
    told = (
        (
            "sightings",
            "sightings",
            f"{notes.sightings} sightings of {notes.sighted_tags} tags without working the fish up.",
            notes.sightings,
            "sightings",
        ),
        (
            "void",
            "void records",
            f"{notes.void_fish} fish records are void and in no answer.",
            notes.void_fish,
            "fish",
        ),
        ("provisional", "unnamed surveys", f"{unnamed} surveys wait for their name.", unnamed, "surveys"),
    )
    return [
        Answer(
            key,
            title,
            f"All surveys: {said}",
            float(n),
            what,
            None,
            n,
            what,
            "count of records",
            "definition",
        )
        for key, title, said, n, what in told
    ]


def _statuses(records: Records) -> Table:
    rows: list[tuple[Cell, ...]] = []
    for one in records.occasions:
        mine = records.fish.occasion == one.index
        counts = Counter(records.fish.status[mine])
        waiting = counts["held"] + counts["parked"]
        rows.append(
            (
                one.name,
                int(mine.sum()),
                counts["saved"],
                counts["confirmed"],
                counts["queried"],
                counts["incomplete"],
                waiting,
                int((mine & records.fish.amended).sum()),
            )
        )
    names = ("fish", "saved", "confirmed", "queried", "incomplete", "held or parked", "amended")
    columns = (Column("survey"), *(Column(name) for name in names))
    return Table("statuses", "State of the records by survey", columns, tuple(rows))


def _finding_table(records: Records) -> Table:
    def state(severity: str, settled: bool) -> str | None:
        return "settled" if settled else "not settled" if severity == "serious" else None

    rows = tuple(
        (name.replace("_", " "), severity, state(severity, settled), len(ids))
        for (name, severity, settled), ids in records.notes.findings.items()
    )
    columns = (Column("finding"), Column("severity"), Column("state"), Column("fish"))
    return Table("findings", "Findings of all surveys", columns, rows)


def _check_table(records: Records) -> Table:
    rows = tuple(
        (one.at[:10], one.instrument, one.unit, one.expected, one.measured, one.measured - one.expected)
        for one in records.notes.checks
    )
    columns = (
        Column("day"),
        Column("instrument"),
        Column("unit"),
        Column("known", "", 1),
        Column("measured", "", 1),
        Column("difference", "", 2),
    )
    note = (
        "" if rows else "No check with a known weight or length is on record: `tallywell instruments check`."
    )
    return Table("checks", "Checks with known weights and lengths", columns, rows, note)
