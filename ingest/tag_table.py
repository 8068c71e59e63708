"""A CSV table with a column of tags, as an office makes it with a spreadsheet: read with suspicion.

What a spreadsheet does to 15-digit numbers (powers of ten, lost leading zeros, last digits cut to zeros)
is refused with its reason. Whatever is not taken as it stands is among the problems; nothing is dropped
without a word.

The separator is a comma, a semicolon or a tab, as in the heading line. Blank lines and lines that begin
with # are skipped. A decimal comma is read only where semicolons separate the columns.
"""

import csv
import io
import math
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Literal

from drivers.tags import HEX16_FORMS, TagCodeError, find_tags, parse_tag

LeftOut = Literal["nothing", "cell", "row", "rest"]


@dataclass(frozen=True, slots=True)
class TableProblem:
    """Something in a table that was not taken as it stands. `line` counts from 1, the heading included.

    left_out: how much of the table is not used because of it: nothing at all, one cell, the row, or the
        rest, all rows from this line on (a heading without a tag column, a quote that never ends).
    """

    file: str
    line: int
    column: str
    value: str
    text: str
    left_out: LeftOut

    def __str__(self) -> str:
        where = f"{self.file}, line {self.line}"
        if self.column:
            where += f", `{self.column}`"
        return f"{where}: {self.text}"


class TagTable:
    """A CSV text with known columns, and the problems found in it so far."""

    def __init__(self, text: str, name: str, columns: Mapping[str, str], required: tuple[str, ...]) -> None:
        self._name = name
        self._problems: list[TableProblem] = []
        self._separator = ","
        self._rows = list(self._read(text.removeprefix("\ufeff"), columns, required))

    def found(self) -> tuple[TableProblem, ...]:
        return tuple(sorted(self._problems, key=lambda problem: problem.line))

    def say(self, line: int, column: str, value: str, text: str, left_out: LeftOut) -> None:
        self._problems.append(TableProblem(self._name, line, column, value, text, left_out))

    def tagged_rows(self) -> Iterator[tuple[int, dict[str, str], str]]:
        """Line, cells and canonical tag of every row whose tag can be read; the others are refused."""
        cut = cut_digits([cells["tag"] for _, cells in self._rows])
        for line, cells in self._rows:
            written = cells["tag"]
            try:
                tag = written_tag(written)
                if written in cut:
                    raise ValueError(looks_cut(written))
            except ValueError as error:
                self.say(line, "tag", written, str(error), "row")
                continue
            if ends_in_zeros(written):
                said = f'"{written}" ends in 000: it is used, but look whether digits were cut.'
                self.say(line, "tag", written, said, "nothing")
            yield line, cells, tag

    def measure(self, line: int, column: str, cells: Mapping[str, str]) -> float | None:
        written = cells.get(column, "")
        if not written:
            return None
        number = written.replace(",", ".") if self._separator == ";" else written
        value = float(number) if re.fullmatch(r"[0-9]{1,7}(\.[0-9]{1,6})?", number) else math.nan
        if value > 0:
            return value
        said = f'"{written}" is no number above 0; it is left out, the capture is kept.'
        self.say(line, column, written, said, "cell")
        return None

    def _read(
        self, text: str, columns: Mapping[str, str], required: tuple[str, ...]
    ) -> Iterator[tuple[int, dict[str, str]]]:
        lines = (line.strip() for line in text.splitlines())
        heading = next((line for line in lines if line.strip(',;"') and not line.startswith("#")), "")
        self._separator = max(",;\t", key=heading.count)
        names: list[str | None] | None = None
        for line, cells in self._cells(text):
            if not any(cells) or cells[0].startswith("#"):
                continue
            if names is None:
                names = self._heading(line, cells, columns, required)
                if names is None:
                    return
                continue
            extra = [cell for cell in cells[len(names) :] if cell]
            if extra:
                said = f'more cells than the heading has, from "{extra[0]}" on; quote texts that hold commas.'
                self.say(line, "", extra[0], said, "row")
                continue
            row = dict.fromkeys((name for name in names if name), "")
            row.update({name: cell for name, cell in zip(names, cells, strict=False) if name})
            yield line, row
        if names is None:
            said = f"there is no heading line; write one with {', '.join(required)}."
            self.say(1, "", "", said, "rest")

    def _cells(self, text: str) -> Iterator[tuple[int, list[str]]]:
        """Stripped cells with the line that they begin on, up to the end or to where the text is no CSV."""
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=self._separator, strict=True)
        line = 1
        while True:
            try:
                cells = next(reader)
            except StopIteration:
                return
            except csv.Error as error:
                said = f"from here on the text is no table ({error}); mend the quotes."
                self.say(line, "", "", said, "rest")
                return
            yield line, [cell.strip() for cell in cells]
            line = reader.line_num + 1

    def _heading(
        self, line: int, cells: Iterable[str], columns: Mapping[str, str], required: tuple[str, ...]
    ) -> list[str | None] | None:
        written = [cell.lower().replace(" ", "_") for cell in cells]
        names = [columns.get(name) for name in written]
        for name, count in Counter(name for name in names if name).items():
            if count > 1:
                self.say(line, name, name, f"two columns mean {name}; take one away.", "rest")
                return None
        missing = [name for name in required if name not in names]
        if missing:
            near = get_close_matches(missing[0], written, n=1)
            hint = f' (is "{near[0]}" meant?)' if near else ""
            said = f"no column is headed {missing[0]}{hint}; name it in the heading."
            self.say(line, missing[0], "", said, "rest")
            return None
        for name in written:
            if name and name not in columns:
                said = f"column {name} is not used; known are {', '.join(columns)}."
                self.say(line, name, name, said, "nothing")
        return names


def written_tag(written: str) -> str:
    """The canonical tag. Raises ValueError with the reason, spreadsheet damage named as such.

    The written forms that 13 digits could be (a 40-bit code in decimals, reversed hex) are not read: a
    15-digit code that lost its leading zeros looks the same.
    """
    if not written:
        raise ValueError("the row has no tag.")
    if re.fullmatch(r"[0-9]+([.,][0-9]+)?[eE][+-][0-9]+", written):
        raise ValueError(
            f'"{written}" is what a spreadsheet makes of a long number: its digits are lost. '
            "Get them from the source and format the column as text."
        )
    try:
        if re.fullmatch(r"(0[xX])?[0-9A-Fa-f]{16}", written) and (code := find_tags(written, HEX16_FORMS)):
            return code.text
        return parse_tag(written).text
    except TagCodeError as error:
        if re.fullmatch(r"[0-9]+([.,][0-9]+)?[eE][0-9]+", written):
            reason = f'"{written}" looks like a number in powers of ten: its digits are lost.'
        elif re.fullmatch(r"[0-9]{12,14}", written):
            reason = (
                f'"{written}" has {len(written)} digits instead of 15: a spreadsheet drops leading zeros; '
                f'if it was "{written.zfill(15)}", format the column as text and write that.'
            )
        else:
            reason = str(error)
        raise ValueError(reason) from None


def ends_in_zeros(written: str) -> bool:
    """Whether a tag written as 15 bare digits ends in 000, as a spreadsheet leaves it that keeps fewer digits."""
    return re.fullmatch(r"[0-9]{12}000", written) is not None


def looks_cut(written: str) -> str:
    """The reason why a tag of `cut_digits` is refused."""
    return (
        f'"{written}" ends in zeros as if a spreadsheet had cut its last digits; '
        f"if it is right, write it as {written[:3]}.{written[3:]}."
    )


def cut_digits(tags: Sequence[str]) -> set[str]:
    """The tags, written as bare digits, whose last digits a spreadsheet seems to have replaced by zeros.

    One right code in a thousand ends in 000 and one in a million in 000000. So six zeros are refused, and
    three only where more rows of the file have them than one and one in a hundred.
    """
    ending = [tag for tag in tags if ends_in_zeros(tag)]
    if len(ending) > 1 + len(tags) / 100:
        return set(ending)
    return {tag for tag in ending if tag.endswith("000000")}
