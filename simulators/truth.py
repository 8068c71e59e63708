"""What really happened on a simulated day: which fish had which tag, length and weight, and its fate."""

from collections.abc import Mapping
from dataclasses import dataclass
from math import isclose
from typing import Literal

from simulators.day import Day
from simulators.hands import Said

TagKind = Literal["new", "recapture", "foreign", "none"]


@dataclass(frozen=True, slots=True)
class TrueFish:
    """One fish that was in the crew's hands from `from_s` to `to_s`.

    tag: the one that it carries when it goes; `tag_kind` where the tag comes from.
    length_mm, weight_g: its own, before any instrument.
    said: what the instruments said of this fish: not what a hand or another fish in a bucket made them say.
    mistakes: names of what went wrong, as in `crew.Mistakes`.
    """

    number: int
    species: str
    tag: str | None
    tag_kind: TagKind
    length_mm: float
    weight_g: float
    fate: str
    from_s: float
    to_s: float
    said: tuple[Said, ...]
    mistakes: tuple[str, ...]

    def fits(self, tag: str | None, length_mm: float | None, weight_g: float | None) -> bool:
        """Whether a record with these values can be of this fish. None fits every fish.

        A weight may differ by what the empty pan and a jittering digit add (0.25 g).
        """
        return (
            (tag is None or tag == self.tag)
            and (length_mm is None or any(s.kind == "length" and s.value == length_mm for s in self.said))
            and (
                weight_g is None
                or any(s.kind == "weight" and isclose(s.value, weight_g, abs_tol=0.25) for s in self.said)
            )
        )


@dataclass(frozen=True, slots=True)
class Earlier:
    """A capture before this day: a row of the history. `at` is a date, 2025-05-13."""

    tag: str
    at: str
    water: str
    species: str
    length_mm: float
    weight_g: float
    fate: str = "released"


@dataclass(frozen=True, slots=True)
class WorkedDay:
    """A day, the truth about it, and what the station could know before: inventory, history, command tags.

    `cards` maps a command to the tag on its card.
    """

    day: Day
    fish: tuple[TrueFish, ...]
    inventory: tuple[str, ...]
    history: tuple[Earlier, ...]
    cards: Mapping[str, str]

    def owners(
        self, tag: str | None, length_mm: float | None, weight_g: float | None
    ) -> tuple[TrueFish, ...]:
        """The fish that a record with these values can be of: none = a mix-up."""
        return tuple(fish for fish in self.fish if fish.fits(tag, length_mm, weight_g))
