"""What is wrong with the station itself, gravest first: an instrument, the database, the disk, the clock. Pure."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from station.moment import Tone

KIND_WORDS = {
    "tag_reader": "READER",
    "scale": "SCALE",
    "board": "BOARD",
    "keys": "KEYS",
    "navigation": "GPS",
}


@dataclass(frozen=True, slots=True)
class Worry:
    """A fault that lasts. It fills the screen while no fish needs it; otherwise `notice` (or the sentence) stands below.

    newest: how many announcements came after the one that told of it; a big number if none is at hand.
    fills: whether it may take the screen from a fish that was saved before it came.
    """

    state: str
    tone: Tone
    headline: str
    do: str
    sentence: str
    notice: str = ""
    newest: int = 1_000_000
    fills: bool = False


def worries(
    facts: Mapping[str, Any], recent: Sequence[Mapping[str, Any]], low_disk_bytes: int
) -> list[Worry]:
    """All that is wrong now, gravest first."""
    found = [*_media(facts, recent), *_instruments(facts, recent), *_disk(facts, low_disk_bytes)]
    if facts["clock_doubtful"]:
        found.append(
            Worry(
                "clock_doubtful",
                "question",
                "CLOCK WRONG",
                "Set the clock",
                "The clock of this computer cannot be trusted. Fish are recorded all the same, each marked.",
                "Clock wrong: set it. Fish are recorded, marked.",
                _age(recent, "clock_doubtful"),
            )
        )
    survey = facts.get("survey")
    if survey is not None and survey["provisional"]:
        found.append(
            Worry(
                "provisional",
                "question",
                "NO NAME YET",
                "Name the survey",
                "Fish go into a survey without a name. Say the water and the name under Crew, now or later.",
                "The survey has no name yet: say it under Crew.",
            )
        )
    return found


def _media(facts: Mapping[str, Any], recent: Sequence[Mapping[str, Any]]) -> list[Worry]:
    found: list[Worry] = []
    if facts["database_trouble"]:
        n = facts["waiting_commits"]
        kept = (
            f"{n} record{'' if n == 1 else 's'} wait{'s' if n == 1 else ''} in the journal and will be saved."
        )
        found.append(
            Worry(
                "database_waits",
                "alarm",
                "NOT SAVED YET",
                "Go on working",
                f"{facts['database_trouble']} {kept}",
                f"The database cannot be written. {kept}",
                _age(recent, "database_trouble", "fish_kept"),
                fills=True,
            )
        )
    if facts["journal_trouble"]:
        found.append(
            Worry(
                "journal_trouble",
                "alarm",
                "JOURNAL FAULT",
                "Look at the disk",
                f"The journal: {facts['journal_trouble']}",
                newest=_age(recent, "journal_trouble"),
                fills=True,
            )
        )
    if facts["records_refused"]:
        n = facts["records_refused"]
        sentence = f"{n} record{' was' if n == 1 else 's were'} refused by the database: look into the log, tell the office."
        found.append(Worry("refused", "alarm", "REFUSED", "Read the log", sentence))
    return found


def _instruments(facts: Mapping[str, Any], recent: Sequence[Mapping[str, Any]]) -> list[Worry]:
    found: list[Worry] = []
    for one in facts["instruments"]:
        if facts["bench"] not in one["benches"]:
            continue
        word, name, why = KIND_WORDS[one["kind"]], one["name"], one["last_error"] or ""
        why = why.removeprefix(f"{name}: ")
        if is_away(one):
            lost = "is lost" if one["lost"] else "cannot be opened"
            found.append(
                Worry(
                    "instrument_lost",
                    "alarm",
                    f"{word} LOST" if one["lost"] else f"NO {word}",
                    "Plug it in",
                    f"The {name} {lost}{f': {why}' if why else ''}. It comes back by itself.",
                    f"The {name} {lost}: plug it in.",
                    _age(recent, "instrument_lost", "instrument_missing", instrument=name),
                    fills=True,
                )
            )
        elif one["silent"]:
            found.append(
                Worry(
                    "instrument_silent",
                    "alarm",
                    f"{word} SILENT",
                    "Look at its cable",
                    f"The {name} says nothing: look at its power and its cable.",
                    newest=_age(recent, "instrument_silent", instrument=name),
                    fills=True,
                )
            )
    return found


def is_away(instrument: Mapping[str, Any]) -> bool:
    """Whether the port of an instrument is gone, or could not be opened."""
    port = instrument["port"]
    return bool(
        instrument["lost"]
        or port in ("lost", "broken")
        or (port == "waiting" and instrument["last_error"] is not None)
    )


def instrument_word(instrument: Mapping[str, Any]) -> dict[str, str]:
    """The health of an instrument in a word, with a tone for its mark."""
    if is_away(instrument):
        return {"word": "lost" if instrument["lost"] else "not there", "tone": "alarm"}
    if instrument["silent"]:
        return {"word": "silent", "tone": "alarm"}
    if instrument["port"] == "opened":
        return {"word": "ok" if instrument["bytes"] else "no word yet", "tone": "good"}
    return {"word": "starting", "tone": "calm"}


def _disk(facts: Mapping[str, Any], low_disk_bytes: int) -> list[Worry]:
    free = facts["disk_free_bytes"]
    if free is None or free >= low_disk_bytes:
        return []
    megabytes = free // (1024 * 1024)
    sentence = f"Only {megabytes} MB are free for records: make room, or change the medium between two fish."
    return [
        Worry(
            "disk_nearly_full",
            "question",
            "DISK FILLS UP",
            "Make room",
            sentence,
            f"Disk nearly full: {megabytes} MB left.",
        )
    ]


def _age(recent: Sequence[Mapping[str, Any]], *names: str, instrument: str | None = None) -> int:
    """How many announcements came after the newest of these names."""
    for age, one in enumerate(reversed(recent)):
        of_it = instrument is None or (one.get("facts") or {}).get("instrument") in (None, instrument)
        if one["name"] in names and of_it:
            return age
    return 1_000_000
