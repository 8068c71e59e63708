"""All that the engine remembers between two frames, as values that can be written as JSON and read back."""

from dataclasses import dataclass, field
from typing import Any

from pydantic import ConfigDict, TypeAdapter

from ingest.assemble.context import SurveyState
from ingest.assemble.parts import BenchState


@dataclass(slots=True)
class TimeBase:
    """How journal time and wall time go together in one journal.

    t0_s: engine time at the journal's start. started_s: wall time then, seconds since 1970 UTC.
    step_s: by how much the wall clock was set forward since. doubtful: nobody vouches for the wall clock.
    boot_s: engine time at which this boot's own monotonic clock stood at 0. Engine time goes on from boot to boot, so
    that what a parked fish remembers stays in the past.
    """

    t0_s: float = 0.0
    started_s: float = 0.0
    step_s: float = 0.0
    doubtful: bool = False
    boot_s: float = 0.0


@dataclass(slots=True)
class InstrumentState:
    """What the station knows of one instrument. `outcomes` counts what its decoder said, by kind."""

    port: str = "unknown"  # unknown | opened | lost
    last_t_s: float | None = None
    silent: bool = False
    garbled: int = 0  # lines in a row that look like a wrong speed
    strange_antennas: list[str] = field(default_factory=list)  # no bench has them, and this was said
    looked_up: dict[str, float] = field(default_factory=dict)  # tag: when it was held there last
    read_once: dict[str, float] = field(default_factory=dict)  # tag: when, for readers that must say it twice
    outcomes: dict[str, int] = field(default_factory=dict)
    decoder: dict[str, Any] = field(default_factory=dict)


@dataclass(slots=True)
class Surroundings:
    """Where the station is and how warm the water, as instruments said last, and when (engine time)."""

    lat_deg: float = 0.0
    lon_deg: float = 0.0
    fix_t_s: float | None = None
    water_c: float = 0.0
    water_t_s: float | None = None


@dataclass(slots=True)
class EngineState:
    """The fold of all frames so far."""

    __pydantic_config__ = ConfigDict(ser_json_bytes="base64", val_json_bytes="base64")

    journal_id: str = ""
    boot: str | None = None
    t_s: float = 0.0
    last_n: int = 0
    time: TimeBase = field(default_factory=TimeBase)
    survey: SurveyState | None = None
    benches: dict[str, BenchState] = field(default_factory=dict)
    instruments: dict[str, InstrumentState] = field(default_factory=dict)
    command_seen: dict[str, float] = field(default_factory=dict)
    around: Surroundings = field(default_factory=Surroundings)
    said_no_inventory: bool = False
    stopped: bool = False


_ADAPTER = TypeAdapter(EngineState)


def dump_state(state: EngineState) -> str:
    """The state as JSON text."""
    return _ADAPTER.dump_json(state).decode()


def load_state(text: str) -> EngineState:
    """The state that `dump_state` wrote. Raises ValueError if the text is none."""
    return _ADAPTER.validate_json(text)
