"""The checkpoint as it stands in the database: the engine's state, and what is needed to read on from there."""

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ingest.engine_state import EngineState, load_state
from ingest.journal_reading import Position
from ingest.store import Checkpoint


class UnreadableStateError(Exception):
    """The state in the database is none that this program knows. One sentence."""


@dataclass(frozen=True, slots=True)
class Resumed:
    """A checkpoint read back. `config` is the hash of the list of sources in use then (see `keep_config`),
    `journal` the folder of the journal."""

    state: EngineState
    config: str
    journal: Path
    position: Position


def pack(engine_state: str, config: str, journal: Path, position: Position) -> Checkpoint:
    """The checkpoint of an engine state (JSON) at a position of the journal in this folder."""
    frame = f'"config":{json.dumps(config)},"journal":{json.dumps(str(journal))}'
    return Checkpoint(f'{{{frame},"engine":{engine_state}}}', position.file, position.offset, position.n)


def unpack(checkpoint: Checkpoint) -> Resumed:
    """Raises UnreadableStateError."""
    try:
        fields: dict[str, Any] = json.loads(checkpoint.state)
        state = load_state(json.dumps(fields["engine"]))
        config, journal = str(fields["config"]), Path(fields["journal"])
    except (ValueError, KeyError, TypeError):
        raise UnreadableStateError(
            "The database holds a state that this program cannot read: rebuild the database from its journal."
        ) from None
    return Resumed(
        _without_half_lines(state),
        config,
        journal,
        Position(checkpoint.journal_file, checkpoint.offset, checkpoint.n),
    )


def _without_half_lines(state: EngineState) -> EngineState:
    """The bytes of a line that was still arriving went with the process; in the journal the line is whole,
    or is not there: put before the next line they would make a wrong one."""
    for known in state.instruments.values():
        framer = known.decoder.get("framer")
        if isinstance(framer, dict):
            framer["buffer"] = ""
            framer["broken_off"] = False
    return state
