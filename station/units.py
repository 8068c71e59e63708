"""Lengths and weights as the crew reads them: millimetres and grams, or inches and pounds.

Pure, for display only: records keep mm and g as they are, and nothing that was rounded here is ever stored. Exact by
the international yard and pound agreement of 1959 (NIST Special Publication 811, appendix B): 1 in = 25.4 mm,
1 lb = 453.59237 g.
"""

import re
from typing import Literal

Units = Literal["metric", "inch_pound"]

MM_PER_INCH = 25.4
G_PER_POUND = 453.59237
MINUS = "\N{MINUS SIGN}"

_MEASURE = re.compile(r"(?<![\w.])(\d+(?:\.\d+)?) (mm|g)(?!\w)")


def length_number(length_mm: float, units: Units) -> str:
    """The number alone: `312`, `312.4`, `12.28`."""
    if units == "metric":
        return _plain(length_mm, 1)
    return _fixed(length_mm / MM_PER_INCH, 2)


def weight_number(weight_g: float, units: Units) -> str:
    """The number alone: `412`, `412.5`; whole grams from 10 kg on; thousandths of a pound below one pound."""
    if units == "metric":
        return _plain(weight_g, 1 if abs(weight_g) < 10_000 else 0)
    pounds = weight_g / G_PER_POUND
    return _fixed(pounds, 3 if abs(pounds) < 1 else 2)


def length_unit(units: Units) -> str:
    return "mm" if units == "metric" else "in"


def weight_unit(units: Units) -> str:
    return "g" if units == "metric" else "lb"


def length_text(length_mm: float | None, units: Units) -> str:
    """`312 mm`; a dash for a length that was not taken."""
    return "–" if length_mm is None else f"{length_number(length_mm, units)} {length_unit(units)}"


def weight_text(weight_g: float | None, units: Units) -> str:
    """`412 g`; a dash for a weight that was not taken."""
    return "–" if weight_g is None else f"{weight_number(weight_g, units)} {weight_unit(units)}"


def signed_length(change_mm: float, units: Units) -> str:
    """`+24`, the number alone."""
    return _signed(length_number(change_mm, units))


def length_change(change_mm: float, units: Units) -> str:
    """`+24 mm`, with the sign always."""
    return f"{signed_length(change_mm, units)} {length_unit(units)}"


def signed_weight(change_g: float, units: Units) -> str:
    """`+62`, the number alone."""
    return _signed(weight_number(change_g, units))


def weight_change(change_g: float, units: Units) -> str:
    """`+62 g`, with the sign always."""
    return f"{signed_weight(change_g, units)} {weight_unit(units)}"


def length_rate(mm_per_30_days: float, units: Units) -> str:
    """`+1.9 mm/month`; a month is 30 days."""
    number = _plain(mm_per_30_days, 1) if units == "metric" else _fixed(mm_per_30_days / MM_PER_INCH, 2)
    return f"{_signed(number)} {length_unit(units)}/month"


def length_value(length_mm: float, units: Units) -> float:
    """For an axis: the length in the unit that is shown."""
    return length_mm if units == "metric" else length_mm / MM_PER_INCH


def sentence_in(sentence: str, units: Units) -> str:
    """A sentence of the station with its millimetres and grams in the units of the screen."""
    if units == "metric":
        return sentence

    def shown(found: re.Match[str]) -> str:
        value = float(found[1])
        return length_text(value, units) if found[2] == "mm" else weight_text(value, units)

    return _MEASURE.sub(shown, sentence)


def _plain(value: float, digits: int) -> str:
    """Rounded, without zeros at the end."""
    text = f"{value:.{digits}f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if text in ("-0", "") else text


def _fixed(value: float, digits: int) -> str:
    text = f"{value:.{digits}f}"
    return text.removeprefix("-") if float(text) == 0 else text


def _signed(number: str) -> str:
    if number.startswith("-"):
        return MINUS + number[1:]
    return number if float(number) == 0 else f"+{number}"
