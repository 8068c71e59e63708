"""Rows of a table into the fish that they tell of, or into the reasons why not. Pure: nothing is looked up in records.

What makes a capture useless or wrong refuses the row: no day, a word that nobody knows, a damaged tag. A measure that
cannot be read is left out and said; the capture is kept.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from difflib import get_close_matches
from typing import TypeVar

from ingest.commands import FATES
from ingest.species import SpeciesBook
from ingest.tag_table import cut_digits, ends_in_zeros, looks_cut
from office.importing.cells import (
    bare_tag,
    day_of,
    is_empty,
    moment_of,
    number_of,
    shown,
    tag_of,
    text_of,
    time_of,
)
from office.importing.mapping import GRAMS, METHODS, MM, UNKNOWN_FATE, ImportMapping
from office.importing.tables import TableRefusedError, TableRow

Value = TypeVar("Value")


@dataclass(frozen=True, slots=True)
class ProposedFish:
    """What a row says of one fish. `day` is that of the water, `at` the moment (UTC), noon where no time was given.

    scanned: somebody looked for a tag. left_out: what is not used of the row's values, and a sentence why; notices:
    sentences on the row.
    stood: what stood in the cells of tag, length and weight, for the record. raw: the row.
    """

    number: int
    key: str | None
    water: str
    day: date
    at: datetime
    method: str
    area: str | None
    species: str | None
    tag: str | None
    scanned: bool
    length_mm: float | None
    weight_g: float | None
    fate: str
    note: str | None
    left_out: Mapping[str, str]
    notices: tuple[str, ...]
    stood: Mapping[str, str]
    raw: bytes


@dataclass(frozen=True, slots=True)
class RefusedRow:
    """A row that gives no fish, with every reason, each a sentence."""

    number: int
    reasons: tuple[str, ...]


def propose(
    rows: Sequence[TableRow], mapping: ImportMapping, book: SpeciesBook, now: datetime
) -> list[ProposedFish | RefusedRow]:
    """Every row in the order of the table. `now` (with its zone): a later day is none.

    Raises TableRefusedError if the mapping names a species that is not in the book.
    """
    for word in (
        *mapping.species.values(),
        *((mapping.constants.species,) if mapping.constants.species else ()),
    ):
        if book.find(word) is None:
            raise TableRefusedError(f"The mapping names a species that is none: {_no_species(word, book)}")
    cut = cut_digits([bare_tag(row.cells["tag"]) for row in rows if not is_empty(row.cells.get("tag"))])
    return [_Row(row, mapping, book, frozenset(cut)).proposed(now) for row in rows]


class _Row:
    """One row being read: collects the reasons against it, and what is left out."""

    def __init__(self, row: TableRow, mapping: ImportMapping, book: SpeciesBook, cut: frozenset[str]) -> None:
        self._row, self._mapping, self._book, self._cut = row, mapping, book, cut
        self._reasons = [f"It cannot be read: {row.troubles['']}"] if "" in row.troubles else []
        self._left_out: dict[str, str] = {}
        self._notices = list(row.notices)

    def proposed(self, now: datetime) -> ProposedFish | RefusedRow:
        mapping = self._mapping
        moment = self._moment(now)
        water, method, species = self._water(), self._method(), self._species()
        tag, scanned = self._tag()
        length_mm = self._measure("length", MM[mapping.units.length or "mm"])
        weight_g = self._measure("weight", GRAMS[mapping.units.weight or "g"])
        fate, area, note, key = self._fate(), self._text("area"), self._text("note"), self._text("key")
        if mapping.columns.key is not None and key is None and not self._trouble("key"):
            self._against("key", "it is empty: give the row its key.")
        if self._reasons or moment is None or water is None or method is None:
            return RefusedRow(self._row.number, tuple(self._reasons))
        day, at = moment
        stood = {
            what: shown(self._row.cells[what])
            for what in ("tag", "length", "weight")
            if not is_empty(self._row.cells.get(what))
        }
        return ProposedFish(
            self._row.number, key, water, day, at, method, area, species, tag, scanned, length_mm, weight_g, fate, note,
            dict(self._left_out), tuple(self._notices), stood, self._row.raw,
        )  # fmt: skip

    # --- what every fish needs --------------------------------------------------------------------------------

    def _moment(self, now: datetime) -> tuple[date, datetime] | None:
        dates, row = self._mapping.dates, self._row
        if self._trouble("date"):
            return None
        day = self._read("date", lambda: day_of(row.cells["date"], dates.format))
        if day is None:
            return None
        time = None
        if not is_empty(row.cells.get("time")) or "time" in row.troubles:
            time = self._value("time", lambda: time_of(row.cells["time"], dates.time_format))
        at = moment_of(day, time, dates.zone)
        local = at.astimezone(dates.zone)
        timed = time is not None or isinstance(day, datetime)
        if local.date() > now.astimezone(dates.zone).date() or (timed and at > now):
            self._against("date", f"{local.date()} has not come yet.")
            return None
        return local.date(), at

    def _water(self) -> str | None:
        constant = self._mapping.constants.water
        if constant is not None:
            return constant
        word = self._needed("water")
        return None if word is None else _of(self._mapping.waters, word) or word

    def _method(self) -> str | None:
        constant = self._mapping.constants.method
        if constant is not None:
            return constant
        word = self._needed("method")
        if word is None:
            return None
        known = {one.casefold(): one for one in (*METHODS, *self._mapping.methods.values())}
        found = _of(self._mapping.methods, word) or known.get(word.casefold())
        if found is None:
            self._against("method", _unknown(word, "method", known, "methods"))
        return found

    def _species(self) -> str | None:
        """None: the cell is empty."""
        word = self._mapping.constants.species or self._text("species")
        if word is None:
            return None
        word = _of(self._mapping.species, word) or word
        found = self._book.find(word)
        if found is None:
            self._against("species", f"{_no_species(word, self._book)} Or say in [species] what it means.")
            return None
        return found.slug

    def _tag(self) -> tuple[str | None, bool]:
        cell, tags = self._row.cells.get("tag"), self._mapping.tags
        if self._trouble("tag"):
            return None, False
        if is_empty(cell):
            return None, tags.empty == "none_found"
        written = bare_tag(cell)
        if written.casefold() in {one.casefold() for one in tags.none}:
            return None, True
        if written in self._cut:
            self._against("tag", looks_cut(written))
            return None, False
        tag = self._read("tag", lambda: tag_of(cell))
        if tag is not None and ends_in_zeros(written):
            self._notices.append(
                f'The tag "{written}" ends in 000: it is used, but look whether digits were cut.'
            )
        return tag, True

    # --- what a capture may lack ------------------------------------------------------------------------------

    def _measure(self, what: str, factor: Decimal) -> float | None:
        cell = self._row.cells.get(what)
        if is_empty(cell) and what not in self._row.troubles:
            return None
        number = self._value(what, lambda: number_of(cell, self._mapping.file.decimal))
        return None if number is None else float(number * factor)

    def _fate(self) -> str:
        word = self._mapping.constants.fate or self._text("fate")
        if word is None:
            return UNKNOWN_FATE
        known = {one.casefold(): one for one in (*FATES, UNKNOWN_FATE)}
        found = _of(self._mapping.fates, word) or known.get(word.casefold())
        if found is None:
            self._against("fate", _unknown(word, "fate", known, "fates"))
        return found or UNKNOWN_FATE

    def _text(self, what: str) -> str | None:
        cell = self._row.cells.get(what)
        if self._trouble(what) or is_empty(cell):
            return None
        return self._read(what, lambda: text_of(cell))

    def _needed(self, what: str) -> str | None:
        word = self._text(what)
        if word is None and what not in self._row.troubles and is_empty(self._row.cells.get(what)):
            self._against(what, "it is empty.")
        return word

    # --- reading a cell ---------------------------------------------------------------------------------------

    def _read(self, what: str, read: Callable[[], Value]) -> Value | None:
        """The value; what is wrong with it refuses the row."""
        try:
            return read()
        except ValueError as error:
            self._against(what, str(error))
            return None

    def _value(self, what: str, read: Callable[[], Value]) -> Value | None:
        """The value; what is wrong with it leaves it out."""
        try:
            if what in self._row.troubles:
                raise ValueError(self._row.troubles[what])
            return read()
        except ValueError as error:
            self._left_out[what] = f"The {what} is left out: {error}"
            return None

    def _trouble(self, what: str) -> bool:
        """Whether the table itself is odd there; that refuses the row."""
        if what not in self._row.troubles:
            return False
        self._against(what, self._row.troubles[what])
        return True

    def _against(self, what: str, sentence: str) -> None:
        self._reasons.append(f"{self._mapping.columns.used().get(what, what)}: {sentence}")


def _of(words: Mapping[str, str], word: str) -> str | None:
    wanted = word.casefold()
    return next(
        (ours for theirs, ours in words.items() if " ".join(theirs.split()).casefold() == wanted), None
    )


def _unknown(word: str, what: str, known: Mapping[str, str], table: str) -> str:
    near = get_close_matches(word.casefold(), list(known), n=1)
    advice = (
        f'did you mean "{known[near[0]]}"?'
        if near
        else f"known are {', '.join(dict.fromkeys(known.values()))}."
    )
    return f'"{word}" is no {what}; {advice} Or say in [{table}] what it means.'


def _no_species(word: str, book: SpeciesBook) -> str:
    near = book.nearest(word)
    advice = f'did you mean "{near}"?' if near else "add a species file for it, and name its folder."
    return f'"{word}" is no species of the book; {advice}'
