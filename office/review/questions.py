"""Plain values of the review: a fish as it reads now, a question about it, and what its values rest on."""

from dataclasses import dataclass, field
from typing import Literal

Value = Literal["tag", "length", "weight"]


@dataclass(frozen=True, slots=True)
class ReviewFish:
    """One fish as the views show it, with what the review needs besides.

    amended: the fields that were amended. division_g: step of its scale, 0 if unknown.
    """

    fish_id: str
    survey_id: str
    station: str
    bench: str
    water: str | None
    survey: str | None
    run_no: int | None
    opened_at: str
    opened_n: int
    worked_up_at: str
    species: str | None
    tag: str | None
    tag_status: str
    individual_id: str | None
    length_mm: float | None
    length_type: str | None
    weight_g: float | None
    weight_quality: str
    fate: str
    status: str
    closed: int
    journal_id: str
    division_g: float = 0.0
    amended: frozenset[str] = frozenset()

    @property
    def looked_at(self) -> bool:
        """Somebody in the office stands by it: its own values are asked about no more."""
        return self.status == "confirmed" and "status" in self.amended


@dataclass(frozen=True, slots=True)
class Mark:
    """A finding that was stored with a fish."""

    name: str
    serious: bool
    sentence: str
    settled: bool


@dataclass(frozen=True, slots=True)
class Question:
    """One thing to look at. `name` is stable; `others` are further fish that it concerns."""

    name: str
    fish_id: str
    sentence: str
    others: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Evidence:
    """Where a value came from: the bytes of an instrument (frame `n` of a journal), or an amendment.

    role: used, replaced, repeat, echo ... as the assembler judged the reading; amended for an amendment.
    """

    value: Value
    shown: str
    role: str
    source: str  # the instrument, or who amended
    at: str
    journal_id: str
    n: int
    raw: bytes = b""


@dataclass(slots=True)
class Doubtful:
    """A fish with everything that is asked about it."""

    fish: ReviewFish
    questions: list[Question] = field(default_factory=list)
    evidence: list[Evidence] = field(default_factory=list)
