"""The decoder chain of one configured instrument: cut -> decode -> (scales) settle. It opens no port and
reads no clock.

The daemon cuts what a port gave, journals each piece as one frame, and decodes it; replay feeds the same
frames through the same calls. Times are seconds of one monotonic clock (live) or of the journal (replay).
"""

from collections.abc import Mapping

from drivers.declaration import Declaration
from drivers.framing import TUNED_IN_S, Framer, Scalar
from drivers.hid_keyboard import HidKeyboardDecoder
from drivers.hid_reports import ReportCutter
from drivers.hid_scale import HidScaleDecoder
from drivers.lines import LineDecoder
from drivers.nmea import NmeaDecoder
from drivers.outcomes import Outcome, Piece, ScaleTrouble, WeightSeen
from drivers.settle import Settler
from drivers.symbology import SymbologyDecoder

JSON = Scalar | dict[str, Scalar]

_BITS_A_BYTE = 12  # start, 8 data, parity, 2 stop: the most that a line setting can make

Forgetful = LineDecoder | SymbologyDecoder | NmeaDecoder  # these know nothing but the piece at hand
Remembering = HidScaleDecoder | HidKeyboardDecoder


def make_cutter(declaration: Declaration) -> Framer | ReportCutter:
    """What cuts the instrument's bytes into pieces."""
    if declaration.frame.end == "REPORT":
        return ReportCutter(declaration.frame.max_bytes)
    longest_s = declaration.frame.max_bytes * _BITS_A_BYTE / declaration.line.baud
    return Framer(declaration.frame, tuned_in_s=max(TUNED_IN_S, longest_s))


def make_decoder(declaration: Declaration) -> Forgetful | Remembering:
    """What understands the pieces."""
    match declaration.decoder:
        case "hid_scale":
            return HidScaleDecoder(declaration)
        case "hid_keyboard":
            return HidKeyboardDecoder(declaration)
        case "nmea":
            return NmeaDecoder(declaration)
    lines = LineDecoder(declaration)
    return SymbologyDecoder(lines) if declaration.symbology else lines


class Instrument:
    """One instrument under the name that the station gave it.

    `decode` of a scale gives the line itself (`WeightSeen`) and, once per load, `WeightSettled`, `PanEmpty`
    or `ScaleTrouble`.
    """

    def __init__(self, name: str, declaration: Declaration) -> None:
        self.name = name
        self.declaration = declaration
        self._framer = make_cutter(declaration)
        self._decoder = make_decoder(declaration)
        self._memory = self._decoder if isinstance(self._decoder, Remembering) else None
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
        if self._memory is not None:
            self._memory.hang_up()
        return self._framer.hang_up(t_s)

    def opened(self, t_s: float) -> None:
        """The port was opened: the next line may have begun before."""
        self._framer.opened(t_s)
        if self._memory is not None:
            self._memory.opened(t_s)

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
        """What the passing of time settles: a load that will not come to rest, a scan that just stops."""
        outcomes = [] if self._memory is None else self._memory.tick(t_s)
        return outcomes if self._settler is None else [*outcomes, *self._settler.tick(t_s)]

    def next_deadline_s(self) -> float | None:
        """When `tick` and `settle_tick` must be called at the latest; None while nothing waits."""
        deadline_s = self._framer.next_deadline_s()
        for part in (self._memory, self._settler):
            due_s = None if part is None else part.next_deadline_s()
            if due_s is not None and (deadline_s is None or due_s < deadline_s):
                deadline_s = due_s
        return deadline_s

    def state(self) -> dict[str, JSON]:
        """What a restart must know, ready for JSON; `restore` of it makes an equal instrument."""
        settler: JSON = None if self._settler is None else self._settler.state()
        decoder: JSON = None if self._memory is None else self._memory.state()
        return {"framer": self._framer.state(), "settler": settler, "decoder": decoder}

    def restore(self, state: Mapping[str, JSON]) -> None:
        framer, settler, decoder = state["framer"], state["settler"], state.get("decoder")
        fits = isinstance(framer, dict)
        fits = fits and (self._settler is None or isinstance(settler, dict))
        fits = fits and (self._memory is None or isinstance(decoder, dict))
        if not isinstance(framer, dict) or not fits:
            raise ValueError(
                f"the kept state of {self.name} is not that of a {self.declaration.kind}: start it anew"
            )
        self._framer.restore(framer)
        if self._settler is not None and isinstance(settler, dict):
            self._settler.restore(settler)
        if self._memory is not None and isinstance(decoder, dict):
            self._memory.restore(decoder)
