"""The assembler's own values: readings with their origin, the fish in hand, and what a bench remembers.

Everything here can be written as JSON and read back (`dump_state`, `load_state`): the checkpoint from which a
restarted daemon goes on is nothing but these values.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Literal

from ingest.catch_records import BatchRecord
from ingest.records import (
    FishRecord,
    Observation,
    Part,
    PriorCapture,
    ReadingRecord,
    ReadingRole,
    Severity,
    TagStatus,
)

MeasureKind = Literal["length", "weight"]


@dataclass(slots=True)
class Ref:
    """Where a reading came from: frame `n` of journal `journal_id`, which instrument, which bytes, and when.

    `at` is RFC 3339 UTC; `t_s` the monotonic journal time that all rules run on.
    """

    journal_id: str
    n: int
    at: str
    t_s: float
    instrument: str
    raw: bytes


@dataclass(slots=True)
class Measure:
    """A length in mm or a weight in g as one instrument said it once. `role` is its place in the fish's trail."""

    value: float
    unit: str
    division: float
    ref: Ref
    role: ReadingRole = "used"
    last_t_s: float = 0.0  # the newest agreeing repeat
    load: int | None = None
    empty_before_g: float | None = None
    empty_after_g: float | None = None

    def __post_init__(self) -> None:
        self.last_t_s = max(self.last_t_s, self.ref.t_s)


@dataclass(slots=True)
class TagRead:
    """One distinct tag read while a fish was in hand. `alone` counts reads with no other tag near in time."""

    tag: str
    ref: Ref
    status: TagStatus
    witnessed: bool
    count: int = 1
    last_t_s: float = 0.0
    alone: int = 0
    stock: Literal["unused", "used"] | None = None  # what the inventory says of it
    prior: tuple[PriorCapture, ...] = ()

    def __post_init__(self) -> None:
        self.last_t_s = max(self.last_t_s, self.ref.t_s)


QuestionKind = Literal["two_lengths", "two_weights", "two_tags", "finding", "loose_weight"]


@dataclass(slots=True)
class Question:
    """Something that must be settled before the fish may be saved."""

    kind: QuestionKind
    asked_t_s: float
    sentence: str
    finding: str = ""
    numbers: dict[str, float | str] = field(default_factory=dict)
    suspects: tuple[Part, ...] = ()
    proposes: dict[str, float] = field(default_factory=dict)
    tag_reread: bool = False


@dataclass(slots=True)
class Mark:
    """A finding that an event left on the fish (as opposed to those computed from its values each time)."""

    name: str
    severity: Severity
    sentence: str
    numbers: dict[str, float | str] = field(default_factory=dict)
    settled: bool = False


@dataclass(slots=True)
class OpenFish:
    """The fish in hand (or parked): all parts with their trail, and the questions still open."""

    fish_id: str
    opened: Ref
    last: Ref
    last_t_s: float
    species: str | None
    species_from: Literal["selected", "command", "history", "none"]
    run_no: int | None
    tags: list[TagRead] = field(default_factory=list)
    tag: str | None = None
    second_tag: str | None = None
    lengths: list[Measure] = field(default_factory=list)
    weights: list[Measure] = field(default_factory=list)
    fate: str | None = None
    untagged: bool = False
    no_weight: bool = False
    note: str | None = None
    observations: list[Observation] = field(default_factory=list)
    commands: list[ReadingRecord] = field(default_factory=list)
    questions: list[Question] = field(default_factory=list)
    marks: list[Mark] = field(default_factory=list)
    confirmed: list[str] = field(
        default_factory=list
    )  # names of serious findings confirmed by measuring twice
    reader_lost: bool = False  # the bench had no working tag reader at some time with this fish
    stored: bool = False  # an unclosed row of it is already on disk
    saved_t_s: float = 0.0
    line_no: int | None = None  # its number in a two-person line, from the measuring end on

    def trail(self, kind: MeasureKind) -> list[Measure]:
        return self.lengths if kind == "length" else self.weights

    def used(self, kind: MeasureKind) -> Measure | None:
        for measure in reversed(self.lengths if kind == "length" else self.weights):
            if measure.role == "used":  # a plain loop: this is asked dozens of times for each fish
                return measure
        return None

    def candidate(self, kind: MeasureKind) -> Measure | None:
        return next((m for m in reversed(self.trail(kind)) if m.role == "candidate"), None)

    def tag_read(self, tag: str | None) -> TagRead | None:
        if tag is None:
            return None
        return next((r for r in self.tags if r.tag == tag), None)

    def question(self, *kinds: QuestionKind) -> Question | None:
        return next((q for q in self.questions if q.kind in kinds), None)

    def measures(self) -> Iterator[tuple[MeasureKind, Measure]]:
        yield from (("length", m) for m in self.lengths)
        yield from (("weight", m) for m in self.weights)


@dataclass(slots=True)
class SavedFish:
    """The fish saved last on this bench: what an echo is compared with and what a command may still amend."""

    record: FishRecord
    saved_t_s: float
    tags: tuple[str, ...]
    length_mm: float | None
    weight_g: float | None
    weight_division_g: float
    load: int | None
    last_kind: MeasureKind | None = None  # the measure that came last, if it has both
    scale: str | None = None  # the instrument that counted `load`
    tag_t_s: float | None = None  # when its tags were last read, while it was in hand


@dataclass(slots=True)
class Again:
    """`again` was given for a saved fish: its next measure amends it.

    `kind` is the measure that did, None before; `t_s` when that was, or when the command was given.
    """

    fish_id: str
    t_s: float
    kind: MeasureKind | None = None


@dataclass(slots=True)
class WeighedFish:
    """A fish of a two-person line that was saved with its weight, kept until the pairing is beyond doubt.

    `saved` reads as it was amended last. `weight` is None while its weight went to another fish and its own is owed.
    """

    number: int
    saved: SavedFish
    weight: Measure | None


@dataclass(slots=True)
class Last:
    """The newest measure of a kind on a two-person line and whose it is: what an echo is compared with."""

    measure: Measure
    fish_id: str


@dataclass(slots=True)
class LineSlip:
    """The line is off by one from fish number `number` on (see `fishery.alignment.Slip`), until somebody decides.

    loose: the weight that came when no fish waited, kept as a parked fish: the own weight of fish `upto`, after which
    the pairing was right again.
    """

    kind: Literal["missed", "extra"]
    number: int
    earliest: int
    latest: int
    sentence: str
    loose: Last | None = None
    upto: int | None = None


@dataclass(slots=True)
class LineAgain:
    """`again` was given on a two-person line: the next measure of this kind is this fish's."""

    kind: MeasureKind
    fish_id: str
    t_s: float


@dataclass(slots=True)
class LineState:
    """What a two-person line remembers: the fish between the two people, and those weighed last.

    queue: measured, not yet weighed, oldest first. owed: saved, but to be weighed (again) before the queue.
    watched_from: fish with a lower number are no longer compared.
    """

    last_no: int = 0
    queue: list[OpenFish] = field(default_factory=list)
    owed: list[WeighedFish] = field(default_factory=list)
    weighed: list[WeighedFish] = field(default_factory=list)
    slip: LineSlip | None = None
    again: LineAgain | None = None
    last_length: Last | None = None
    last_weight: Last | None = None
    watched_from: int = 0
    said_unwatchable: bool = False


@dataclass(slots=True)
class Failed:
    """A part that an instrument could not say while no fish was in hand."""

    name: str
    sentence: str
    t_s: float


BatchWeight = Literal["container", "gross"]


@dataclass(slots=True)
class Tally:
    """A batch in hand, or what was counted last.

    awaits: the weights that are still to come, in this order. lengths: those of the board are the subsample's.
    load, scale: the newest load that it took, and the instrument that counted it.
    """

    record: BatchRecord
    last_t_s: float
    awaits: list[BatchWeight] = field(default_factory=list)
    lengths: bool = False
    load: int | None = None
    scale: str | None = None


@dataclass(slots=True)
class BenchState:
    """What one bench remembers between two readings."""

    name: str
    species: str | None = None
    fish: OpenFish | None = None
    saved: SavedFish | None = None
    parked: list[OpenFish] = field(default_factory=list)
    done_tag: TagRead | None = None  # a tag already saved in this survey, read with no fish in hand
    untagged_next: bool = False
    again: Again | None = None
    grace_until_s: float | None = None
    habits: dict[str, list[str]] = field(default_factory=dict)  # orders of parts, by kind of tag
    unusual_orders: int = 0  # fish in a row whose parts came in an order unlike before
    failed_before: list[Failed] = field(default_factory=list)  # what failed with no fish in hand
    empty_high: int = 0  # fish in a row whose empty scale read too high
    line: LineState = field(default_factory=LineState)
    batch: Tally | None = None  # in hand: it takes the readings that its command asked for
    tally: Tally | None = None  # the batch or count saved last, as long as nothing else came

    def note_failure(self, name: str, sentence: str, t_s: float) -> None:
        """Remember what an instrument could not say while no fish was in hand: the latest of each name."""
        others = [failed for failed in self.failed_before if failed.name != name]
        self.failed_before = [*others, Failed(name, sentence, t_s)]
