"""Reports of a USB keyboard instrument (HID usage page 0x07) -> the text that it types, line by line.

Tag and barcode readers, number pads and pedals often come as keyboards. What counts are the key usages of
their boot reports, never characters: those depend on the layout that a desktop is set to. The scan then goes
as a line through the patterns of the instrument file.

Sources: HID 1.11 (USB-IF, 2001), appendix B.1 (boot report: modifiers, reserved, six usages); HID Usage
Tables, Keyboard/Keypad Page. The silence that ends a scan is common practice.
"""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from drivers.declaration import Declaration
from drivers.framing import Scalar
from drivers.hid_descriptor import DescriptorError, parse_report_descriptor
from drivers.hid_reports import STALE_S, descriptor_in, too_long
from drivers.lines import LineDecoder
from drivers.outcomes import Damage, Damaged, NotMine, Outcome, Piece, TagRefused
from drivers.symbology import SymbologyDecoder

PAGE: Final = 0x07
REPORT_BYTES: Final = 8
_LAST_ERROR: Final = 0x03  # 0x01 rollover, 0x02 self-test failed, 0x03 undefined: no key state
_SHIFT: Final = 0x22  # left or right
_CTRL, _ALT, _GUI = 0x11, 0x44, 0x88
_ENDS: Final = frozenset({0x28, 0x2B, 0x58})  # Enter, Tab, keypad Enter
_LOCKS_AND_MODIFIERS: Final = frozenset({0x39, 0x47, 0x53, *range(0xE0, 0xE8)})

# Usage -> what a US layout has on the key, without and with Shift. The usage names of the standard are those
# of this layout, and readers that type for a computer are set to it unless told otherwise.
_PLAIN: Final = (
    "abcdefghijklmnopqrstuvwxyz1234567890",  # from 0x04
    " -=[]\\#;'`,./",  # from 0x2C
)
_SHIFTED: Final = ("ABCDEFGHIJKLMNOPQRSTUVWXYZ!@#$%^&*()", ' _+{}|~:"~<>?')
_STARTS: Final = (0x04, 0x2C)
_KEYPAD: Final = (
    *enumerate("/*-+", 0x54),
    *enumerate("1234567890.", 0x59),  # whatever NumLock says
    (0x67, "="),
)


def _table(rows: tuple[str, ...]) -> Mapping[int, str]:
    table = {
        start + offset: char
        for start, row in zip(_STARTS, rows, strict=True)
        for offset, char in enumerate(row)
    }
    return MappingProxyType(table | dict(_KEYPAD))


_CHARS: Final = _table(_PLAIN)
_SHIFTED_CHARS: Final = _table(_SHIFTED)
_NAMES: Final[Mapping[int, str]] = MappingProxyType(
    {
        0x28: "ENTER",
        0x29: "ESCAPE",
        0x2A: "BACKSPACE",
        0x2B: "TAB",
        0x49: "INSERT",
        0x4A: "HOME",
        0x4B: "PAGEUP",
        0x4C: "DELETE",
        0x4D: "END",
        0x4E: "PAGEDOWN",
        0x4F: "RIGHT",
        0x50: "LEFT",
        0x51: "DOWN",
        0x52: "UP",
        0x58: "ENTER",
    }
    | {0x3A + offset: f"F{offset + 1}" for offset in range(12)}
)


def key_name(usage: int) -> str:
    """The name of a key that types no character; its number if the table has none."""
    return _NAMES.get(usage, f"KEY{usage:02X}")


class HidKeyboardDecoder:
    """The decoder of one keyboard instrument: remembers the keys that are down and the scan so far.

    The `raw` of an outcome is the text of the scan; its reports are the pieces before.
    """

    def __init__(self, declaration: Declaration) -> None:
        self._rule = declaration.keyboard
        self._reads_tags = declaration.kind == "tag_reader"
        self._head_s = declaration.frame.stale_s
        lines = LineDecoder(declaration)
        self._lines: LineDecoder | SymbologyDecoder = (
            SymbologyDecoder(lines) if declaration.symbology else lines
        )
        self._opened_s: float | None = None
        self._held = b""
        self._text = ""
        self._last_s = 0.0
        self._stale = False  # the scan at hand may have begun before the port was opened
        self._broken_off = False  # the scan at hand belongs to a connection that is gone
        self._head = ""
        self._head_end_s = 0.0

    def decode(self, piece: Piece) -> list[Outcome]:
        """What the piece completes: mostly nothing. Never raises."""
        outcomes = self.tick(piece.t_s)
        if not piece.data:
            return outcomes
        if piece.too_long:
            return [*outcomes, *too_long(piece)]
        if (descriptor := descriptor_in(piece.data)) is not None:
            return [*outcomes, *_no_keyboard(descriptor, piece.data)]
        if len(piece.data) != REPORT_BYTES:
            detail = f"{len(piece.data)} bytes are no keyboard report of {REPORT_BYTES}"
            return [*outcomes, Damaged(Damage.FORM, detail, piece.data)]
        slots = piece.data[2:]
        if any(1 <= usage <= _LAST_ERROR for usage in slots):
            return outcomes
        pressed = [usage for usage in dict.fromkeys(slots) if usage and usage not in self._held]
        self._held = slots
        self._last_s = piece.t_s
        if self._opened_s is not None and piece.t_s - self._opened_s < STALE_S:
            self._stale = True
        for usage in pressed:
            outcomes += self._press(usage, piece.data[0], piece.t_s)
        return outcomes

    def tick(self, t_s: float) -> list[Outcome]:
        """End a scan by silence, or the one whose connection is gone."""
        deadline_s = self.next_deadline_s()
        if deadline_s is None or t_s < deadline_s:
            return []
        if self._broken_off:
            return self._drop("the connection was lost in the middle of the scan")
        if self._text and self._rule.enter == "needed":
            self._head, self._head_end_s = self._text, deadline_s
            return self._drop("no Enter came after the scan")
        return self._end_scan(deadline_s)

    def opened(self, t_s: float) -> None:
        self.hang_up()
        self._opened_s = t_s

    def hang_up(self) -> None:
        """The connection is gone: keys are no longer down, and what they typed so far is no scan."""
        self._held = b""
        self._broken_off = bool(self._text)

    def next_deadline_s(self) -> float | None:
        if self._broken_off:
            return self._last_s
        return self._last_s + self._rule.silence_s if self._text or self._stale else None

    def state(self) -> dict[str, Scalar]:
        return {
            "opened_s": self._opened_s,
            "held": self._held.decode("latin-1"),
            "text": self._text,
            "last_s": self._last_s,
            "stale": self._stale,
            "broken_off": self._broken_off,
            "head": self._head,
            "head_end_s": self._head_end_s,
        }

    def restore(self, state: Mapping[str, Scalar]) -> None:
        opened_s = state["opened_s"]
        self._opened_s = None if opened_s is None else float(opened_s)
        self._held = str(state["held"]).encode("latin-1")
        self._text = str(state["text"])
        self._last_s = float(state["last_s"] or 0.0)
        self._stale = bool(state["stale"])
        self._broken_off = bool(state["broken_off"])
        self._head = str(state["head"])
        self._head_end_s = float(state["head_end_s"] or 0.0)

    def _press(self, usage: int, modifiers: int, t_s: float) -> list[Outcome]:
        if usage in _LOCKS_AND_MODIFIERS:
            return []
        chars = _SHIFTED_CHARS if modifiers & _SHIFT else _CHARS
        char = chars.get(usage)
        # With these held, a key types no character of its own (Alt and digits give a character number).
        with_others = "".join(
            name for name, bits in (("CTRL+", _CTRL), ("ALT+", _ALT), ("GUI+", _GUI)) if modifiers & bits
        )
        if self._rule.each_key:
            self._text = with_others + ("SPACE" if char == " " else char or key_name(usage))
            return self._end_scan(t_s)
        if usage in _ENDS and not with_others:
            return self._end_scan(t_s)
        if char is None or with_others:
            char = f"<{with_others}{char or key_name(usage)}>"
        if len(self._text) <= self._rule.max_chars:
            self._text += char
        return []

    def _end_scan(self, t_s: float) -> list[Outcome]:
        text, stale = self._text, self._stale
        self._text, self._stale = "", False
        if not text:
            return []
        raw = text.encode("ascii")
        if stale:
            return [Damaged(Damage.STALE, "it began right after the port was opened and may be old", raw)]
        if len(text) > self._rule.max_chars:
            detail = f"more than {self._rule.max_chars} characters without an end"
            return [Damaged(Damage.TOO_LONG, detail, raw)]
        head = self._head if t_s - self._head_end_s <= self._head_s else ""
        self._head = ""
        outcomes = self._lines.decode(Piece(raw, t_s, ended=True, head=head.encode("ascii")))
        if not self._reads_tags:
            return outcomes
        # Somebody scanned: that a part of it was lost on the way must be heard.
        refusal = TagRefused(f"{text!r} is no whole tag code", raw)
        return [refusal if isinstance(outcome, NotMine) else outcome for outcome in outcomes]

    def _drop(self, why: str) -> list[Outcome]:
        raw = self._text.encode("ascii")
        self._text, self._stale, self._broken_off = "", False, False
        return [Damaged(Damage.FRAGMENT, why, raw)]


def _no_keyboard(descriptor: bytes, raw: bytes) -> list[Outcome]:
    """A fault if the instrument says of itself that it has no keys; its boot reports need no descriptor."""
    try:
        if PAGE in parse_report_descriptor(descriptor).pages:
            return []
    except DescriptorError:
        return []
    detail = "its report descriptor tells of no keys (usage page 0x07): another instrument on this port?"
    return [Damaged(Damage.FORM, detail, raw)]
