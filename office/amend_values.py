"""What a person writes for a corrected value, read into the text of an amendment. Pure."""

import math
import re
from collections.abc import Mapping
from datetime import UTC

from drivers.tags import parse_tag
from ingest.commands import FATES
from ingest.inventory import utc_text
from ingest.records import individual_id
from ingest.species import SpeciesBook
from ingest.store.amendments import NEVER_EMPTY
from ingest.tag_table import written_tag
from office.corrections import number_text

FISH_FIELDS = (
    "species", "tag", "length_mm", "length_type", "weight_g", "fate", "status", "void", "note", "sex", "mark",
    "maturity", "anomaly", "sample", "tag_status", "weight_quality", "individual_id", "run_no", "survey_id", "bench",
    "worked_up_at",
)  # fmt: skip
BATCH_FIELDS = ("species", "fate", "note", "void")
STATUSES = ("saved", "confirmed", "queried", "incomplete")
TAG_STATUSES = ("new", "recapture", "repeat", "unknown", "none_found", "not_scanned")
QUALITIES = ("measured", "too_coarse", "not_weighed")
LENGTH_TYPES = ("TL", "FL", "SL")
_WORDS: Mapping[str, tuple[str, ...]] = {
    "fate": (*FATES, "unknown"),
    "status": STATUSES,
    "tag_status": TAG_STATUSES,
    "weight_quality": QUALITIES,
    "length_type": LENGTH_TYPES,
}
_VOID = {"1": "1", "yes": "1", "true": "1", "0": "0", "no": "0", "false": "0"}


class ValueRefusedError(ValueError):
    """A written value cannot be used. One sentence: which, why, what to do."""


def read_value(name: str, written: str | None, book: SpeciesBook, kind: str = "fish") -> str | None:
    """The text of an amendment of field `name`; nothing written is an empty value.

    Lengths are mm, weights g, times RFC 3339; a tag may be in any usual written form, a species under any of its
    names, an individual named by one of its tags. Raises ValueRefusedError.
    """
    fields = FISH_FIELDS if kind == "fish" else BATCH_FIELDS
    if name == "relative_weight":
        raise ValueRefusedError("relative_weight follows from length, weight and species: amend those.")
    if name not in fields:
        raise ValueRefusedError(
            f'"{name}" is no field of a {kind} that can be amended; known are {", ".join(fields)}.'
        )
    text = (written or "").strip()
    if not text:
        if name in NEVER_EMPTY:
            raise ValueRefusedError(f"{name} cannot be empty: write a value.")
        return None
    match name:
        case "length_mm" | "weight_g":
            return _number(name, text)
        case "run_no":
            if not (text.isascii() and text.isdigit() and len(text) < 10):
                raise ValueRefusedError(f'"{text}" is no run: write its number.')
            return str(int(text))
        case "species":
            return _species(text, book)
        case "tag":
            return _tag(text)
        case "individual_id":
            return (
                text.lower()
                if re.fullmatch("[0-9a-fA-F]{8}(-[0-9a-fA-F]{4}){3}-[0-9a-fA-F]{12}", text)
                else individual_id(_tag(text))
            )
        case "void":
            if text.lower() not in _VOID:
                raise ValueRefusedError(f'void is yes or no, not "{text}".')
            return _VOID[text.lower()]
        case "worked_up_at":
            try:
                return utc_text(text, UTC)
            except ValueError as error:
                raise ValueRefusedError(str(error)) from None
        case "length_type":
            return _word(name, text.upper())
        case _ if name in _WORDS:
            return _word(name, text.lower().replace(" ", "_"))
        case _:
            return text


def same_value(name: str, written: str | None, text: str | None) -> bool:
    """Whether what somebody wrote means this stored text: numbers as numbers, tags in any written form."""
    shown = (written or "").strip()
    if not shown or text is None:
        return not shown and text is None
    if shown == text:
        return True
    try:
        if name in ("length_mm", "weight_g", "relative_weight", "run_no"):
            return float(shown) == float(text)
        if name == "tag":
            return parse_tag(shown).text == text
    except ValueError:
        return False
    if name == "void":
        return _VOID.get(shown.lower()) == text
    return shown.casefold().replace(" ", "_") == text.casefold().replace(" ", "_")


def _number(name: str, text: str) -> str | None:
    number = float(text) if re.fullmatch(r"[0-9]{1,7}(\.[0-9]{1,6})?", text) else math.nan
    if not number > 0:
        unit = "millimetres" if name == "length_mm" else "grams"
        raise ValueRefusedError(f'{name} "{text}" is no number of {unit} above 0, such as 412 or 412.5.')
    return number_text(number)


def _species(text: str, book: SpeciesBook) -> str:
    found = book.find(text)
    if found is not None:
        return found.slug
    near = book.nearest(text)
    advice = f'did you mean "{near}"?' if near else "add a species file for it, and name its folder."
    raise ValueRefusedError(f'"{text}" is no species of the book; {advice}')


def _tag(text: str) -> str:
    try:
        return written_tag(text)
    except ValueError as error:
        raise ValueRefusedError(str(error)) from None


def _word(name: str, word: str) -> str:
    if word not in _WORDS[name]:
        raise ValueRefusedError(f'"{word}" is no {name}; known are {", ".join(_WORDS[name])}.')
    return word
