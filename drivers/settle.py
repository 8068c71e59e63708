"""From the lines of a scale to one weight for each load.

A fish wriggles, a wet pan never reads zero, a basket is lifted off, the same weight comes twice in a row.
So a weight is given once per load: the pan came to rest at a level above the empty one. The next load needs
the pan to have come to rest empty in between. A level that changes at rest without that (one fish swapped
for another in one movement, a second fish laid on top, a hand that had carried half of the fish) is
nobody's weight for certain: it counts as a load of its own and gives `Trouble.NOT_EMPTIED`, a question now
instead of a mix-up that nobody sees.

Some scales send only what has come to rest, one line a weighing and silence between. Nobody can see their
pan emptied, so a line after a silence of `SILENT_S` begins a load of its own, unless the load before had
been streamed and the level is still the same (a connection that stalled).
"""

from collections.abc import Mapping
from enum import StrEnum

from drivers.declaration import SettleRule
from drivers.framing import Scalar
from drivers.outcomes import Outcome, PanEmpty, ScaleTrouble, Trouble, WeightSeen, WeightSettled

# A level at rest is still the same load within this many divisions or this share of it: dripping, drift.
_SAME_DIVISIONS = 5
_SAME_SHARE = 0.03
SILENT_S = 2.0  # a scale that streams sends 3 to 20 lines a second (common practice)


class _Pan(StrEnum):
    UNKNOWN = "unknown"  # nothing seen at rest yet
    EMPTY = "empty"
    OFF = "off"  # rested below the empty band, or underload: a container is off
    RISING = "rising"  # above the empty level, not at rest yet
    LOADED = "loaded"  # came to rest above the empty level


class Settler:
    """Follows one scale. Pure: every call takes its time; equal calls give equal outcomes."""

    def __init__(self, rule: SettleRule) -> None:
        self._rule = rule
        self._pan = _Pan.UNKNOWN
        self._load = 0
        self._empty_g: float | None = None
        self._level_g = 0.0  # where the load at hand came to rest
        self._rose_s: float | None = None
        self._unclear = False  # the load at hand may not be alone on the pan, or not on a tared pan
        self._trouble_said = False
        self._emptied_load = 0  # the last load after which the pan was seen empty
        self._raw = b""
        self._run_start_s: float | None = None
        self._run_low_g = 0.0
        self._run_high_g = 0.0
        self._run_lines = 0
        self._last_s: float | None = None
        self._last_g: float | None = None
        self._streamed = False  # the load at hand was seen in more than one line without a silence
        self._silent_before = False  # the line at hand came after a silence

    def weight(self, seen: WeightSeen, t_s: float) -> list[Outcome]:
        """Take one line with a weight."""
        if self._rule.mode == "each":
            return self._one_weighing(seen, t_s)
        outcomes = self.tick(t_s)
        self._raw = seen.raw
        silent = self._last_s is not None and t_s - self._last_s >= SILENT_S
        self._last_s = t_s
        if silent:
            self._silent_before = True
            self._run_start_s = None
        if self._at_rest(seen, t_s):
            outcomes += self._rest(seen)
        elif self._pan in (_Pan.UNKNOWN, _Pan.EMPTY, _Pan.OFF) and self._is_load(seen.weight_g):
            self._rise(t_s)
        return outcomes

    def trouble(self, said: ScaleTrouble, t_s: float) -> list[Outcome]:
        """Take one line with a word instead of a weight: reported once for each load."""
        outcomes = self.tick(t_s)
        self._raw = said.raw
        self._run_start_s = None
        if self._rule.mode == "each":
            self._load += 1
            return [ScaleTrouble(said.trouble, self._load, said.raw)]
        if said.trouble is Trouble.OVERLOAD and self._pan in (_Pan.UNKNOWN, _Pan.EMPTY, _Pan.OFF):
            self._rise(t_s)
        if said.trouble is Trouble.UNDERLOAD and self._pan is not _Pan.OFF:
            self._pan = _Pan.OFF
            self._rose_s = None
        return outcomes + self._say(said.trouble)

    def tick(self, t_s: float) -> list[Outcome]:
        """Say that a load will not come to rest, once it is time."""
        deadline_s = self.next_deadline_s()
        if deadline_s is None or t_s < deadline_s:
            return []
        self._rose_s = None
        return self._say(Trouble.UNSETTLED)

    def interrupted(self) -> None:
        """The connection was lost or opened anew: lines before and after are no common evidence of rest."""
        self._run_start_s = None

    def next_deadline_s(self) -> float | None:
        return None if self._rose_s is None else self._rose_s + self._rule.unsettled_s

    def state(self) -> dict[str, Scalar]:
        """Everything that a restart must know, as JSON values."""
        return {
            "pan": self._pan.value,
            "load": self._load,
            "empty_g": self._empty_g,
            "level_g": self._level_g,
            "rose_s": self._rose_s,
            "unclear": self._unclear,
            "trouble_said": self._trouble_said,
            "emptied_load": self._emptied_load,
            "raw": self._raw.decode("latin-1"),
            "run_start_s": self._run_start_s,
            "run_low_g": self._run_low_g,
            "run_high_g": self._run_high_g,
            "run_lines": self._run_lines,
            "last_s": self._last_s,
            "last_g": self._last_g,
            "streamed": self._streamed,
            "silent_before": self._silent_before,
        }

    def restore(self, state: Mapping[str, Scalar]) -> None:
        self._pan = _Pan(str(state["pan"]))
        self._load = int(state["load"] or 0)
        self._empty_g = _float(state["empty_g"])
        self._level_g = float(state["level_g"] or 0.0)
        self._rose_s = _float(state["rose_s"])
        self._unclear = bool(state["unclear"])
        self._trouble_said = bool(state["trouble_said"])
        self._emptied_load = int(state["emptied_load"] or 0)
        self._raw = str(state["raw"]).encode("latin-1")
        self._run_start_s = _float(state["run_start_s"])
        self._run_low_g = float(state["run_low_g"] or 0.0)
        self._run_high_g = float(state["run_high_g"] or 0.0)
        self._run_lines = int(state["run_lines"] or 0)
        self._last_s = _float(state["last_s"])
        self._last_g = _float(state["last_g"])
        self._streamed = bool(state["streamed"])
        self._silent_before = bool(state["silent_before"])

    def _is_load(self, weight_g: float) -> bool:
        limit_g = max(self._rule.threshold_g, self._rule.empty_band_g)
        if self._empty_g is None or self._pan in (_Pan.UNKNOWN, _Pan.OFF) or self._unclear:
            # Without an empty pan to compare with, a wet one must not pass for a fish.
            return weight_g > limit_g
        return weight_g > min(self._over_empty_g(), limit_g)

    def _over_empty_g(self) -> float:
        # From zero if the empty level is negative: a negative weight is never a fish.
        return max(self._empty_g or 0.0, 0.0) + self._rule.threshold_g

    def _at_rest(self, seen: WeightSeen, t_s: float) -> bool:
        """The scale's own word if it has one; else lines over a window that differ by little."""
        if seen.stable is not None:
            self._run_start_s = None
            return seen.stable
        low_g, high_g = min(self._run_low_g, seen.weight_g), max(self._run_high_g, seen.weight_g)
        # Half a division more, for the rounding of the conversion.
        if (
            self._run_start_s is None
            or high_g - low_g > (self._rule.spread_divisions + 0.5) * seen.division_g
        ):
            self._run_start_s, self._run_lines = t_s, 1
            self._run_low_g = self._run_high_g = seen.weight_g
            return False
        self._run_low_g, self._run_high_g = low_g, high_g
        self._run_lines += 1
        return self._run_lines >= self._rule.window_lines and t_s - self._run_start_s >= self._rule.window_s

    def _rest(self, seen: WeightSeen) -> list[Outcome]:
        weight_g = seen.weight_g
        after_silence, self._silent_before = self._silent_before, False
        if weight_g < -self._rule.empty_band_g:
            self._pan, self._rose_s = _Pan.OFF, None
            return []
        if self._is_empty(weight_g):
            return self._emptied(weight_g, seen.raw)
        if self._pan is _Pan.LOADED:
            same = abs(weight_g - self._level_g) <= _same_g(self._level_g, seen.division_g)
            if same and (self._streamed or not after_silence):
                self._streamed = True
                return []
            self._next_load(unclear=not after_silence)
        elif self._pan is not _Pan.RISING:
            self._next_load(unclear=self._pan is _Pan.OFF)
        if self._empty_g is not None and weight_g <= self._over_empty_g():
            self._unclear = True  # the empty level crept out of its band: water in the pan, not a fish
        self._pan, self._rose_s, self._level_g = _Pan.LOADED, None, weight_g
        if self._unclear:
            return self._say(Trouble.NOT_EMPTIED)
        return [
            WeightSettled(
                weight_g, seen.unit, self._load, seen.raw, seen.division_g, empty_before_g=self._empty_g
            )
        ]

    def _is_empty(self, weight_g: float) -> bool:
        if self._pan is _Pan.LOADED:
            empty_g = self._empty_g or 0.0
            return weight_g <= self._rule.empty_band_g and weight_g - empty_g < (self._level_g - empty_g) / 2
        return not self._is_load(weight_g)

    def _emptied(self, weight_g: float, raw: bytes) -> list[Outcome]:
        self._pan, self._rose_s = _Pan.EMPTY, None
        self._empty_g = weight_g
        self._trouble_said = self._unclear = False
        if self._emptied_load == self._load:
            return []
        self._emptied_load = self._load
        return [PanEmpty(weight_g, self._load, raw)]

    def _rise(self, t_s: float) -> None:
        self._next_load(unclear=self._pan is _Pan.OFF)
        self._pan, self._rose_s = _Pan.RISING, t_s

    def _next_load(self, *, unclear: bool) -> None:
        self._load += 1
        self._unclear = unclear
        self._trouble_said = self._streamed = False

    def _say(self, trouble: Trouble) -> list[Outcome]:
        if self._trouble_said:
            return []
        self._trouble_said = True
        return [ScaleTrouble(trouble, self._load, self._raw)]

    def _one_weighing(self, seen: WeightSeen, t_s: float) -> list[Outcome]:
        again = self._last_s is not None and t_s - self._last_s <= self._rule.repeat_s
        again = again and self._last_g == seen.weight_g
        self._last_s, self._last_g = t_s, seen.weight_g
        if again or seen.weight_g < -self._rule.threshold_g:
            return []
        if seen.weight_g <= self._rule.threshold_g:
            self._empty_g = seen.weight_g
            return [PanEmpty(seen.weight_g, self._load, seen.raw)]
        self._load += 1
        if seen.stable is False:
            return [ScaleTrouble(Trouble.UNSETTLED, self._load, seen.raw)]
        return [
            WeightSettled(
                seen.weight_g, seen.unit, self._load, seen.raw, seen.division_g, empty_before_g=self._empty_g
            )
        ]


def _same_g(level_g: float, division_g: float) -> float:
    return max(_SAME_DIVISIONS * division_g, _SAME_SHARE * level_g)


def _float(value: Scalar) -> float | None:
    return None if value is None else float(value)
