"""What transport tests share: a place where deliveries arrive, and readers that must stop at the end."""

import gc
import os
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from drivers.transport import Bytes, Delivery, PortEvent, PortReader, PortSettings, PortState

PATIENCE_S = 60.0


class Held:
    """The open descriptors and the threads of this process, counted when it is made."""

    def __init__(self) -> None:
        gc.collect()  # what other tests left to the collector is not closed between two counts
        self.counts = len(os.listdir("/proc/self/fd")), threading.active_count()

    def assert_no_more_now(self) -> None:
        """What other tests left may have ended meanwhile, so there may be fewer."""
        now = Held().counts
        assert all(after <= before for before, after in zip(self.counts, now, strict=True)), (
            self.counts,
            now,
        )


class Inbox:
    """Collects what a reader delivers. `wait_for` waits for a condition, never for a time."""

    def __init__(self) -> None:
        self._arrived = threading.Condition()  # its lock may be taken again by the one who holds it
        self._deliveries: list[Delivery] = []

    def __call__(self, delivery: Delivery) -> None:
        with self._arrived:
            self._deliveries.append(delivery)
            self._arrived.notify_all()

    @property
    def all(self) -> list[Delivery]:
        with self._arrived:
            return list(self._deliveries)

    @property
    def data(self) -> bytes:
        return b"".join(one.data for one in self.all if isinstance(one, Bytes))

    @property
    def events(self) -> list[PortEvent]:
        return [one for one in self.all if isinstance(one, PortEvent)]

    @property
    def states(self) -> list[PortState]:
        return [event.state for event in self.events]

    def wait_for(self, condition: Callable[[], bool]) -> None:
        deadline = time.monotonic() + PATIENCE_S
        with self._arrived:
            while not condition():
                assert time.monotonic() < deadline, f"this never came; what came: {self.all}"
                self._arrived.wait(0.01)  # not every condition is about what arrived here

    def wait_for_data(self, data: bytes) -> None:
        self.wait_for(lambda: len(self.data) >= len(data))
        assert self.data == data

    def wait_for_states(self, *states: PortState) -> None:
        self.wait_for(lambda: len(self.states) >= len(states))
        assert self.states == list(states)


class BriskWait:
    """Waits for next to nothing between two tries, and remembers how long it was told to wait."""

    def __init__(self) -> None:
        self.delays_s: list[float] = []

    def __call__(self, stop: threading.Event, seconds: float) -> None:
        self.delays_s.append(seconds)
        stop.wait(0.002)


@contextmanager
def reading(settings: PortSettings, inbox: Inbox, wait: BriskWait | None = None) -> Iterator[PortReader]:
    """A running reader named "scale"; at the end it must stop."""
    reader = PortReader("scale", settings, inbox, wait=wait or BriskWait(), chance=lambda: 0.0)
    reader.start()
    try:
        yield reader
    finally:
        assert reader.stop(PATIENCE_S), "the reader did not stop"
