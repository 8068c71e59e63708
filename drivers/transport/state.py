"""What is known of one port, and which of its changes are worth telling. Pure: time is an argument."""

from dataclasses import dataclass
from enum import StrEnum

from drivers.transport.hints import Hindrance, Reason

_FLAPPING = 3  # short openings in a row without a byte
_SHORT_S = 5.0


class PortState(StrEnum):
    WAITING = "waiting"  # never open so far
    OPENED = "opened"
    LOST = "lost"  # was open, is looked for
    STOPPED = "stopped"  # not started, or told to stop
    BROKEN = "broken"  # the reader itself failed: a bug, not the instrument


@dataclass(frozen=True, slots=True)
class Bytes:
    """Bytes as they arrived. `t_s` is the monotonic time when the read returned."""

    name: str
    data: bytes
    t_s: float


@dataclass(frozen=True, slots=True)
class PortEvent:
    """A change of the port. WAITING may come again, also after LOST, when the reason changed. `reason` with these two."""

    name: str
    state: PortState
    sentence: str
    t_s: float
    reason: Reason | None = None


Delivery = Bytes | PortEvent


@dataclass(frozen=True, slots=True)
class Health:
    """`quiet_s`: seconds since the last byte, None before the first. `busy_s`: seconds since the reader's thread last
    waited for the port or for its next try, None while it does: opening, closing and handing over are a matter of
    moments, and a thread that is at it for long hangs."""

    state: PortState
    quiet_s: float | None
    opens: int
    losses: int
    received: int
    last_error: str | None
    busy_s: float | None = None


class PortBook:
    """Keeps one port's figures and turns what happens into the events to tell: each change once."""

    def __init__(self, name: str, t_s: float) -> None:
        self._name = name
        self._state = PortState.STOPPED
        self._since_s = t_s
        self._last_byte_s: float | None = None
        self._opens = 0
        self._losses = 0
        self._received = 0
        self._last_error: str | None = None
        self._told: Reason | None = None
        self._seen: Reason | None = None
        self._bytes_this_open = 0
        self._short_opens = 0
        self._busy_since_s: float | None = None

    def busy(self, since_s: float | None) -> None:
        """The thread works since then; None: it waits."""
        self._busy_since_s = since_s

    def started(self, t_s: float) -> None:
        self._enter(PortState.WAITING, t_s)
        self._told = self._seen = None

    def opened(self, where: str, t_s: float) -> PortEvent:
        if self._state is PortState.LOST:
            sentence = f"{self._name} is back at {where} after {t_s - self._since_s:.0f} s"
        else:
            sentence = f"{self._name} is open at {where}"
        self._opens += 1
        self._bytes_this_open = 0
        return self._tell(PortState.OPENED, sentence, t_s)

    def received(self, count: int, t_s: float) -> None:
        self._received += count
        self._bytes_this_open += count
        self._last_byte_s = t_s

    def lost(self, hindrance: Hindrance, t_s: float) -> PortEvent:
        self._losses += 1
        if self.was_of_use(t_s):
            self._short_opens = 0
        else:
            self._short_opens += 1
        sentence = f"{self._name}: {hindrance.sentence}"
        if self._short_opens >= _FLAPPING:
            sentence += " (it comes and goes: a loose plug, or another program takes the port)"
        self._last_error = sentence
        self._told = self._seen = Reason.ABSENT  # that it cannot be opened now is no news
        return self._tell(PortState.LOST, sentence, t_s)

    def was_of_use(self, t_s: float) -> bool:
        """Whether the present opening brought bytes or lasted: if not, the next try may not come at once."""
        return self._bytes_this_open > 0 or t_s - self._since_s >= _SHORT_S

    def could_not_open(self, hindrance: Hindrance, t_s: float) -> PortEvent | None:
        """None if known already, or too young: a node just plugged in belongs to root for an instant."""
        sentence = f"{self._name}: {hindrance.sentence}"
        self._last_error = sentence
        settled = self._told is None or self._seen is hindrance.reason
        self._seen = hindrance.reason
        if not settled or self._told is hindrance.reason:
            return None
        self._told = hindrance.reason
        return PortEvent(self._name, PortState.WAITING, sentence, t_s, hindrance.reason)

    def stopped(self, t_s: float) -> PortEvent:
        return self._tell(PortState.STOPPED, f"{self._name} is closed", t_s)

    def broken(self, bug: BaseException, t_s: float) -> PortEvent:
        self._last_error = (
            f"{self._name}: its reader failed by a fault of this program ({type(bug).__name__}: {bug}): "
            "restart the program and report it"
        )
        return self._tell(PortState.BROKEN, self._last_error, t_s)

    def health(self, t_s: float) -> Health:
        return Health(
            state=self._state,
            quiet_s=None if self._last_byte_s is None else t_s - self._last_byte_s,
            opens=self._opens,
            losses=self._losses,
            received=self._received,
            last_error=self._last_error,
            busy_s=None if self._busy_since_s is None else t_s - self._busy_since_s,
        )

    def _tell(self, state: PortState, sentence: str, t_s: float) -> PortEvent:
        self._enter(state, t_s)
        return PortEvent(self._name, state, sentence, t_s)

    def _enter(self, state: PortState, t_s: float) -> None:
        self._state = state
        self._since_s = t_s
