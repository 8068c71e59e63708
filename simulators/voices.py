"""The voices of instruments: what a tag reader, a board or a scale sends for one value. Pure.

A voice is a template in the form of `str.format`, so that any line shape can be spoken:
`ScaleVoice(stable="S {lb:10.4f} lb\\r\\n")`. Characters U+0000 to U+00FF stand for one byte each.
"""

from dataclasses import dataclass
from functools import reduce
from operator import xor
from typing import Literal

from drivers.tags import TagForm, parse_tag, write_tag
from drivers.telegrams import BitOrder, build_fdx_b, pack_bits

MM_PER_INCH = 25.4  # exact by definition, as are the two below
G_PER_LB = 453.59237
G_PER_OZ = 28.349523125

ScaleState = Literal["stable", "unstable", "overload"]


@dataclass(frozen=True, slots=True)
class TagVoice:
    """A tag reader. `line` may use `tag`, the code written in `form`; or it sends raw FDX-B telegrams."""

    line: str = "{tag}\r\n"
    form: TagForm | None = None  # None: as the code is kept
    telegram: BitOrder | None = None
    speaks: Literal["tag"] = "tag"

    def say(self, tag: str) -> bytes:
        """What the reader sends for a tag, 15 digits or 10 hex digits; TagCodeError for another text."""
        code = parse_tag(tag)
        if self.telegram is not None:
            return pack_bits(build_fdx_b(code), self.telegram)
        written = code.text if self.form is None else write_tag(code, self.form)
        return self.line.format(tag=written).encode("latin-1")


@dataclass(frozen=True, slots=True)
class BoardVoice:
    """A measuring board. `line` may use `mm`, `cm`, `inch`; `key_line` the name of the zone, `key`."""

    line: str = "{mm:.0f} mm\r\n"
    key_line: str = "K,{key:0>2}\r\n"
    speaks: Literal["board"] = "board"

    def say(self, length_mm: float) -> bytes:
        fields = {"mm": length_mm, "cm": length_mm / 10, "inch": length_mm / MM_PER_INCH}
        return self.line.format(**fields).encode("latin-1")

    def say_key(self, key: str) -> bytes:
        return self.key_line.format(key=key).encode("latin-1")


@dataclass(frozen=True, slots=True)
class ScaleVoice:
    """A scale.

    Its lines may use `g`, `kg`, `lb`, `oz`; `sign` and `size_g` for a sign in a column of its own;
    `whole_lb` and `rest_oz` for composite lines. It streams `lines_per_s` lines a second; 0: one stable line
    for each load. `checked`: the two letters `hh` after the last `*` become the exclusive or, in hex, of
    everything between the first character and that `*`.
    """

    stable: str = "ST,{g:+07.1f} g\r\n"
    unstable: str = "US,{g:+07.1f} g\r\n"
    overload: str = "OL,+------ g\r\n"
    division_g: float = 0.1
    capacity_g: float = 6000.0
    lines_per_s: float = 10.0
    decimal_comma: bool = False
    checked: bool = False
    speaks: Literal["scale"] = "scale"

    def shown_g(self, grams: float) -> float:
        """What the display shows for this load in g: whole divisions, and never a negative zero."""
        return round(grams / self.division_g) * self.division_g + 0.0

    def say(self, grams: float, state: ScaleState) -> bytes:
        shown_g = self.shown_g(grams)
        oz = abs(shown_g) / G_PER_OZ
        template = {"stable": self.stable, "unstable": self.unstable, "overload": self.overload}[state]
        text = template.format(
            g=shown_g,
            kg=shown_g / 1000,
            lb=shown_g / G_PER_LB,
            oz=shown_g / G_PER_OZ,
            sign="-" if shown_g < 0 else "+",
            size_g=abs(shown_g),
            whole_lb=int(oz // 16),
            rest_oz=oz % 16,
        )
        data = (text.replace(".", ",") if self.decimal_comma else text).encode("latin-1")
        if self.checked:
            body, _, tail = data.rpartition(b"*hh")
            data = b"%b*%02X%b" % (body, reduce(xor, body[1:]), tail)
        return data


Voice = TagVoice | BoardVoice | ScaleVoice
