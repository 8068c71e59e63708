"""One cell of a table into a value, or the reason why not. Pure; every function raises ValueError with one sentence.

A cell of a CSV file is text; one of a workbook may be a number, a date, a time or a truth value too.
"""

import math
import re
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from decimal import Decimal

from openpyxl.utils.datetime import CALENDAR_MAC_1904, CALENDAR_WINDOWS_1900, from_excel

from ingest.tag_table import written_tag
from office.exports.csv_files import unguarded

Cell = str | int | float | bool | datetime | date | time | timedelta | None

EARLIEST = date(1850, 1, 1)
"""Before any fish survey that left numbers."""
LATEST = date(2199, 12, 31)
_EMPTY_DATES = (date(1899, 12, 30), date(1899, 12, 31), date(1900, 1, 1), date(1904, 1, 1))
_SERIALS = {"excel-1900": CALENDAR_WINDOWS_1900, "excel-1904": CALENDAR_MAC_1904}
_ERRORS = re.compile(r"#(N/A|REF!|VALUE!|NAME\?|NUM!|NULL!|DIV/0!|SPILL!|CALC!)")


def is_empty(cell: Cell) -> bool:
    return cell is None or (isinstance(cell, str) and not cell.strip())


def shown(cell: Cell) -> str:
    """The cell as text, for people and for the record of where a value came from."""
    match cell:
        case None:
            return ""
        case float():
            return repr(cell)
        case datetime() | date() | time():
            return cell.isoformat()
        case _:
            return str(cell)


def text_of(cell: Cell) -> str:
    """Words. A whole number of a workbook is taken as its digits."""
    _no_error(cell)
    match cell:
        case bool() | datetime() | date() | time() | timedelta():
            raise ValueError(f'"{shown(cell)}" is no word: the workbook took it for something else.')
        case float() if cell.is_integer() and abs(cell) < 1e15:
            return str(int(cell))
        case str():
            return " ".join(unguarded(cell.strip()).split())
        case _:
            return shown(cell)


def tag_of(cell: Cell) -> str:
    """The canonical code. What a spreadsheet does to long numbers is refused with its reason."""
    _no_error(cell)
    match cell:
        case bool() | datetime() | date() | time() | timedelta():
            raise ValueError(f'"{shown(cell)}" is no tag: the workbook took it for something else.')
        case float() if not math.isfinite(cell) or not cell.is_integer():
            raise ValueError(f'"{shown(cell)}" is a number with a fraction, and no tag.')
        case int() | float():
            return _numeric_tag(int(cell))
        case str() if cell.strip():
            text = bare_tag(cell)
            if re.fullmatch(r"[0-9]+\.0+", text):
                raise ValueError(
                    f'"{text}" is a number of a spreadsheet: leading zeros and last digits may be lost; get the '
                    "code from the source and format the column as text."
                )
            return written_tag(text)
        case _:
            raise ValueError("the row has no tag.")


def bare_tag(cell: Cell) -> str:
    """The cell of a tag as the text that stands there, without what spreadsheets put around digits to keep them."""
    if isinstance(cell, float) and cell.is_integer():
        return str(int(cell))
    text = unguarded(shown(cell).strip())
    kept = re.fullmatch(r'="([^"]*)"', text)
    return kept[1].strip() if kept else text


def _numeric_tag(number: int) -> str:
    digits = str(number)
    if len(digits) == 15 and not digits.endswith("000"):
        return written_tag(digits)
    if len(digits) > 15 or digits.endswith("000"):
        raise ValueError(
            f"{digits} was kept as a number: a spreadsheet keeps 15 digits and makes the rest zeros; get the code "
            "from the source and format the column as text."
        )
    written_tag(digits)  # says that leading zeros are lost, where the number of digits looks like it
    raise ValueError(
        f"{digits} was kept as a number: leading zeros may be lost; get the code from the source and format the "
        "column as text."
    )


def number_of(cell: Cell, decimal: str) -> Decimal:
    """A number above 0, as it was written: digits with at most one decimal mark, no unit, no mark of thousands."""
    _no_error(cell)
    match cell:
        case bool():
            raise ValueError(f'"{cell}" is no number.')
        case int() | float():
            value = Decimal(repr(cell))
        case str():
            text = unguarded(cell.strip())
            mark = re.escape(decimal)
            if re.fullmatch(rf"[0-9]{{1,7}}({mark}[0-9]{{1,9}})?", text) is None:
                other = "," if decimal == "." else "."
                hint = f' (the mapping says decimal = "{decimal}")' if other in text else ""
                raise ValueError(f'"{text}" is no plain number{hint}.')
            value = Decimal(text.replace(decimal, "."))
        case _:
            raise ValueError(f'"{shown(cell)}" is no number: the workbook took it for a date or a time.')
    if not value.is_finite() or not 0 < value < 10_000_000:
        raise ValueError(f'"{shown(cell)}" is no number above 0.')
    return value


def day_of(cell: Cell, written: str | None) -> date | datetime:
    """The day, or the moment if the cell holds one. `written` is `format` of the mapping's dates."""
    _no_error(cell)
    match cell:
        case datetime():
            day: date | datetime = cell if (cell.hour, cell.minute, cell.second) != (0, 0, 0) else cell.date()
        case date():
            day = cell
        case bool() | time() | timedelta():
            raise ValueError(f'"{shown(cell)}" is no date.')
        case int() | float():
            day = _serial(cell, written)
        case str() if cell.strip():
            text = unguarded(cell.strip())
            if written in _SERIALS:
                if re.fullmatch(r"[0-9]{1,6}(\.[0-9]+)?", text) is None:
                    raise ValueError(f'"{text}" is no serial number of a date.')
                day = _serial(float(text), written)
            else:
                day = _written_day(text, written)
        case _:
            raise ValueError("the row has no date.")
    on = day.date() if isinstance(day, datetime) else day
    if on in _EMPTY_DATES:
        raise ValueError(f"{on} is what a spreadsheet makes of an empty date.")
    if not EARLIEST <= on <= LATEST:
        raise ValueError(f"{on} is no day of a survey: look at the year.")
    return day


def _written_day(text: str, written: str | None) -> date | datetime:
    if written is None:
        if re.fullmatch(r"[12][0-9]{3}-[0-9]{2}-[0-9]{2}", text):
            try:
                return date.fromisoformat(text)
            except ValueError:
                raise ValueError(f'"{text}" is no day of the calendar.') from None
        raise ValueError(
            f'"{text}" can be read in more than one way: say in the mapping how dates are written, '
            'such as format = "%d.%m.%Y".'
        )
    try:
        moment = datetime.strptime(text, written)
    except ValueError:
        raise ValueError(f'"{text}" is no date as "{written}".') from None
    return moment if re.search(r"%[HIMSTXcf]", written) else moment.date()


def _serial(number: float, written: str | None) -> date | datetime:
    if written not in _SERIALS:
        raise ValueError(
            f"{number:g} is a bare number where a date should be: say excel-1900 or excel-1904 in the mapping."
        )
    if not 367 <= number < 110_000:  # 1901 to 2201, or 1905 to 2205: a bare small number is no date
        raise ValueError(f"{number:g} is no serial number of a date.")
    found = from_excel(number, _SERIALS[written])
    if not isinstance(found, datetime):
        raise ValueError(f"{number:g} is no serial number of a date.")
    return found if number % 1 else found.date()


def time_of(cell: Cell, written: str) -> time:
    """The time of the day; `written` is `time_format` of the mapping."""
    _no_error(cell)
    match cell:
        case time():
            return cell
        case datetime():
            return cell.time()
        case timedelta() if timedelta(0) <= cell < timedelta(days=1):
            return (datetime.min + cell).time()
        case int() | float() if not isinstance(cell, bool) and 0 <= cell < 1:
            return (datetime.min + timedelta(seconds=round(cell * 86_400) % 86_400)).time()
        case str():
            try:
                return datetime.strptime(unguarded(cell.strip()), written).time()
            except ValueError:
                pass
    raise ValueError(f'"{shown(cell)}" is no time of the day as "{written}".')


def moment_of(day: date | datetime, at: time | None, zone: tzinfo) -> datetime:
    """The moment in UTC; a day without a time counts as noon in `zone`."""
    if at is None and isinstance(day, datetime):
        local = day
    else:
        on = day.date() if isinstance(day, datetime) else day
        local = datetime.combine(on, at or time(12))
    return local.replace(tzinfo=local.tzinfo or zone).astimezone(UTC)


def _no_error(cell: Cell) -> None:
    if isinstance(cell, str) and _ERRORS.fullmatch(cell.strip()):
        raise ValueError(f'"{cell.strip()}" is an error of a formula.')
