"""The moment of a bench with no fish in hand: what the newest happening makes of it. Pure."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from station.figures import Figure, fish_figures, measure_figure, said_figures, saved_figures, tag_figure
from station.history import recapture_sentence
from station.moment import Moment
from station.units import Units
from station.words import common, fish_subject, list_of, tail


def between_fish(
    facts: Mapping[str, Any], recent: Sequence[Mapping[str, Any]], units: Units
) -> tuple[Moment, int]:
    """The moment by the newest happening, and how many announcements came after it."""
    for age, one in enumerate(reversed(recent)):
        moment = _after(one, facts, units)
        if moment is not None:
            return moment, age
    if facts["again"]:
        return _again(facts, units), 1_000_000
    if facts["done"] is not None:
        return _already_done(facts, "", units), 1_000_000
    if facts["saved"] is not None and not facts["waiting_commits"]:  # else it may be among those that wait
        return _saved(facts, None, units), 1_000_000
    return _ready(facts), 1_000_000


def _after(one: Mapping[str, Any], facts: Mapping[str, Any], units: Units) -> Moment | None:
    """The moment that this announcement makes; None if it makes none."""
    name, sentence = one["name"], str(one["sentence"])
    saved = facts["saved"]
    its_saved = saved is not None and saved["fish_id"] == one.get("fish_id")
    mine = (
        saved if its_saved else None
    )  # in a two-person line words may be of another fish than the one saved last
    figures = saved_figures(facts, units) if mine else said_figures(one, units)
    subject = (common(mine["species"]) or "Species not chosen") if mine else ""
    match name:
        case "fish_saved" if its_saved:
            return _saved(facts, one, units)
        case "fish_saved":
            return _saved_by_words(one, units)
        case "fish_kept":
            kept = Moment(
                "kept", "question", "NOT SAVED YET", "Next fish", sentence.replace("Saved: ", "", 1)
            )
            return replace(kept, figures=said_figures(one, units))
        case "fish_amended" if saved is not None:
            return Moment(
                "corrected", "good", "CORRECTED", "Next fish", sentence, subject, figures, about=mine
            )
        case "fish_amended" | "fish_void" | "batch_void":
            return Moment("void", "calm", "VOID", "Next fish", sentence)
        case "measure_again" if facts["again"]:
            return Moment(
                "again",
                "question",
                "MEASURE AGAIN",
                "Length or weight",
                sentence,
                subject,
                figures,
                about=mine,
            )
        case "tag_echo":
            history = mine if mine and mine["captures"] else None
            return Moment("echo", "calm", "SAME FISH", "Next fish", sentence, subject, figures, history, mine)
        case "tag_not_read":
            do = "Next fish"
            return Moment(
                "tag_not_read", "question", "TAG NOT READ", do, sentence, subject, figures, about=mine
            )
        case "already_done" if facts["done"] is not None:
            return _already_done(facts, sentence, units)
        case "fish_parked" if facts["parked"] or facts["held"]:
            parked = (facts["parked"] or facts["held"])[-1]
            figures = fish_figures(parked, units)
            do = "Scan its tag" if parked["tag"] else "Next fish"
            return Moment("parked", "question", "PARKED", do, sentence, fish_subject(parked), figures)
        case "fish_counted" | "batch_saved" | "batch_amended":
            headline = "COUNTED" if name == "fish_counted" else "BATCH SAVED"
            said = one["facts"]
            subject = str(said.get("species") or "species not chosen").replace("_", " ")
            weight = measure_figure("Weight", said.get("total_weight_g"), "weight", False, units)
            figures = (Figure("Fish", str(said.get("n", "")), "", "in"), Figure("Measured"), weight)
            return Moment("counted", "good", headline, "Next fish", sentence, subject, figures)
        case "tag_refused":
            return Moment("scan_again", "question", "SCAN AGAIN", "Scan it again", sentence)
        case "scale_trouble":
            return Moment("scale_trouble", "question", "WEIGH AGAIN", "Look at the scale", sentence)
        case "loose_weight":
            return Moment("held", "question", "HELD", "Whose weight?", sentence)
        case "fish_passed_on":
            return _passed_on(facts, sentence)
        case "line_shifted":
            return Moment("line_shifted", "good", "SHIFTED", "Go on", sentence)
        case "tag_looked_up":
            return _looked_up(one, facts, sentence)
        case "survey_closed":  # what was said before is of another survey
            return _ready(facts) if facts["survey"] else replace(_ready(facts), sentence=sentence)
    return None


def _ready(facts: Mapping[str, Any]) -> Moment:
    subject = common(facts["species"]) or ""
    if facts["survey"] is None:
        sentence = (
            "The first reading opens the survey by itself."
            if facts["survey_configured"]
            else "The first reading opens one, to be named later; or open it now under Crew."
        )
        return Moment("no_survey", "calm", "NO SURVEY", "Just begin", sentence, subject)
    first = {
        "first": "Scan its tag, then measure and weigh it.",
        "found_first": "Scan it for a tag, then measure and weigh it.",
        "last": "Measure and weigh it, then scan its tag.",
    }
    if not subject:
        return Moment(
            "ready", "calm", "READY", "Say the species", "Give a species card, or pick it under Crew."
        )
    sentence = first.get(facts["tags"], "Scan, measure and weigh it, in any order.")
    return Moment("ready", "calm", "READY", "Next fish", sentence, subject)


def _saved(facts: Mapping[str, Any], said: Mapping[str, Any] | None, units: Units) -> Moment:
    saved = facts["saved"]
    status = saved["status"]
    subject = common(saved["species"]) or "Species not chosen"
    lacking = [
        part for part in ("length", "weight") if saved[f"{part}_{'mm' if part == 'length' else 'g'}"] is None
    ]
    sentence = str(said["sentence"]) if said is not None else ""
    figures = saved_figures(facts, units)
    history = saved if saved["captures"] else None
    if status == "queried":
        why = next((one["sentence"] for one in saved["findings"] if one["severity"] == "serious"), "")
        return Moment(
            "saved",
            "question",
            "QUERIED",
            "Next fish",
            f"Saved with a query. It was asked: {why}",
            subject,
            figures,
            history,
            saved,
        )
    if status == "incomplete":
        without = f"Saved without {list_of(lacking)}." if lacking else "Saved as far as it got."
        return Moment(
            "saved",
            "question",
            "INCOMPLETE",
            "Next fish",
            sentence or without,
            subject,
            figures,
            history,
            saved,
        )
    fate = saved["fate"]
    do = "Next fish" if fate in ("released", "unknown") else f"{fate.capitalize()}. Next fish"
    if history is not None:  # the figures say what was saved
        sentence = f"Saved. {recapture_sentence(saved, units)}"
    else:
        sentence = sentence or "Saved."
        if saved["relative_weight"] is not None:
            sentence += f" Relative weight {saved['relative_weight']:.0f}."
    return Moment("saved", "good", "SAVED", do, sentence, subject, figures, history, saved)


def _saved_by_words(one: Mapping[str, Any], units: Units) -> Moment:
    """A save of which only the announcement is left (a fish of a two-person line, of a survey since closed)."""
    return Moment(
        "saved", "good", "SAVED", "Next fish", str(one["sentence"]), figures=said_figures(one, units)
    )


def _again(facts: Mapping[str, Any], units: Units) -> Moment:
    saved = facts["saved"]
    subject = (common(saved["species"]) or "") if saved else ""
    sentence = "The next measure corrects the fish saved last."
    figures = saved_figures(facts, units)
    return Moment(
        "again", "question", "MEASURE AGAIN", "Length or weight", sentence, subject, figures, about=saved
    )


def _already_done(facts: Mapping[str, Any], sentence: str, units: Units) -> Moment:
    done = facts["done"]
    row = done["fish"]
    said = sentence or f"Tag {tail(done['tag'])} is already done in this survey."
    if row is None:
        figures = (tag_figure(done["tag"], "", "in"), Figure("Length"), Figure("Weight"))
        return Moment(
            "already_done", "question", "ALREADY DONE", "Put it back", said, "", figures, about=done
        )
    subject = common(row["species"]) or "Species not chosen"
    figures = (
        tag_figure(row["tag"] or done["tag"], "", "in"),
        measure_figure("Length", row["length_mm"], "length", False, units),
        measure_figure("Weight", row["weight_g"], "weight", False, units),
    )
    history = done if done.get("captures") else None
    return Moment(
        "already_done", "question", "ALREADY DONE", "Put it back", said, subject, figures, history, done
    )


def _passed_on(facts: Mapping[str, Any], sentence: str) -> Moment:
    """A two-person line with nothing at the measuring end."""
    between = facts["between"]
    waiting = len(between) + facts["owed"]
    said = f"At the scale next: fish {between[0]['number']}, {between[0]['says']}." if between else sentence
    figures = (
        Figure("Between", str(waiting), "fish", "in"),
        Figure("At the scale", str(between[0]["number"]) if between else "", "", "in" if between else "none"),
        Figure("Weight", state="missing"),
    )
    return Moment("line", "work", "LINE", "Measure and weigh", said, common(facts["species"]) or "", figures)


def _looked_up(one: Mapping[str, Any], facts: Mapping[str, Any], sentence: str) -> Moment:
    """A reader beside the bench showed a tag."""
    captures = [
        {"relative_weight": None, "growth": None, **row, "species": _named(row.get("species"))}
        for row in one["facts"].get("captures") or ()
    ]
    fish = {"captures": captures, "relative_weight": None, "growth": None} if captures else None
    tag = str(one["facts"].get("tag") or "")
    figures = (tag_figure(tag, "", "in"), Figure("Length"), Figure("Weight"))
    do = "Look at its history" if captures else "Nothing is known"
    return Moment("looked_up", "calm", "LOOKED UP", do, sentence, "Beside the bench", figures, fish)


def _named(slug: object) -> dict[str, str] | None:
    return None if slug is None else {"slug": str(slug), "common": str(slug).replace("_", " ")}
