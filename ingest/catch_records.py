"""What a day leaves behind besides single fish: batches and counts, treatments, and who stood at which post.

Plain values as those of `ingest.records`: times RFC 3339 UTC, lengths mm, weights g.
"""

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True)
class BatchReading:
    """A measure of a batch and the journal frame that it came from: a length of the subsample (mm), the weight of
    fish and container together, or of the empty container (g)."""

    kind: Literal["length", "gross", "container"]
    value: float
    unit: str
    journal_id: str
    n: int
    at: str
    instrument: str
    raw: bytes


@dataclass(frozen=True, slots=True)
class BatchRecord:
    """Fish that nobody measured one by one: `count` them, or weigh them together as a `batch`.

    Saved again under the same `batch_id` until `closed`, never after. total_weight_g is that of the fish: the gross
    weight less that of the container; None while one of the two is not known.
    """

    batch_id: str
    journal_id: str
    opened_n: int
    bench: str
    survey_id: str
    run_no: int | None
    at: str
    kind: Literal["batch", "count"]
    species: str | None
    n: int
    total_weight_g: float | None
    container_g: float | None
    fate: str
    note: str | None
    closed: bool
    readings: tuple[BatchReading, ...] = ()


@dataclass(frozen=True, slots=True)
class SaveBatch:
    batch: BatchRecord


@dataclass(frozen=True, slots=True)
class AmendBatch:
    """A correction of a closed batch or count. `field` is one of `BATCH_FIELDS`; old and new as text or None."""

    amendment_id: str
    batch_id: str
    at: str
    who: str
    why: str
    field: str
    old: str | None
    new: str | None
    journal_id: str
    n: int


BATCH_FIELDS = ("species", "fate", "note", "void")


@dataclass(frozen=True, slots=True)
class SaveTreatment:
    """The fish of a survey, or of one run of it (`run_no`), are drugged from `started_at` to `ended_at`, and may not be
    eaten before the day `withdrawal_until`. The whole row each time."""

    treatment_id: str
    survey_id: str
    run_no: int | None
    agent: str
    dose: str | None
    withdrawal_until: str | None
    started_at: str
    ended_at: str | None
    journal_id: str
    n: int


@dataclass(frozen=True, slots=True)
class AddCrew:
    """From `at` on this person (a code, never a name) stands at this post."""

    crew_id: str
    survey_id: str
    run_no: int | None
    post: str
    code: str
    at: str
    journal_id: str
    n: int


@dataclass(frozen=True, slots=True)
class SaveRelation:
    """This water's own length-weight relation of a species, as a survey uses it (`fishery.single.Relation`):
    log10(weight in g) = a + b x + c x^2, x = log10(length in mm), with scatter `sd_log10`, from `n` fish."""

    survey_id: str
    species: str
    a: float
    b: float
    c: float
    sd_log10: float
    n: int


CatchChange = SaveBatch | AmendBatch | SaveTreatment | AddCrew | SaveRelation
