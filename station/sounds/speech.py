"""What is said after a tone, if speech is on: one short sentence made of an announcement. Pure.

Numbers stay digits: the program that speaks knows how they are read in its language.
"""

import re
from collections.abc import Mapping
from datetime import date
from typing import Any

from ingest.frames import earliest_day
from ingest.records import Sound
from station.units import G_PER_POUND, MM_PER_INCH, Units

_SPOKEN = frozenset(
    {Sound.HELD, Sound.TROUBLE, Sound.REMINDER, Sound.STICK}
)  # their sentences ask for something
_UNITS = (("mm", "millimetre"), ("cm", "centimetre"), ("kg", "kilogram"), ("g", "gram"), ("s", "second"))
_LONGEST = 200  # a longer sentence is for the page


def spoken(announcement: Mapping[str, Any], units: Units = "metric") -> str | None:
    """What to say about this announcement (as plain values), None for most of them.

    Lengths and weights are said in `units`.
    """
    sound, facts = announcement.get("sound"), announcement.get("facts") or {}
    captures = facts.get("captures") or ()
    if captures and announcement.get("name") in ("recapture", "fish_saved"):
        first = "Recapture." if announcement["name"] == "recapture" else "Saved."
        return " ".join(
            [first, *_history(captures, facts, str(announcement.get("at", "")), units == "metric")]
        )
    if sound in _SPOKEN:
        return readable(str(announcement.get("sentence", "")), units)
    return None


def _history(captures: Any, facts: Mapping[str, Any], at: str, metric: bool) -> list[str]:
    """Length now and growth since last time; without a length yet, what it was last time."""
    last = captures[-1]
    then, grown = last.get("length_mm"), facts.get("mm_since")
    when = _month(str(last.get("at", "")), at)
    said = []
    if then is not None and grown is not None:
        said.append(f"{_length(then + grown, metric)}.")
        if round(grown) == 0:
            said.append(f"As long as in {when}.")
        else:
            said.append(f"{'Up' if grown > 0 else 'Down'} {_figure(abs(grown), metric)} since {when}.")
    elif then is not None:
        said.append(f"{_length(then, metric)} in {when}.")
    else:
        said.append(f"Last seen in {when}.")
    until = max((one.get("withdrawal_until") or "" for one in captures), default="")
    if until and (not at or until > earliest_day(at)):
        said.append(f"Drug-treated, not to be eaten before {_day(until)}.")
    return said


def _length(mm: float, metric: bool) -> str:
    figure = _figure(mm, metric)
    unit = ("millimetre" if figure == "1" else "millimetres") if metric else "inches"
    return f"{figure} {unit}"


def _figure(mm: float, metric: bool) -> str:
    return f"{round(mm)}" if metric else f"{mm / MM_PER_INCH:.1f}"


def _month(at: str, now: str) -> str:
    """The month of a time, with the year unless it lies within the last eleven months."""
    then = _date(at)
    if then is None:
        return "an earlier year"
    today = _date(now)
    near = today is not None and 0 <= (today.year - then.year) * 12 + today.month - then.month <= 11
    return then.strftime("%B" if near else "%B %Y")


def _day(text: str) -> str:
    day = _date(text)
    return text if day is None else f"{day.day} {day.strftime('%B %Y')}"


def _date(text: str) -> date | None:
    try:
        return date.fromisoformat(text[:10])
    except ValueError:
        return None


def readable(sentence: str, units: Units = "metric") -> str:
    """A sentence of the station as a voice shall read it: units in words, of a tag's code the last four digits one by
    one, no signs that would be spelled."""
    text = re.sub(r"\b(\d{4}-\d\d-\d\d)(T[\d:.]+Z)?", lambda found: _day(found[1]), sentence)
    text = re.sub(r"(?:\.\.\.|\b\d{11})(\d{4})\b", lambda found: f"ending {' '.join(found[1])}", text)
    if units == "inch_pound":
        text = re.sub(r"(?<![\w.])(\d+(?:\.\d+)?) (mm|g)\b", _imperial, text)
    for short, word in _UNITS:
        text = re.sub(rf"(?<![\d.,])1 ?{short}\b", f"1 {word}", text)
        text = re.sub(rf"(\d) ?{short}\b", rf"\1 {word}s", text)
    text = re.sub(r"[^\w\s.,:;?!%'()+-]", " ", text).replace("_", " ")
    text = " ".join(text.split())
    if len(text) <= _LONGEST:
        return text
    whole = text[:_LONGEST].rpartition(". ")[0]
    return f"{whole}." if whole else text[:_LONGEST].rpartition(" ")[0]


def _imperial(found: re.Match[str]) -> str:
    value = float(found[1])
    return f"{value / MM_PER_INCH:.1f} inches" if found[2] == "mm" else f"{value / G_PER_POUND:.2f} pounds"
