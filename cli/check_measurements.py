"""Readings for a check with a known weight or length, and keeping what came of it."""

import sqlite3
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Literal
from uuid import uuid4

from cli.errors import NOT_NOW, RefusedError
from cli.listening import Heard, Listening
from cli.permissible_error import Verdict
from cli.show import escaped
from drivers.outcomes import LengthSeen, ScaleTrouble, WeightSettled
from ingest.frames import rfc3339
from ingest.station import Station, StationInstrument
from ingest.store import Store

_NO_JOURNAL = "none"  # no station ran, so no journal has these bytes: the note carries them


@dataclass(frozen=True, slots=True)
class Settled:
    """One reading that counts, in mm or g."""

    value: float
    division: float
    raw: bytes


def settled_readings(
    setup: StationInstrument, kind: Literal["weight", "length"], for_s: float, tell: Callable[[str], None]
) -> Iterator[Settled]:
    """The readings of the next `for_s` seconds: of a scale one for each load at rest. `tell` hears of troubles.

    Raises:
        RefusedError: the port could not be opened.
    """
    with Listening(setup) as listening:
        for event in listening.events(for_s):
            if not isinstance(event, Heard):
                tell(f"{event.sentence}.")
                continue
            for outcome in event.outcomes:
                if isinstance(outcome, WeightSettled) and kind == "weight":
                    if outcome.empty_before_g:
                        tell(
                            f"The empty pan showed {outcome.empty_before_g:g} g: zero the scale for a fair check."
                        )
                    yield Settled(outcome.weight_g, outcome.division_g, outcome.raw)
                elif isinstance(outcome, LengthSeen) and kind == "length":
                    yield Settled(outcome.length_mm, outcome.division_mm, outcome.raw)
                elif isinstance(outcome, ScaleTrouble):
                    tell(f"The {setup.name} says: {outcome.trouble.value.replace('_', ' ')}.")
        if not listening.opened:
            raise RefusedError(
                f"The port of the {setup.name} ({setup.port.address}) could not be opened in {for_s:g} s.",
                NOT_NOW,
            )


def store_checks(station: Station, instrument: str, results: Sequence[tuple[Verdict, bytes]]) -> None:
    """Keep the checks in the station's database, which no other process may own now. Raises StoreTrouble."""
    at = rfc3339(time.time())
    rows = [
        (
            str(uuid4()),
            instrument,
            at,
            one.expected,
            one.measured,
            "g" if one.kind == "weight" else "mm",
            f"{'passed' if one.passed else 'failed'}: limit +-{one.limit:g} ({one.rule}); sent {escaped(raw)}",
            _NO_JOURNAL,
            0,
        )
        for one, raw in results
    ]

    def insert(connection: sqlite3.Connection) -> None:
        connection.executemany(
            "INSERT INTO check_measurement (check_id, instrument, at, expected, measured, unit, note, journal_id, n) "
            "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            rows,
        )

    with Store.open(station.database) as store:
        store.write(insert)
