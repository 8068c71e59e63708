"""The two tables that say which tags are known: the inventory (tags that are in no fish yet) and the history.

Pure: the text of a CSV file in, rows and problems out (see `ingest.tag_table`). Lengths are mm and weights
g, as the headings say.
"""

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, tzinfo

from ingest.commands import FATES
from ingest.records import PriorCapture
from ingest.tag_table import TableProblem, TagTable


@dataclass(frozen=True, slots=True)
class InventoryTag:
    """A tag that somebody holds and that is in no fish yet. `tag` is canonical."""

    tag: str
    box: str | None
    lot: str | None
    date: str | None
    file: str
    line: int


@dataclass(frozen=True, slots=True)
class HistoryRow:
    """One earlier capture of a tag. `capture.at` is UTC; the fate is "unknown" where the file says none."""

    tag: str
    capture: PriorCapture
    file: str
    line: int


UNTIL_MENDED = "9999-12-31"
VOID = "void"  # a fate of the history only: the office took this capture back
_INVENTORY_COLUMNS = {"tag": "tag", "box": "box", "lot": "lot", "date": "date"}
_HISTORY_COLUMNS = {
    "tag": "tag",
    "at": "at",
    "date": "at",
    "water": "water",
    "survey": "survey",
    "survey_id": "survey",
    "species": "species",
    "length_mm": "length_mm",
    "weight_g": "weight_g",
    "fate": "fate",
    "individual": "individual",
    "individual_id": "individual",
    "fish": "fish",
    "fish_id": "fish",
    "withdrawal": "withdrawal",
    "withdrawal_until": "withdrawal",
}


def parse_inventory(text: str, name: str) -> tuple[tuple[InventoryTag, ...], tuple[TableProblem, ...]]:
    """The tags of an inventory CSV with the columns tag and, if wanted, box, lot, date. Never raises."""
    table = TagTable(text, name, _INVENTORY_COLUMNS, required=("tag",))
    rows: dict[str, InventoryTag] = {}
    for line, cells, tag in table.tagged_rows():
        if tag in rows:
            said = f"{tag} stands on line {rows[tag].line} already; it counts once."
            table.say(line, "tag", cells["tag"], said, "nothing")
            continue
        texts = {column: cells.get(column) or None for column in ("box", "lot", "date")}
        rows[tag] = InventoryTag(tag, texts["box"], texts["lot"], texts["date"], name, line)
    return tuple(rows.values()), table.found()


def parse_history(
    text: str, name: str, zone: tzinfo = UTC
) -> tuple[tuple[HistoryRow, ...], tuple[TableProblem, ...]]:
    """The captures of a history CSV with the columns tag, at (or date) and, if wanted, water, survey,
    species, length_mm, weight_g, fate, individual, fish, withdrawal. Never raises.

    A date alone counts as noon and a time without offset as local time, both in `zone`. A measure or fate
    that cannot be read is left out and named, and the capture is kept: a recapture that nobody notices
    costs more than its length.
    """
    table = TagTable(text, name, _HISTORY_COLUMNS, required=("tag", "at"))
    rows = []
    for line, cells, tag in table.tagged_rows():
        try:
            at = utc_text(cells["at"], zone)
        except ValueError as error:
            table.say(line, "at", cells["at"], str(error), "row")
            continue
        capture = PriorCapture(
            at=at,
            water=cells.get("water") or None,
            survey_id=cells.get("survey") or None,
            species=cells.get("species") or None,
            length_mm=table.measure(line, "length_mm", cells),
            weight_g=table.measure(line, "weight_g", cells),
            fate=_fate(table, line, cells.get("fate", "")),
            individual_id=cells.get("individual") or None,
            fish_id=cells.get("fish") or None,
            withdrawal_until=_day(table, line, cells.get("withdrawal", "")),
        )
        rows.append(HistoryRow(tag, capture, name, line))
    return tuple(rows), table.found()


def utc_text(written: str, zone: tzinfo) -> str:
    """RFC 3339 in UTC. Raises ValueError with the reason."""
    advice = f'"{written}" is no date as 2025-05-12 and no time as 2025-05-12T14:30:00Z.'
    if re.match(r"[12][0-9]{3}-[0-9]{2}-[0-9]{2}", written) is None:
        raise ValueError(advice)
    try:
        at = datetime.fromisoformat(written)
    except ValueError:
        raise ValueError(advice) from None
    if re.fullmatch(r"[0-9-]+", written):
        at = at.replace(hour=12)
    if at.tzinfo is None:
        at = at.replace(tzinfo=zone)
    return at.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _day(table: TagTable, line: int, written: str) -> str | None:
    """The day before which a drugged fish may not be eaten. One that cannot be read is the most careful one."""
    if not written:
        return None
    try:
        return date.fromisoformat(written).isoformat()
    except ValueError:
        said = f'"{written}" is no day as 2026-06-02: the fish counts as drugged until it is mended.'
        table.say(line, "withdrawal", written, said, "cell")
        return UNTIL_MENDED


def _fate(table: TagTable, line: int, written: str) -> str:
    if not written:
        return "unknown"
    if written.lower() in (*FATES, VOID):
        return written.lower()
    said = f'"{written}" is no fate and is left out; known are {", ".join(FATES)}.'
    table.say(line, "fate", written, said, "cell")
    return "unknown"
