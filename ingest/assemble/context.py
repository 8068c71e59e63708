"""What the assembly rules may know of the world: the survey, its protocol, the species, and what is on record.

All of it is passed in; nothing here reads a clock, a file or a database.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal, Protocol

from fishery.single import Relation
from ingest.assemble.settings import BenchRules
from ingest.catch_records import SaveTreatment
from ingest.checks import Limits
from ingest.protocol import Protocol as SurveyProtocol
from ingest.records import PriorCapture, RunMethod, RunPlace
from ingest.species import Species, SpeciesBook
from ingest.water_relations import WaterRelations


class Lookup(Protocol):
    """What is on record, as of this survey. The store answers from SQLite, tests from dictionaries."""

    def captures(self, tag: str, before: str | None) -> tuple[PriorCapture, ...]:
        """Earlier captures of this individual (also under an earlier tag), oldest first, before an RFC 3339 time."""
        ...

    def in_survey(self, survey_id: str, tag: str) -> str | None:
        """The id of the closed fish that carries this tag in this survey."""
        ...

    def inventory(self, tag: str) -> Literal["unused", "used"] | None:
        """Whether the tag is in the inventory of own tags, and whether it was put into a fish before this survey."""
        ...

    def inventory_loaded(self) -> bool: ...

    def length_weights(self, water: str, species: str, before: str) -> list[tuple[float, float]]:
        """(mm, g) of the fish of this species worked up in this water before this time."""
        ...


@dataclass(slots=True)
class SurveyState:
    """The survey that is open. `relations` is frozen at the first fish of a species: None = too few fish.

    run_no, run_started_at, run_open, run_place, run_method: the run that began last. run_ended: the one that ended
    last. run_chosen: the one whose fish are worked up, if the crew said so. treatments: those in force.
    """

    survey_id: str
    name: str | None
    water: str | None
    protocol: str
    opened_at: str
    provisional: bool
    run_no: int | None = None
    run_started_at: str | None = None
    run_started_t_s: float = 0.0
    run_open: bool = False
    run_place: RunPlace = field(default_factory=RunPlace)
    run_method: RunMethod = field(default_factory=RunMethod)
    run_ended: int | None = None
    run_chosen: int | None = None
    treatments: list[SaveTreatment] = field(default_factory=list)
    weighed: dict[str, int] = field(default_factory=dict)
    relations: dict[str, Relation | None] = field(default_factory=dict)

    @property
    def work_up_run(self) -> int | None:
        """The run whose fish are worked up: the one that the crew chose, else the one that ended last, not the one
        that is fished meanwhile; while none has ended it can only be the open one."""
        return self.run_chosen or self.run_ended or self.run_no

    def withdrawal_until(self, run_no: int | None) -> str | None:
        """The day before which a fish of this run may not be eaten, by the treatments in force; None without one."""
        days = [one.withdrawal_until for one in self.treatments if one.run_no in (None, run_no)]
        return max((day for day in days if day is not None), default=None)


@dataclass(slots=True)  # a frozen one takes ten times as long to make, and each step makes one
class Context:
    """Everything around one step of one bench.

    observations: the station's codes and what they mean, by kind of observation.
    relations: length-weight relations of whole waters that a history pack brought.
    memo: what was already worked out in this step, by the values that it follows from (see `facts`).
    frozen: the species whose relation was first used, and so frozen for the survey, in this step.
    """

    station: str
    rules: BenchRules
    limits: Limits
    survey: SurveyState
    protocol: SurveyProtocol
    book: SpeciesBook
    lookup: Lookup
    length_type: str
    reader_healthy: bool
    clock_doubtful: bool
    observations: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    relations: WaterRelations = field(default_factory=dict)
    memo: dict[tuple[object, ...], Any] = field(default_factory=dict, compare=False, repr=False)
    frozen: list[str] = field(default_factory=list, compare=False, repr=False)

    def species(self, slug: str | None) -> Species | None:
        return self.book.by_slug.get(slug) if slug else None
