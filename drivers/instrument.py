"""The decoder chain of one configured instrument: cut -> decode -> (scales) settle. It opens no port and
reads no clock.

The daemon cuts what a port gave, journals each piece as one frame, and decodes it; replay feeds the same
frames through the same calls. Times are seconds of one monotonic clock (live) or of the journal (replay).
"""

from collections.abc import Mapping

from drivers.declaration import Declaration
from drivers.framing import TUNED_IN_S, Framer, Scalar
from drivers.lines import LineDecoder
from drivers.outcomes import Outcome, Piece, ScaleTrouble, WeightSeen
from drivers.settle import Settler

JSON = Scalar | dict[str, Scalar]

_BITS_A_BYTE = 12  # start, 8 data, parity, 2 stop: the most that a line setting can make


class Instrument:
    """One instrument under the name that the station gave it.

    `decode` of a scale gives the line itself (`WeightSeen`) and, once per load, `WeightSettled`, `PanEmpty`
    or `ScaleTrouble`.
    """

    def __init__(self, name: str, declaration: Declaration) -> None:
        self.name = name
        self.declaration = declaration
        longest_s = declaration.frame.max_bytes * _BITS_A_BYTE / declaration.line.baud
        self._framer = Framer(declaration.frame, tuned_in_s=max(TUNED_IN_S, longest_s))
        self._decoder = LineDecoder(declaration)
        self._settler = Settler(declaration.settle) if declaration.kind == "scale" else None

    def cut(self, data: bytes, t_s: float) -> list[Piece]:
        """Take bytes that arrived at `t_s`; return the pieces that they complete."""
        return self._framer.cut(data, t_s)

    def tick(self, t_s: float) -> list[Piece]:
        """The pieces that the passing of time completes: an idle gap, or a line that waited too long for
        its end."""
        return self._framer.tick(t_s)

    def hang_up(self, t_s: float) -> list[Piece]:
        """The port is lost: what waits for its line end is a fragment."""
        if self._settler is not None:
            self._settler.interrupted()
        return self._framer.hang_up(t_s)

    def opened(self, t_s: float) -> None:
        """The port was opened: the next line may have begun before."""
        self._framer.opened(t_s)

    def decode(self, piece: Piece) -> list[Outcome]:
        """What the piece says, in order. Never raises; empty for a piece without content, or nothing new to
        say."""
        outcomes = self._decoder.decode(piece)
        if self._settler is None:
            return outcomes
        settled: list[Outcome] = []
        for outcome in outcomes:
            if isinstance(outcome, WeightSeen):
                settled += [outcome, *self._settler.weight(outcome, piece.t_s)]
            elif isinstance(outcome, ScaleTrouble):
                settled += self._settler.trouble(outcome, piece.t_s)
            else:
                settled.append(outcome)
        return settled

    def settle_tick(self, t_s: float) -> list[Outcome]:
        """What the passing of time settles: a load that will not come to rest."""
        return [] if self._settler is None else self._settler.tick(t_s)

    def next_deadline_s(self) -> float | None:
        """When `tick` and `settle_tick` must be called at the latest; None while nothing waits."""
        deadlines = [self._framer.next_deadline_s()]
        if self._settler is not None:
            deadlines.append(self._settler.next_deadline_s())
        return min((deadline for deadline in deadlines if deadline is not None), default=None)

    def state(self) -> dict[str, JSON]:
        """What a restart must know, ready for JSON; `restore` of it makes an equal instrument."""
        settler: JSON = None if self._settler is None else self._settler.state()
        return {"framer": self._framer.state(), "settler": settler}

    def restore(self, state: Mapping[str, JSON]) -> None:
        framer, settler = state["framer"], state["settler"]
        if not isinstance(framer, dict) or (self._settler is not None and not isinstance(settler, dict)):
            raise ValueError(
                f"the kept state of {self.name} is not that of a {self.declaration.kind}: start it anew"
            )
        self._framer.restore(framer)
        if self._settler is not None and isinstance(settler, dict):
            self._settler.restore(settler)
