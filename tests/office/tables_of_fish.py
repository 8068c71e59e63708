"""Tables of fish from elsewhere and what they mean, for tests. All of it is invented."""

import io
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

from openpyxl import Workbook
from openpyxl.worksheet.worksheet import Worksheet

from ingest.toml_file import parse_toml
from office.database import OfficeDatabase
from office.importing.importing import Importing, ImportOutcome, RowVerdict
from office.importing.mapping import ImportMapping
from tests.office.offices import book

NOW = datetime(2026, 11, 20, 9, tzinfo=UTC)
HEADING = ("day", "species", "tag", "mm", "g", "fate")
TAG, OTHER_TAG = "999000000000017", "999000000000023"
PLAIN = """kind = "survey"
name = "plain"
[columns]
date = "day"
species = "species"
tag = "tag"
length = "mm"
weight = "g"
fate = "fate"
[units]
length = "mm"
weight = "g"
[dates]
timezone = "America/Chicago"
[constants]
water = "Mill Pond"
method = "electrofishing"
"""


def mapping(text: str = PLAIN) -> ImportMapping:
    return parse_toml(text, ImportMapping, "map.toml")


def csv_of(*rows: Sequence[object], heading: Sequence[str] = HEADING) -> bytes:
    return "".join(",".join(map(str, row)) + "\r\n" for row in (heading, *rows)).encode()


def workbook_of(*rows: Sequence[Any], heading: Sequence[str] = HEADING) -> Workbook:
    book = Workbook()
    for row in (heading, *rows):
        sheet_of(book).append(list(row))
    return book


def sheet_of(book: Workbook) -> Worksheet:
    return book.worksheets[0]


def saved(book: Workbook) -> bytes:
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def imported(
    office: OfficeDatabase,
    data: bytes,
    text: str = PLAIN,
    *,
    name: str = "fish.csv",
    trial: bool = False,
    at: datetime = NOW,
) -> ImportOutcome:
    return Importing(office, book(), who="AB", at=at).run(data, name, mapping(text), text, trial=trial)


def the_one(outcome: ImportOutcome) -> RowVerdict:
    (verdict,) = outcome.verdicts
    return verdict
