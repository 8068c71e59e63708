"""What a table means: a TOML file that says which column is what, in which unit, and how dates are written."""

import re
from collections.abc import Mapping
from datetime import datetime
from decimal import Decimal
from typing import Annotated, Literal, Self
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from ingest.commands import FATES
from ingest.species import LengthType

Heading = Annotated[str, Field(min_length=1, max_length=200)]
Word = Annotated[str, Field(min_length=1, max_length=200)]
LengthUnit = Literal["mm", "cm", "in"]
WeightUnit = Literal["g", "kg", "oz", "lb"]

# Exact: 1 in = 25.4 mm, 1 lb = 453.59237 g = 16 oz (international yard and pound agreement, 1959).
MM: Mapping[str, Decimal] = {"mm": Decimal(1), "cm": Decimal(10), "in": Decimal("25.4")}
GRAMS: Mapping[str, Decimal] = {
    "g": Decimal(1),
    "kg": Decimal(1000),
    "oz": Decimal("28.349523125"),
    "lb": Decimal("453.59237"),
}

METHODS = (
    "electrofishing", "angling", "gill net", "fyke net", "trap net", "hoop net", "cast net", "dip net", "seine", "trawl",
    "setline", "trap", "drained", "found dead", "unknown",
)  # fmt: skip
"""How fish were caught (common practice); other words stand in the mapping, so that a slip of the pen makes no method."""

UNKNOWN_FATE = "unknown"
_SERIALS = ("excel-1900", "excel-1904")


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class FileTable(_Table):
    """[file]: how the file itself is written. sheet: of a workbook; None: its only one. heading_row counts from 1.
    decimal: what stands before the tenths."""

    sheet: Word | None = None
    heading_row: Annotated[int, Field(strict=True, ge=1, le=1000)] = 1
    separator: Literal[",", ";", "\t"] | None = None
    encoding: Word = "utf-8"
    decimal: Literal[".", ","] = "."

    @field_validator("encoding")
    @classmethod
    def _encoding_is_known(cls, name: str) -> str:
        try:
            "".encode(name)
        except LookupError:
            raise ValueError(
                f'"{name}" is no encoding; write for example "utf-8" or "windows-1252".'
            ) from None
        return name


class ColumnsTable(_Table):
    """[columns]: the headings. key: something that names the row for good, such as a card number."""

    date: Heading
    time: Heading | None = None
    water: Heading | None = None
    method: Heading | None = None
    area: Heading | None = None
    species: Heading | None = None
    tag: Heading | None = None
    length: Heading | None = None
    weight: Heading | None = None
    fate: Heading | None = None
    note: Heading | None = None
    key: Heading | None = None

    def used(self) -> dict[str, str]:
        """What is read, to its heading."""
        return {name: heading for name, heading in self.model_dump().items() if heading is not None}


class UnitsTable(_Table):
    """[units]: the file's, for all rows. length_type: TL total, FL fork, SL standard length."""

    length: LengthUnit | None = None
    length_type: LengthType = "TL"
    weight: WeightUnit | None = None


class TagsTable(_Table):
    """[tags]: what no code in the cell of a tag means. none: words for "looked, and found none". empty: what an empty
    cell means; a fish that nobody scanned is no sample for tags."""

    none: tuple[Word, ...] = ()
    empty: Literal["not_scanned", "none_found"] = "not_scanned"


class DatesTable(_Table):
    """[dates]: format as strptime has it ("%d.%m.%Y"), or "excel-1900", "excel-1904" for dates left as bare numbers; None:
    2025-05-12, and what a workbook itself holds as a date. A date without a time counts as noon in `timezone`."""

    format: Word | None = None
    time_format: Word = "%H:%M"
    timezone: str

    @field_validator("format")
    @classmethod
    def _format_says_the_day(cls, written: str | None) -> str | None:
        if written is None or written in _SERIALS:
            return written
        try:
            probe = datetime(2001, 2, 3)
            says_the_day = datetime.strptime(probe.strftime(written), written).date() == probe.date()
        except (ValueError, re.error):
            says_the_day = False
        if not says_the_day:
            raise ValueError(
                f'"{written}" does not say year, month and day; write for example "%d.%m.%Y", or excel-1900.'
            )
        return written

    @field_validator("timezone")
    @classmethod
    def _timezone_is_known(cls, name: str) -> str:
        try:
            ZoneInfo(name)
        except (ZoneInfoNotFoundError, ValueError, OSError):
            raise ValueError(f'"{name}" is no IANA time zone; write for example "America/Chicago".') from None
        return name

    @property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.timezone)


class ConstantsTable(_Table):
    """[constants]: what holds for every row and stands in no column."""

    water: Word | None = None
    method: Word | None = None
    species: Word | None = None
    fate: Word | None = None


class ImportMapping(_Table):
    """The whole file.

    kind: "survey" if the rows are the catch of its days, "reports" if they are single captures that somebody told of
        (anglers, owners): no sample of the water. `species`, `fates`, `methods`, `waters`: words of the table to ours; a
        word that is not among them must be known as it stands.
    """

    kind: Literal["survey", "reports"]
    name: Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9 ._-]{0,59}$")]
    file: FileTable = FileTable()
    columns: ColumnsTable
    units: UnitsTable = UnitsTable()
    tags: TagsTable = TagsTable()
    dates: DatesTable
    constants: ConstantsTable = ConstantsTable()
    species: dict[str, str] = {}
    fates: dict[str, str] = {}
    methods: dict[str, Word] = {}
    waters: dict[str, Word] = {}

    @field_validator("fates")
    @classmethod
    def _fates_are_known(cls, fates: dict[str, str]) -> dict[str, str]:
        for word, fate in fates.items():
            if fate not in (*FATES, UNKNOWN_FATE):
                raise ValueError(
                    f'"{word}" is to mean "{fate}", which is no fate; known are {", ".join(FATES)} and {UNKNOWN_FATE}.'
                )
        return fates

    @model_validator(mode="after")
    def _says_what_every_row_needs(self) -> Self:
        columns, constants = self.columns, self.constants
        for what in ("water", "method", "species"):
            given = getattr(columns, what), getattr(constants, what)
            if given == (None, None):
                raise ValueError(f"name the column of the {what} in [columns], or the {what} in [constants].")
            if None not in given:
                raise ValueError(f"the {what} stands in [columns] and in [constants]; keep one.")
        if constants.fate not in (None, *FATES, UNKNOWN_FATE):
            raise ValueError(
                f'the fate "{constants.fate}" is none; known are {", ".join(FATES)} and {UNKNOWN_FATE}.'
            )
        if constants.fate is not None and columns.fate is not None:
            raise ValueError("the fate stands in [columns] and in [constants]; keep one.")
        for what in ("length", "weight"):
            if getattr(columns, what) is not None and getattr(self.units, what) is None:
                raise ValueError(f"say the unit of the {what} in [units].")
        headings = list(columns.used().values())
        for heading in headings:
            if heading != " ".join(heading.split()):
                raise ValueError(f'write the heading "{heading}" without double blanks and line ends.')
        twice = next((one for one in headings if headings.count(one) > 1), None)
        if twice is not None:
            raise ValueError(f'the column "{twice}" is given two meanings; keep one.')
        if columns.tag is None and columns.length is None and columns.weight is None:
            raise ValueError("name at least one of tag, length and weight in [columns].")
        return self
