"""The moment of a bench: one state with a headline, one thing to do now, one sentence, and the three figures of a fish.

Pure. A fish in hand decides; with none in hand the newest happening does, unless something is wrong with the station that
came later. Headlines have at most 14 letters and what to do at most 20, so that both can be read across two metres.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from station.between_fish import between_fish
from station.figures import Figure, fish_figures, measure_figure
from station.history import recapture_sentence
from station.moment import Moment
from station.units import Units
from station.words import fish_subject, list_of, tail
from station.worries import KIND_WORDS, Worry, is_away


def choose_moment(
    facts: Mapping[str, Any],
    recent: Sequence[Mapping[str, Any]],
    troubles: Sequence[Worry],
    units: Units,
) -> Moment:
    """The moment of the bench that the facts are of; `recent` are its announcements, oldest first."""
    slip = facts["line_slip"]
    if slip is not None:
        waiting = len(facts["between"]) + facts["owed"]
        figures = (
            Figure("At fish", str(slip["number"]), "", "doubt"),
            Figure("Between", str(waiting), "fish", "in"),
            Figure("Weights", "?", "", "doubt"),
        )
        return Moment(
            "line_stopped",
            "question",
            "LINE STOPPED",
            "Shift or keep",
            slip["sentence"],
            "Off by one",
            figures,
        )
    lost = _line_just_lost(recent)
    if lost is not None:
        return Moment("line_lost", "question", "LINE LOST", "Clear the table", lost, "Begin anew")
    if facts["in_hand"] is not None:
        return _in_hand(facts, facts["in_hand"], recent, units)
    if facts["batch"] is not None:
        return _batch(facts["batch"], units)
    moment, age = between_fish(facts, recent, units)
    for worry in troubles:
        newer = worry.fills and worry.newest < age
        if newer or moment.state in ("ready", "no_survey"):
            return replace(
                moment,
                state=worry.state,
                tone=worry.tone,
                headline=worry.headline,
                do=worry.do,
                sentence=worry.sentence,
                history_of=None,
                about=None,
            )
    return moment


def _line_just_lost(recent: Sequence[Mapping[str, Any]]) -> str | None:
    """What the station said about a line whose order is lost, until the next fish shows that the crew went on."""
    for one in reversed(recent):
        if one["name"] == "line_lost":
            return str(one["sentence"])
        if one["name"] in ("part_taken", "recapture", "fish_passed_on", "fish_saved", "survey_closed"):
            return None
    return None


# --- a fish in hand -----------------------------------------------------------------------------------------------


def _in_hand(
    facts: Mapping[str, Any], fish: Mapping[str, Any], recent: Sequence[Mapping[str, Any]], units: Units
) -> Moment:
    questions = {one["kind"]: one for one in fish["questions"]}
    figures = fish_figures(fish, units)
    subject = fish_subject(fish)
    if "two_tags" in questions:
        seen = [tag[-4:] for tag in fish["tags_seen"]]
        tag = Figure("Tag", str(len(seen)), "tags", "doubt", " ".join(seen[:2]))
        return Moment(
            "two_tags",
            "question",
            "TWO TAGS",
            "Clear, scan again",
            questions["two_tags"]["sentence"],
            subject,
            (tag, figures[1], figures[2]),
        )
    history = fish if fish["captures"] else None
    if questions:
        question = fish["questions"][0]
        return Moment(
            "held",
            "question",
            "HELD",
            _to_settle(question, fish),
            question["sentence"],
            subject,
            figures,
            history,
        )
    do, sentence = _still_to_do(facts, fish)
    if _just_went_untagged(recent, fish):
        return Moment(
            "tag_not_read",
            "question",
            "TAG NOT READ",
            do,
            f"The fish before went back without its tag read. {sentence}",
            subject,
            figures,
            history,
        )
    if fish["tag_status"] == "recapture":
        sentence = recapture_sentence(fish, units) if fish["captures"] else sentence
        return Moment("recapture", "prize", "RECAPTURE", do, sentence, subject, figures, history)
    return Moment("in_hand", "work", "IN HAND", do, sentence, subject, figures, history)


def _to_settle(question: Mapping[str, Any], fish: Mapping[str, Any]) -> str:
    """What to do about a question, in a few words."""
    if question["kind"] == "two_lengths":
        return "Measure once more"
    if question["kind"] == "two_weights":
        return "Weigh once more"
    if question["kind"] == "loose_weight":
        return "Measure this fish"
    if fish["candidates"]["length"] is not None:
        return "Measure once more"
    if fish["candidates"]["weight"] is not None:
        return "Weigh once more"
    suspects = set(question["suspects"])
    if {"length", "weight"} <= suspects:
        return "Measure, weigh again"
    if "length" in suspects:
        return "Measure it again"
    if "weight" in suspects:
        return "Weigh it again"
    return "Scan it again" if "tag" in suspects else "Look at this fish"


_DO = {
    ("tag", "length", "weight"): "Scan, measure, weigh",
    ("tag", "length"): "Scan and measure",
    ("tag", "weight"): "Scan and weigh",
    ("tag",): "Scan the tag",
    ("length", "weight"): "Measure, then weigh",
    ("length",): "Measure it",
    ("weight",): "Weigh it",
}
_SERVES = {"tag": "tag_reader", "length": "board", "weight": "scale"}


def _still_to_do(facts: Mapping[str, Any], fish: Mapping[str, Any]) -> tuple[str, str]:
    """What this fish still needs: a few words, and a sentence."""
    missing = tuple(part for part in ("tag", "length", "weight") if part in fish["missing"])
    if any(one["name"] == "tag_read_once" for one in fish["findings"]):
        return (
            "Scan it once more",
            f"Tag {tail(fish['tag'] or '?')} is on no list: a second read makes it sure.",
        )
    for part in missing:
        serving = [one for one in facts["instruments"] if _serves(one, part, facts["bench"])]
        if serving and all(is_away(one) for one in serving):
            name = serving[0]["name"]
            return (
                f"Plug in the {KIND_WORDS[serving[0]['kind']].lower()}",
                f"The {name} is lost and the {part} is missing. 'next' closes the fish without it.",
            )
    if missing:
        return _DO[missing], f"Still missing: {list_of(missing)}."
    if fish["species"] is None:
        return "Say the species", "No species is chosen: give its card, or pick it under Crew."
    if facts["waits_for_tag"]:
        return "Wait, or scan a tag", "Everything is in. A tag that is inserted now is this fish's."
    return "Put it back", "Everything is in."


def _serves(instrument: Mapping[str, Any], part: str, bench: str) -> bool:
    fits = instrument["kind"] == _SERVES[part] and instrument["role"] == "work_up"
    return bool(fits and bench in instrument["benches"])


def _just_went_untagged(recent: Sequence[Mapping[str, Any]], fish: Mapping[str, Any]) -> bool:
    """Whether the reminder about the fish before is the last news but for the part that opened this one."""
    parts = 0
    for one in reversed(recent):
        if one["name"] == "tag_not_read":
            return True
        if one.get("fish_id") == fish["fish_id"] and one["name"] in ("part_taken", "recapture"):
            parts += 1
        elif one["name"] not in ("fish_saved", "survey_opened"):
            return False
        if parts > 1:
            return False
    return False


# --- a batch ------------------------------------------------------------------------------------------------------


def _batch(batch: Mapping[str, Any], units: Units) -> Moment:
    awaits = batch["awaits"]
    if batch["lengths"] and not (awaits and batch["measured"]):
        do = "Measure subsample"
    else:
        do = {"container": "Weigh container", "gross": "Weigh the batch"}.get(
            awaits[0] if awaits else "", "Then 'next'"
        )
    steps = {"container": "the empty container is to be weighed", "gross": "then all fish with it"}
    said = [steps[one] for one in awaits]
    if len(said) == 1 and awaits[0] == "gross":
        said = ["all fish are to be weighed"]
    if batch["lengths"]:
        said.insert(0, "the board measures the subsample")
    sentence = (
        f"{batch['says'].capitalize()}: {', '.join(said)}." if said else f"{batch['says'].capitalize()}."
    )
    weight = batch["total_weight_g"]
    figures = (
        Figure("Fish", str(batch["n"]), "", "in"),
        Figure("Measured", str(batch["measured"]), "", "in" if batch["measured"] else "none"),
        measure_figure("Weight", weight, "weight", "gross" in awaits, units),
    )
    return Moment("batch", "work", "BATCH", do, sentence, batch["says"], figures)
