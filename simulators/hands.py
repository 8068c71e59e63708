"""The hands of one technician: acts in order of time, at the pace of a person."""

from collections.abc import Mapping
from dataclasses import dataclass
from random import Random
from typing import Literal

from simulators.day import Act, Day, Deed
from simulators.scale_stream import RAMP_S
from simulators.voices import Voice


@dataclass(frozen=True, slots=True)
class Said:
    """What an instrument says because of an act: `kind` and the tag code, or the mm or g that it shows."""

    t_s: float
    kind: Literal["tag", "length", "weight"]
    tag: str = ""
    value: float = 0.0


class Hands:
    """Builds a day act by act. `t_s` is the time now; each method moves it on as long as a person needs.

    `most_water_g` is the most that lies on the wet pan. `said` collects the values that the instruments will
    give, in the order of the acts.
    """

    def __init__(
        self,
        rng: Random,
        cards: Mapping[str, str],
        *,
        reader: str = "reader",
        board: str = "board",
        scale: str = "scale",
        start_s: float = 5.0,
        pace: float = 1.0,
        most_water_g: float = 6.0,
    ) -> None:
        self.rng = rng
        self.t_s = start_s
        self.said: list[Said] = []
        self._cards = cards
        self._reader, self._board, self._scale = reader, board, scale
        self._pace = pace
        self._most_water_g = most_water_g
        self._empty_g = 0.0
        self._acts: list[Act] = []

    def wait(self, least_s: float, most_s: float | None = None) -> None:
        self.t_s += self.rng.uniform(least_s, least_s if most_s is None else most_s)

    def scan(self, tag: str, *, repeats: int = 1, other: str = "") -> None:
        """Hold a fish to the reader, 1 to 3 s; with `other` a second tag in the field answers in turns."""
        self.wait(1 * self._pace, 3 * self._pace)
        self._acts.append(Act(self.t_s, Deed.SCAN, self._reader, text=tag, other=other, repeats=repeats))
        self.said.append(Said(self.t_s, "tag", tag=tag))

    def card(self, command: str) -> None:
        """Hold the card with this command to the reader.

        Raises:
            KeyError: there is no such card.
        """
        self.wait(1.0, 2.0)
        self._acts.append(Act(self.t_s, Deed.SCAN, self._reader, text=self._cards[command], repeats=2))

    def measure(self, length_mm: float, *, repeats: int = 1, after_s: float | None = None) -> None:
        """Lay a fish on the board and touch, 3 to 6 s, or `after_s` if it lies there already."""
        if after_s is None:
            self.wait(3 * self._pace, 6 * self._pace)
        else:
            self.wait(after_s)
        shown_mm = float(round(length_mm))
        self._acts.append(Act(self.t_s, Deed.MEASURE, self._board, shown_mm, repeats=repeats, every_s=0.25))
        self.said.append(Said(self.t_s, "length", value=shown_mm))

    def key(self, zone: str) -> None:
        self.wait(1.0, 2.0)
        self._acts.append(Act(self.t_s, Deed.KEY, self._board, text=zone))

    def weigh(self, weight_g: float) -> None:
        """Put a fish on the pan, wait until it lies still, take it off: 4 to 8 s; the pan stays wet."""
        self.wait(0.6, 1.2)
        wriggle_s = self.rng.uniform(0.4, 1.6)
        on = Act(self.t_s, Deed.PUT_ON, self._scale, round(weight_g, 1), wriggle_s=wriggle_s)
        self.said.append(Said(self.t_s, "weight", value=round(self._empty_g + on.value, 1)))
        self.wait(RAMP_S + wriggle_s + 1.5, max(RAMP_S + wriggle_s + 2.0, 6.5 * self._pace))
        more_g = self.rng.uniform(-0.2, 0.25) * self._most_water_g
        self._empty_g = round(min(self._most_water_g, max(0.0, self._empty_g + more_g)), 1)
        self._acts += [on, Act(self.t_s, Deed.TAKE_OFF, self._scale, self._empty_g)]

    def noise(self, instrument: str, data: bytes) -> None:
        self._acts.append(Act(self.t_s, Deed.NOISE, instrument, text=data.decode("latin-1")))

    def unplug(self, instrument: str, for_s: float) -> None:
        """Pull a plug and put it back after `for_s`."""
        self._acts.append(Act(self.t_s, Deed.UNPLUG, instrument))
        self.wait(for_s)
        self._acts.append(Act(self.t_s, Deed.REPLUG, instrument))

    def restart(self) -> None:
        self._acts.append(Act(self.t_s, Deed.RESTART))
        self.wait(2.0)

    def day(self, instruments: Mapping[str, Voice], seed: int, rest_s: float = 10.0) -> Day:
        """The day so far, with `rest_s` of quiet at its end."""
        acts = tuple(sorted(self._acts, key=lambda act: act.t_s))
        return Day(instruments, acts, round(self.t_s + rest_s, 3), seed)
