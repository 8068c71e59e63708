"""The moment of a bench: one state with a headline, one thing to do now, one sentence, and the three figures of a fish.

Pure. A fish in hand decides; with none in hand the newest happening does, unless something is wrong with the station that
came later. Headlines have at most 14 letters and what to do at most 20, so that both can be read across two metres.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import Any, Literal

from station.figures import Figure, fish_figures, measure_figure, said_figures, saved_figures, tag_figure
from station.history import recapture_sentence
from station.units import Units
from station.words import common, list_of, tail
from station.worries import KIND_WORDS, Worry, is_away

Tone = Literal["calm", "work", "good", "prize", "question", "alarm"]


@dataclass(frozen=True, slots=True)
class Moment:
    """What fills the screen. `subject` names the fish; `history_of` is the fish whose captures are shown."""

    state: str
    tone: str
    headline: str
    do: str
    sentence: str = ""
    subject: str = ""
    figures: tuple[Figure, Figure, Figure] = (Figure("Tag"), Figure("Length"), Figure("Weight"))
    history_of: Mapping[str, Any] | None = None


def choose_moment(
    facts: Mapping[str, Any],
    recent: Sequence[Mapping[str, Any]],
    troubles: Sequence[Worry],
    units: Units,
    offset: timedelta,
) -> Moment:
    """The moment of the bench that the facts are of; `recent` are its announcements, oldest first."""
    slip = facts["line_slip"]
    if slip is not None:
        waiting = len(facts["between"]) + facts["owed"]
        figures = (
            Figure("From fish", str(slip["number"]), "", "doubt"),
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
    if facts["in_hand"] is not None:
        return _in_hand(facts, facts["in_hand"], recent, units)
    if facts["batch"] is not None:
        return _batch(facts["batch"], units)
    moment, age = _between_fish(facts, recent, units, offset)
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
            )
    return moment


# --- a fish in hand -----------------------------------------------------------------------------------------------


def _in_hand(
    facts: Mapping[str, Any], fish: Mapping[str, Any], recent: Sequence[Mapping[str, Any]], units: Units
) -> Moment:
    questions = {one["kind"]: one for one in fish["questions"]}
    figures = fish_figures(fish, units)
    subject = _subject(fish)
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


def _subject(fish: Mapping[str, Any]) -> str:
    name = common(fish["species"]) or "Species not chosen"
    number = f"Fish {fish['line_no']}: " if fish.get("line_no") else ""
    return number + name


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


# --- between two fish ----------------------------------------------------------------------------------------------


def _between_fish(
    facts: Mapping[str, Any], recent: Sequence[Mapping[str, Any]], units: Units, offset: timedelta
) -> tuple[Moment, int]:
    """The moment by the newest happening, and how many announcements came after it."""
    for age, one in enumerate(reversed(recent)):
        moment = _after(one, facts, units, offset)
        if moment is not None:
            return moment, age
    if facts["again"]:
        return _again(facts, "", units), 1_000_000
    if facts["done"] is not None:
        return _already_done(facts, "", units, offset), 1_000_000
    if facts["saved"] is not None:
        return _saved(facts, None, units), 1_000_000
    return _ready(facts), 1_000_000


def _after(
    one: Mapping[str, Any], facts: Mapping[str, Any], units: Units, offset: timedelta
) -> Moment | None:
    """The moment that this announcement makes; None if it makes none."""
    name, sentence = one["name"], str(one["sentence"])
    saved = facts["saved"]
    its_saved = saved is not None and saved["fish_id"] == one.get("fish_id")
    figures = saved_figures(facts, units)
    subject = (common(saved["species"]) or "Species not chosen") if saved else ""
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
            return Moment("corrected", "good", "CORRECTED", "Next fish", sentence, subject, figures)
        case "fish_amended" | "fish_void" | "batch_void":
            return Moment("void", "calm", "VOID", "Next fish", sentence)
        case "measure_again" if facts["again"]:
            return _again(facts, sentence, units)
        case "tag_echo":
            return Moment("echo", "calm", "SAME FISH", "Next fish", sentence, subject, figures)
        case "tag_not_read":
            do = "Next fish"
            return Moment("tag_not_read", "question", "TAG NOT READ", do, sentence, subject, figures)
        case "already_done" if facts["done"] is not None:
            return _already_done(facts, sentence, units, offset)
        case "fish_parked" if facts["parked"] or facts["held"]:
            parked = (facts["parked"] or facts["held"])[-1]
            figures = fish_figures(parked, units)
            do = "Scan its tag" if parked["tag"] else "Next fish"
            return Moment("parked", "question", "PARKED", do, sentence, _subject(parked), figures)
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
        case "tag_looked_up":
            return _looked_up(one, facts, sentence)
        case "survey_closed":
            return replace(_ready(facts), sentence=sentence)
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
    history = saved if saved.get("growth") else None
    if status == "queried":
        why = next((one["sentence"] for one in saved["findings"] if one["severity"] == "serious"), "")
        return Moment(
            "saved",
            "question",
            "QUERIED",
            "Next fish",
            f"Saved with a query. {why}",
            subject,
            figures,
            history,
        )
    if status == "incomplete":
        without = f"Saved without {list_of(lacking)}." if lacking else "Saved as far as it got."
        return Moment(
            "saved", "question", "INCOMPLETE", "Next fish", sentence or without, subject, figures, history
        )
    fate = saved["fate"]
    do = "Next fish" if fate in ("released", "unknown") else f"{fate.capitalize()}. Next fish"
    sentence = sentence or "Saved."
    if saved["relative_weight"] is not None:
        sentence += f" Relative weight {saved['relative_weight']:.0f}."
    return Moment("saved", "good", "SAVED", do, sentence, subject, figures, history)


def _saved_by_words(one: Mapping[str, Any], units: Units) -> Moment:
    """A save of which only the announcement is left (a fish of a two-person line, of a survey since closed)."""
    return Moment(
        "saved", "good", "SAVED", "Next fish", str(one["sentence"]), figures=said_figures(one, units)
    )


def _again(facts: Mapping[str, Any], sentence: str, units: Units) -> Moment:
    saved = facts["saved"]
    subject = (common(saved["species"]) or "") if saved else ""
    sentence = sentence or "The next measure corrects the fish saved last."
    figures = saved_figures(facts, units)
    return Moment("again", "question", "MEASURE AGAIN", "Length or weight", sentence, subject, figures)


def _already_done(facts: Mapping[str, Any], sentence: str, units: Units, offset: timedelta) -> Moment:
    done = facts["done"]
    row = done["fish"]
    said = sentence or f"Tag {tail(done['tag'])} is already done in this survey."
    if row is None:
        figures = (tag_figure(done["tag"], "", "in"), Figure("Length"), Figure("Weight"))
        return Moment("already_done", "question", "ALREADY DONE", "Put it back", said, "", figures)
    subject = common(row["species"]) or "Species not chosen"
    figures = (
        tag_figure(row["tag"] or done["tag"], "", "in"),
        measure_figure("Length", row["length_mm"], "length", False, units),
        measure_figure("Weight", row["weight_g"], "weight", False, units),
    )
    return Moment("already_done", "question", "ALREADY DONE", "Put it back", said, subject, figures)


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
