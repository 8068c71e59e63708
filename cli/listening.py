"""One instrument's port, opened by this program alone: what arrives, cut and decoded as the station would."""

import queue
import time
from collections.abc import Iterator
from dataclasses import dataclass
from types import TracebackType
from typing import Self

from drivers.instrument import Instrument
from drivers.outcomes import Outcome, Piece
from drivers.transport import Bytes, Delivery, PortEvent, PortReader, PortState
from ingest.station import StationInstrument

_LOOK_S = 0.5
_OPENING_S = 10.0  # how long a port may take to be open, or to say why not


@dataclass(frozen=True, slots=True)
class Heard:
    """One piece of the stream and what it says. `data` is empty where only time passed (a load that never rests)."""

    t_s: float
    data: bytes
    outcomes: tuple[Outcome, ...]


class Listening:
    """A context manager; `events` gives what happens for some seconds, or for ever."""

    def __init__(self, setup: StationInstrument) -> None:
        self._instrument = Instrument(setup.name, setup.declaration)
        self._arrived: queue.SimpleQueue[Delivery] = queue.SimpleQueue()
        self._reader = PortReader(setup.name, setup.port, self._arrived.put)
        self.opened = False

    def __enter__(self) -> Self:
        self._reader.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, tb: TracebackType | None
    ) -> None:
        self._reader.stop()

    def events(self, for_s: float | None) -> Iterator[Heard | PortEvent]:
        """The time counts from the first word on the port, that it is open or why not: opening it is no listening."""
        until_s = None if for_s is None else time.monotonic() + _OPENING_S + for_s
        opening = True
        while True:
            now_s = time.monotonic()
            if until_s is not None and now_s >= until_s:
                return
            # Never for long: ctrl-C just before the wait begins would be noticed only after it.
            moments = [now_s + _LOOK_S, until_s, self._instrument.next_deadline_s()]
            try:
                wait_s = max(min(one for one in moments if one is not None) - now_s, 0.0)
                delivery = self._arrived.get(timeout=wait_s)
            except queue.Empty:
                yield from self._time_passed(time.monotonic())
                continue
            if isinstance(delivery, Bytes):
                for piece in self._instrument.cut(delivery.data, delivery.t_s):
                    yield self._heard(piece)
            else:
                if opening and for_s is not None:
                    until_s = time.monotonic() + for_s
                opening = False
                yield from self._port_changed(delivery)

    def _heard(self, piece: Piece) -> Heard:
        return Heard(piece.t_s, piece.data, tuple(self._instrument.decode(piece)))

    def _time_passed(self, t_s: float) -> Iterator[Heard]:
        for piece in self._instrument.tick(t_s):
            yield self._heard(piece)
        outcomes = self._instrument.settle_tick(t_s)
        if outcomes:
            yield Heard(t_s, b"", tuple(outcomes))

    def _port_changed(self, event: PortEvent) -> Iterator[Heard | PortEvent]:
        if event.state is PortState.OPENED:
            self.opened = True
            self._instrument.opened(event.t_s)
        elif event.state is PortState.LOST:
            for piece in self._instrument.hang_up(event.t_s):
                yield self._heard(piece)
        yield event
