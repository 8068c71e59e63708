"""What the page shows for one bench, as plain values: the answer to "what do I do now?", and what is always visible.

Pure: facts of the ingest thread (`ingest.scene_facts`), the recent announcements and the display settings in, a scene
out; no clock, no file. The page itself decides nothing: it writes these texts into their places.
"""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from typing import Any, Literal

from station.history import curve, day, fish_warnings, history
from station.moment import Moment
from station.moments import choose_moment
from station.units import Units, length_text, sentence_in, weight_text
from station.words import common, of_bench
from station.worries import Worry, instrument_word, is_away, worries

Theme = Literal["auto", "light", "dark"]

SHOWN_SPECIES = 4
SHOWN_NOTICES = 4
SHOWN_NOTICES_BESIDE_HISTORY = 2


@dataclass(frozen=True, slots=True)
class Display:
    """How the page shows it: units, and colours (auto: as the tablet is set). Below `low_disk_bytes` free it warns."""

    units: Units = "metric"
    theme: Theme = "auto"
    low_disk_bytes: int = 500 * 1024 * 1024


def build_scene(
    facts: Mapping[str, Any], said: Sequence[Mapping[str, Any]], display: Display = Display()
) -> dict[str, object]:
    """The scene of the bench that the facts are of.

    said: the last announcements of the station, oldest first, those of other benches too; none is needed, each makes the
    scene more exact. The scene has the keys

    state, tone, headline, do, sentence, figures: the moment (see `station.moment`), with three figures: tag, length,
        weight, each {label, value, unit, state: in|missing|doubt|none, extra};
    history, curve: a recapture's earlier captures, or None; notices: [{tone, text}], gravest first; said: the station's
        last words {text, at, tone}, or None;
    species, survey, run, counts, total, last, instruments, clock, bench, benches, station: always visible;
    choices, can, correcting: for the panel of the crew; theme, utc_offset_s: how to show it.
    """
    units = display.units
    offset = timedelta(seconds=facts.get("utc_offset_s", 0))
    recent = of_bench(said, facts["bench"])
    troubles = worries(facts, recent, display.low_disk_bytes)
    moment = choose_moment(facts, recent, troubles, units)
    fish = facts.get("in_hand")
    shown = moment.history_of
    return {
        "station": facts["station"],
        "bench": facts["bench"],
        "benches": list(facts["benches"]),
        "state": moment.state,
        "tone": moment.tone,
        "headline": moment.headline,
        "do": moment.do,
        "sentence": sentence_in(moment.sentence, units),
        "subject": moment.subject,
        "figures": [asdict(figure) for figure in moment.figures],
        "history": history(shown, units, offset) if shown else None,
        "curve": curve(shown, facts["now"], units, offset) if shown else None,
        "notices": _notices(facts, fish, moment, troubles, units, offset),
        "said": _last_words(recent, moment, units, offset),
        "species": common(facts.get("species")),
        "survey": _survey(facts),
        "run": _run(facts),
        "counts": _counts(facts),
        "total": facts["total"],
        "last": [_last_fish(row, units, offset) for row in facts["last"]],
        "instruments": [{"name": one["name"], **instrument_word(one)} for one in _instruments(facts)],
        "clock": _clock(facts["now"], offset),
        "clock_doubtful": bool(facts["clock_doubtful"]),
        "utc_offset_s": facts.get("utc_offset_s", 0),
        "choices": list(facts["choices"]),
        "can": _can(facts),
        "correcting": _correcting(facts, units),
        "theme": display.theme,
    }


def _notices(
    facts: Mapping[str, Any],
    fish: Mapping[str, Any] | None,
    moment: Moment,
    troubles: Sequence[Worry],
    units: Units,
    offset: timedelta,
) -> list[dict[str, str]]:
    """What is wrong or to be minded, gravest first; what the moment itself says is not said twice."""
    about = fish or moment.about
    warnings = fish_warnings(about, day(facts["now"], offset)) if about else []
    found = [{"tone": "question", "text": text} for text in warnings]
    for held in facts["held"]:
        if fish is None or held["fish_id"] != fish["fish_id"]:
            sentence = held["questions"][0]["sentence"]
            found.append({"tone": "question", "text": f"Set aside, held: {held['says']}. {sentence}"})
    found += [
        {"tone": one.tone, "text": one.notice or one.sentence}
        for one in troubles
        if (one.state, one.sentence) != (moment.state, moment.sentence)
    ]
    if facts["between"] and moment.state not in ("line", "line_stopped"):
        first, waiting = facts["between"][0], len(facts["between"]) + facts["owed"]
        text = f"At the scale next: fish {first['number']}, {first['says']}; {waiting} between."
        found.append({"tone": "calm", "text": text})
    for parked in facts["parked"]:
        text = f"Parked: {parked['says']}. Scan its tag to go on with it."
        if moment.state != "parked" or len(facts["parked"]) > 1:
            found.append({"tone": "calm", "text": text})
    until = (facts.get("survey") or {}).get("withdrawal_until")
    if until and not any(until in text for text in warnings):
        found.append({"tone": "calm", "text": f"Fish are drug-treated: not to be eaten before {until}."})
    if facts["untagged_next"]:
        found.append({"tone": "calm", "text": "The next fish has no tag."})
    for one in found:
        one["text"] = sentence_in(one["text"], units)
    found.sort(key=lambda one: _GRAVEST.index(one["tone"]))
    most = SHOWN_NOTICES
    if (
        moment.history_of
    ):  # earlier captures give way to what is wrong, and to what is to be minded of this fish
        alarms = sum(1 for one in found if one["tone"] == "alarm")
        most = min(most, SHOWN_NOTICES_BESIDE_HISTORY + (len(warnings) > 1) + alarms)
    if len(found) > most:
        rest = found[most - 1 :]
        found[most - 1 :] = [{"tone": rest[0]["tone"], "text": f"And {len(rest)} more notices."}]
    return found


_GRAVEST = ("alarm", "question", "calm")


def _instruments(facts: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """Those of this bench, and of the others what is in trouble."""
    return [
        one
        for one in facts["instruments"]
        if facts["bench"] in one["benches"] or is_away(one) or one["silent"]
    ]


def _last_words(
    recent: Sequence[Mapping[str, Any]], moment: Moment, units: Units, offset: timedelta
) -> dict[str, str] | None:
    """What the station said last, unless the moment says it already."""
    for one in reversed(recent):
        if one["name"] in _UNREMARKABLE:
            continue
        if one["sentence"] == moment.sentence or one["name"] == _TOLD_BY.get(moment.state):
            return None
        tone = {"trouble": "alarm", "held": "question", "reminder": "question"}.get(str(one["sound"]), "calm")
        at = _clock(str(one["at"]), offset) if one.get("at") else ""
        return {"text": sentence_in(str(one["sentence"]), units), "at": at, "tone": tone}
    return None


_UNREMARKABLE = frozenset({"station_ready", "page_ready", "tag_echo", "part_taken", "recapture", "fish_held"})
_TOLD_BY = {"tag_not_read": "tag_not_read", "batch": "batch_begun", "saved": "fish_saved"}


def _survey(facts: Mapping[str, Any]) -> dict[str, object]:
    survey = facts.get("survey")
    if survey is None:
        return {"title": "No survey open", "open": False, "provisional": False}
    title = ", ".join(part for part in (survey["water"], survey["name"]) if part)
    return {"title": title or "Survey without a name", "open": True, "provisional": survey["provisional"]}


def _run(facts: Mapping[str, Any]) -> dict[str, object]:
    """The run that fish belong to now, and the one that is being fished."""
    survey = facts.get("survey") or {}
    work_up, fished = survey.get("work_up_run"), survey.get("run_no") if survey.get("run_open") else None
    title = "No run" if work_up is None else f"Run {work_up}"
    extra = f"fishing run {fished}" if fished is not None and fished != work_up else ""
    if fished is not None and fished == work_up:
        extra = "open"
    return {"title": title, "extra": extra}


def _counts(facts: Mapping[str, Any]) -> list[dict[str, object]]:
    rows = [{"species": common(row["species"]) or "no species", "n": row["n"]} for row in facts["counts"]]
    if len(rows) <= SHOWN_SPECIES:
        return rows
    others = rows[SHOWN_SPECIES - 1 :]
    rest = {"species": f"{len(others)} other species", "n": sum(row["n"] for row in others)}
    return [*rows[: SHOWN_SPECIES - 1], rest]


def _last_fish(row: Mapping[str, Any], units: Units, offset: timedelta) -> dict[str, object]:
    return {
        "at": _clock(row["worked_up_at"], offset),
        "species": common(row["species"]) or "no species",
        "length": length_text(row["length_mm"], units),
        "weight": weight_text(row["weight_g"], units),
        "tag": row["tag"][-4:] if row["tag"] else "no tag",
        "status": row["status"],
    }


def _clock(at: str, offset: timedelta) -> str:
    """Hours and minutes at the station."""
    try:
        return (datetime.fromisoformat(at) + offset).strftime("%H:%M")
    except ValueError:
        return ""


def _correcting(facts: Mapping[str, Any], units: Units) -> str:
    """Which fish a correction goes to now."""
    saved = facts.get("saved")
    where, one = ("In hand", facts["in_hand"]) if facts.get("in_hand") else ("Saved last", saved)
    if one is None:
        return "No fish is in hand, and none was saved just now."
    name = common(one["species"]) or "species not chosen"
    tag = f", tag …{one['tag'][-4:]}" if one["tag"] else ""
    values = f"{length_text(one['length_mm'], units)}, {weight_text(one['weight_g'], units)}"
    return f"{where}: {name}, {values}{tag}"


def _can(facts: Mapping[str, Any]) -> dict[str, bool]:
    """Which buttons of the crew's panel do something now; the others stay where they are."""
    fish, saved = facts.get("in_hand"), facts.get("saved")
    survey = facts.get("survey")
    questions = {one["kind"] for one in fish["questions"]} if fish else set()
    return {
        "next": fish is not None or facts["batch"] is not None,
        "again": fish is not None or saved is not None,
        "void": fish is not None
        or saved is not None
        or facts["counted"] is not None
        or facts["batch"] is not None,
        "keep": bool(questions) or facts["line_slip"] is not None,
        "both": "two_tags" in questions,
        "shift": facts["line_slip"] is not None,
        "resume": bool(facts["parked"] or facts["held"]),
        "no-weight": fish is not None or facts["flow"] == "line",
        "survey_open": survey is not None,
        "run_open": bool(survey and survey["run_open"]),
    }
