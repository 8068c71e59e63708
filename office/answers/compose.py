"""All chapters of one water, in the order in which a biologist asks, in the reader's units."""

from collections.abc import Callable, Mapping

from ingest.species import SpeciesBook
from office.answers.abundance import abundance
from office.answers.catch import catch
from office.answers.condition import condition
from office.answers.cues import cues
from office.answers.growth import growth
from office.answers.model import Chapter
from office.answers.one_fish import one_fish
from office.answers.quality import quality
from office.answers.records import Records
from office.answers.removal import removal
from office.answers.structure import structure
from office.answers.survival import survival
from office.answers.units import Units, Words, in_units

_Maker = Callable[[Records, SpeciesBook, Words], Chapter]

CHAPTERS: Mapping[str, _Maker] = {
    "condition": condition,
    "structure": structure,
    "growth": growth,
    "catch": catch,
    "abundance": abundance,
    "survival": survival,
    "removal": removal,
    "quality": quality,
}
"""Every chapter that the records alone make, by key; the cues are made from the others."""


def chapter(
    records: Records, book: SpeciesBook, key: str, units: Units = "metric", wanted_left: float | None = None
) -> Chapter:
    """One chapter by its key: those of `CHAPTERS`, or "cues". Raises KeyError.

    wanted_left: of the removal, to how many fish it shall bring a species, in place of what the file of the waters says.
    """
    words = Words(units)
    if key == "cues":
        made = _cues(records, book, words, {})
    elif key == "removal":
        made = removal(records, book, words, wanted_left=wanted_left)
    else:
        made = CHAPTERS[key](records, book, words)
    return in_units(made, units)


def all_chapters(records: Records, book: SpeciesBook, units: Units = "metric") -> tuple[Chapter, ...]:
    """Every chapter, the cues before the quality of the records. Pure: the same records give the same chapters."""
    words = Words(units)
    made = {key: maker(records, book, words) for key, maker in CHAPTERS.items()}
    asked = _cues(records, book, words, made)
    last = made.pop("quality")
    return tuple(in_units(one, units) for one in (*made.values(), asked, last))


def fish_chapter(records: Records, book: SpeciesBook, tag: str, units: Units = "metric") -> Chapter:
    """The chapter of one tag, a canonical code."""
    return in_units(one_fish(records, book, Words(units), tag), units)


def _cues(records: Records, book: SpeciesBook, words: Words, made: Mapping[str, Chapter]) -> Chapter:
    needed = ("condition", "structure", "catch", "removal")
    chapters = tuple(made.get(key) or CHAPTERS[key](records, book, words) for key in needed)
    return cues(records, book, words, chapters)
