"""The one typeface of plots and PDF: DejaVu Sans, as it ships with matplotlib. It has Latin, Greek, Cyrillic and more."""

import re
from functools import cache
from pathlib import Path
from typing import Literal

import matplotlib
from matplotlib.ft2font import FT2Font

FAMILY = "DejaVu Sans"
MISSING = "□"
"""Stands for a character that the typeface does not have; the HTML file shows it as it is."""

_BLANKS = re.compile(r"[ \t\r\n\f\v]+")  # not the blank that never breaks
_FILES = {"": "DejaVuSans.ttf", "B": "DejaVuSans-Bold.ttf", "I": "DejaVuSans-Oblique.ttf"}


def font_file(style: Literal["", "B", "I"]) -> Path:
    return Path(matplotlib.get_data_path()) / "fonts" / "ttf" / _FILES[style]


def drawable(text: str) -> str:
    """The text on one line, with `MISSING` for what cannot be drawn."""
    known = _known()
    return "".join(one if ord(one) in known else MISSING for one in _BLANKS.sub(" ", text).strip(" "))


@cache
def _known() -> frozenset[int]:
    return frozenset.intersection(*(frozenset(FT2Font(font_file(style)).get_charmap()) for style in _STYLES))


_STYLES: tuple[Literal["", "B", "I"], ...] = ("", "B", "I")
