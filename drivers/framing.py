"""Cut an instrument's byte stream into pieces, one message each, and lose nothing.

The journal keeps one frame a piece and is replayed through the same cutter, so: the pieces of a stream
joined are the stream; cutting the pieces again, each at its own time, gives the same pieces; and (except
for IDLE frames, which are made of time) the chunks in which bytes arrive make no difference.
"""

import re
from collections.abc import Mapping

from drivers.declaration import FrameRule
from drivers.outcomes import Piece

STX = b"\x02"
# Bytes that make no line: line ends, ETX, NULs from plugging in, and flow-control characters that strayed in.
BLANK = b"\r\n\x03\x00\x11\x13"
_ANY_END = re.compile(rb"[\r\n\x03]")
_MOST_LEAD = 2  # bytes between two STX-ETX frames that ride along with the next (CR LF)
TUNED_IN_S = 0.15

Scalar = str | int | float | bool | None


class Framer:
    """The cutter of one instrument. Feed it with `cut`; ask `next_deadline_s` when `tick` is due.

    `tuned_in_s`: a line that ends within this time of `opened` may have begun before it.
    """

    def __init__(self, rule: FrameRule, tuned_in_s: float = TUNED_IN_S) -> None:
        self._rule = rule
        self._tuned_in_s = tuned_in_s
        self._wait_s = rule.stale_s if rule.idle_s is None else rule.idle_s
        self._buffer = bytearray()
        self._last_byte_s = 0.0
        self._opened_s: float | None = None
        self._broken_off = False  # what is buffered belongs to a connection that is gone
        self._head = b""
        self._overlong = False
        self._open_line = False  # the last piece did not end its line
        self._last_byte = b""

    def cut(self, data: bytes, t_s: float) -> list[Piece]:
        """Take bytes that arrived at `t_s`; return the pieces that they complete, in order."""
        pieces = self.tick(t_s)
        if not data:
            return pieces
        old_bytes, old_s = len(self._buffer), self._last_byte_s
        self._buffer += data
        self._last_byte_s = t_s
        longest = self._rule.max_bytes
        # A byte more than a message may have, or the piece alone, read back from the journal, would look like
        # a whole message that waits for its gap, and come out one frame later than it did.
        overlong_cut = longest + 1 if self._rule.end == "IDLE" else longest
        while self._buffer:
            size, ended = self._first_cut()
            if 0 < size < longest or (size == longest and ended):
                # Only a fragment before an STX can be made of old bytes alone.
                pieces.append(self._take(size, ended=ended, t_s=old_s if size <= old_bytes else t_s))
                old_bytes -= size
            elif len(self._buffer) >= overlong_cut:
                self._overlong = True
                pieces.append(self._take(overlong_cut, ended=False))
            else:
                break
        if self._rule.end == "IDLE" and self._overlong and self._buffer:
            # Kept back, the rest would lose the time of its first byte, and replay could see a gap that
            # never was.
            pieces.append(self._take(len(self._buffer), ended=False))
        return pieces

    def tick(self, t_s: float) -> list[Piece]:
        """End what the time up to `t_s` ends: an IDLE message, or a line that waited too long for its end."""
        deadline_s = self.next_deadline_s()
        if deadline_s is None or t_s < deadline_s:
            return []
        if self._broken_off:
            return self.hang_up(t_s)
        if self._rule.end == "IDLE":
            pieces = [self._take(len(self._buffer), ended=not self._overlong)] if self._buffer else []
            self._overlong = False
            return pieces
        head = self._head
        piece = self._take(len(self._buffer), ended=False)
        if not self._overlong and self._rule.end != "STX-ETX":
            self._head = (head + piece.data)[-self._rule.max_bytes :]
        return [piece]

    def hang_up(self, t_s: float) -> list[Piece]:
        """The connection is gone: what waits is a fragment, and nothing that comes later belongs to it."""
        pieces = [self._take(len(self._buffer), ended=False)] if self._buffer else []
        self._forget_the_line()
        return pieces

    def opened(self, t_s: float) -> None:
        """The connection is there (again). Bytes left from an earlier one become a fragment at the next
        call."""
        self._broken_off = bool(self._buffer)
        if not self._broken_off:
            self._forget_the_line()
        self._opened_s = t_s

    def next_deadline_s(self) -> float | None:
        """When `tick` will have something to end; None while nothing waits."""
        if self._broken_off:
            return self._last_byte_s
        if not self._buffer and not self._overlong:
            return None
        if self._rule.end == "IDLE":
            return self._last_byte_s + self._wait_s if self._buffer or self._overlong else None
        return self._last_byte_s + self._wait_s if self._buffer.strip(BLANK) else None

    def state(self) -> dict[str, Scalar]:
        """Everything that a restart must know, as JSON values; bytes as one character each
        (U+0000..U+00FF)."""
        return {
            "buffer": self._buffer.decode("latin-1"),
            "last_byte_s": self._last_byte_s,
            "opened_s": self._opened_s,
            "broken_off": self._broken_off,
            "head": self._head.decode("latin-1"),
            "overlong": self._overlong,
            "open_line": self._open_line,
            "last_byte": self._last_byte.decode("latin-1"),
        }

    def restore(self, state: Mapping[str, Scalar]) -> None:
        opened_s = state["opened_s"]
        self._buffer = bytearray(str(state["buffer"]).encode("latin-1"))
        self._last_byte_s = float(state["last_byte_s"] or 0.0)
        self._opened_s = None if opened_s is None else float(opened_s)
        self._broken_off = bool(state["broken_off"])
        self._head = str(state["head"]).encode("latin-1")
        self._overlong = bool(state["overlong"])
        self._open_line = bool(state["open_line"])
        self._last_byte = str(state["last_byte"]).encode("latin-1")

    def _first_cut(self) -> tuple[int, bool]:
        """Size of the first piece in the buffer, and whether its line end closes it; size 0: not complete
        yet."""
        buffer, end = self._buffer, self._rule.end
        if end == "CRLF":
            if self._open_line and self._last_byte == b"\r" and buffer[0] == 0x0A:
                return 1, True
            return buffer.find(b"\r\n") + 2 if b"\r\n" in buffer else 0, True
        if end == "ANY":
            # The LF of a CR LF rides with the next line: waiting for it here would make the result depend
            # on chunks.
            lead = 1 if not self._open_line and self._last_byte == b"\r" and buffer[0] == 0x0A else 0
            found = _ANY_END.search(buffer, lead)
            return (found.end() if found else 0), True
        if end == "STX-ETX":
            return self._first_cut_between_stx_and_etx()
        if end == "IDLE":
            return 0, True
        return buffer.find(b"\r" if end == "CR" else b"\n") + 1, True

    def _first_cut_between_stx_and_etx(self) -> tuple[int, bool]:
        buffer = self._buffer
        lead = len(buffer) - len(buffer.lstrip(b"\r\n"))
        start = buffer.find(STX, lead + 1 if lead <= _MOST_LEAD else 1)
        if buffer[lead : lead + 1] == STX:
            self._overlong = False
        stop = buffer.find(b"\x03")
        if start > 0 and (stop < 0 or start < stop):
            return start, False
        return stop + 1, True

    def _take(self, size: int, *, ended: bool, t_s: float | None = None) -> Piece:
        t_s = self._last_byte_s if t_s is None else t_s
        data = bytes(self._buffer[:size])
        del self._buffer[:size]
        tuned_in = ended and self._opened_s is not None and t_s - self._opened_s <= self._tuned_in_s
        piece = Piece(data, t_s, ended, self._head, tuned_in, too_long=self._overlong)
        self._head = b""
        self._opened_s = None
        self._open_line = not ended
        self._last_byte = data[-1:]
        if ended:
            self._overlong = False
        return piece

    def _forget_the_line(self) -> None:
        self._broken_off = False
        self._head = b""
        self._overlong = False
        self._open_line = False
        self._last_byte = b""
