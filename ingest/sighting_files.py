"""Files that hand readers leave: one tag code a line, with a time or without, or a CSV with headed columns. Pure.

A line that is no sighting is refused with its reason and kept in the list of refused lines; nothing is guessed.
"""

import re
from dataclasses import dataclass
from datetime import tzinfo
from typing import Final

from drivers.tags import TagCodeError, parse_tag
from ingest.inventory import utc_text
from ingest.tag_table import TagTable

_COLUMNS: Final = {"tag": "tag", "code": "tag", "at": "at", "datetime": "at", "time": "time", "date": "date"}
_MOST_SHOWN: Final = 80  # characters of a refused line


@dataclass(frozen=True, slots=True)
class SightedTag:
    """One sighting. `tag` is canonical, `at` RFC 3339 UTC, None where the file says no time."""

    tag: str
    at: str | None


@dataclass(frozen=True, slots=True)
class RefusedLine:
    """A line that is no sighting: its number from 1, its text (cut), and why."""

    line: int
    text: str
    why: str


def parse_sightings(data: bytes, zone: tzinfo) -> tuple[tuple[SightedTag, ...], tuple[RefusedLine, ...]]:
    """Sightings and refused lines, each in the order of the file. Never raises.

    The columns of a headed CSV are `tag` (or `code`) and, if the reader has a clock, `at` (or `datetime`), or `date`
    and `time`. Without a heading a line is a code, or a code and a time behind a comma, a semicolon or a tab. A time
    without offset is local time in `zone`, a date alone is noon. Blank lines and lines that begin with # say nothing.
    """
    text = data.decode("utf-8-sig", errors="replace").replace("\x00", "\ufffd")
    lines = [(number, line.strip()) for number, line in enumerate(text.splitlines(), 1)]
    said = [(number, line) for number, line in lines if line and not line.startswith("#")]
    if said and {cell.strip(' "').lower() for cell in re.split("[,;\t]", said[0][1])} & {"tag", "code"}:
        return _headed(text, zone)
    sighted: list[SightedTag] = []
    refused: list[RefusedLine] = []
    for number, line in said:
        try:
            sighted.append(_sighted(line, zone))
        except ValueError as error:
            refused.append(_refused(number, line, str(error)))
    return tuple(sighted), tuple(refused)


def _sighted(line: str, zone: tzinfo) -> SightedTag:
    separator = next(
        (char for char in line if char in ",;\t"), ","
    )  # behind a ; a time may have a decimal comma
    code, *rest = (cell.strip(' "') for cell in line.split(separator))
    if any(rest[1:]):
        raise ValueError("the line holds more than a code and a time; head the columns with tag and at.")
    try:
        tag = parse_tag(code).text
    except TagCodeError as error:
        raise ValueError(str(error)) from None
    return SightedTag(tag, utc_text(rest[0], zone) if rest and rest[0] else None)


def _headed(text: str, zone: tzinfo) -> tuple[tuple[SightedTag, ...], tuple[RefusedLine, ...]]:
    table = TagTable(text, "", _COLUMNS, required=("tag",))
    sighted: list[SightedTag] = []
    refused: list[RefusedLine] = []
    for line, cells, tag in table.tagged_rows():
        date, time = cells.get("date", ""), cells.get("time", "")
        written = cells.get("at") or (f"{date}T{time}" if date and time else date or time)
        try:
            sighted.append(SightedTag(tag, utc_text(written, zone) if written else None))
        except ValueError as error:
            refused.append(_refused(line, written, str(error)))
    refused += [
        _refused(problem.line, problem.value, problem.text)
        for problem in table.found()
        if problem.left_out in ("row", "rest")
    ]
    return tuple(sighted), tuple(sorted(refused, key=lambda one: one.line))


def _refused(line: int, text: str, why: str) -> RefusedLine:
    return RefusedLine(line, text[:_MOST_SHOWN], why[:300])
