"""A two-person line at work: one measures, another weighs, a few fish lie between, and things go wrong.

The same for a seed. The mistakes are those that shift the order of the line, or seem to.
"""

from collections.abc import Mapping
from dataclasses import dataclass, fields
from math import exp, log, sqrt
from random import Random

from simulators.crew import BASS, SD_LENGTH_MM, SD_WEIGHT_SHARE, Stock, card_tags
from simulators.day import Day
from simulators.hands import Hands, Said
from simulators.truth import TrueFish, WorkedDay
from simulators.voices import BoardVoice, ScaleVoice, TagVoice, Voice

MOST_BETWEEN = 4  # fish that fit on the table; then the measurer waits
COMMANDS = ("untagged", "again", "no-weight", "shift", "keep")


@dataclass(frozen=True, slots=True)
class LineMistakes:
    """How often each thing goes wrong, as a share of fish."""

    skipped_weighing: float = 0.01  # the weigher hands the fish on without weighing it
    weighed_twice: float = 0.01  # the fish slips off the pan and is put on again
    jumped: float = 0.005  # from the table between the two people into the water
    swapped: float = 0.005  # two neighbours come to the scale in the wrong order
    measured_again: float = 0.01  # after the card `again`
    measured_again_unsaid: float = 0.003  # without the card: the station takes it for another fish


NO_MISTAKES = LineMistakes(**{one.name: 0.0 for one in fields(LineMistakes)})


@dataclass(frozen=True, slots=True)
class LineCrew:
    """The crew's habits and its fish.

    Lengths are lognormal about `middle_mm` with the coefficient of variation `length_cv`; a share `untagged` of
    the fish gets no tag, all others carry a new one, read before the length.
    """

    stock: Stock = BASS
    middle_mm: float = 300.0
    length_cv: float = 0.2
    untagged: float = 0.1
    mistakes: LineMistakes = LineMistakes()


def instruments() -> Mapping[str, Voice]:
    """A reader, a board, and a scale that prints once for each load, in the shapes of the shipped files."""
    scale = ScaleVoice(stable="+ {g:7.1f} g\r\n", lines_per_s=0)
    return {"reader": TagVoice(), "board": BoardVoice(), "scale": scale}


def work_line(crew: LineCrew, seed: int, fish: int) -> WorkedDay:
    """A day of this crew with so many fish. Nobody reacts to what the station says: that is for the listener."""
    return _Line(crew, Random(f"line {seed}"), fish).work(seed)


@dataclass(slots=True)
class _Fish:
    number: int
    tag: str | None
    length_mm: float
    weight_g: float
    mistakes: set[str]
    said: list[Said]
    from_s: float = 0.0
    passed_s: float = 0.0
    to_s: float = 0.0


class _Line:
    def __init__(self, crew: LineCrew, rng: Random, count: int) -> None:
        self.crew, self.rng = crew, rng
        self.cards = card_tags(COMMANDS)
        self.inventory = [f"9990000010{number:05d}" for number in range(count)]
        self.measurer = Hands(rng, self.cards, pace=1.2)
        self.weigher = Hands(rng, self.cards, most_water_g=0.0)
        self.catch = [self._caught(number) for number in range(count)]

    def work(self, seed: int) -> WorkedDay:
        waiting: list[_Fish] = []
        done_s: list[float] = []  # when each place on the table became free
        for fish in self.catch:
            if len(done_s) >= MOST_BETWEEN:
                self.measurer.t_s = max(self.measurer.t_s, done_s[-MOST_BETWEEN])
            self._measure(fish)
            waiting.append(fish)
            if "swapped" in fish.mistakes and fish is not self.catch[-1]:
                continue  # the next fish overtakes it
            for one in reversed(waiting):
                self._weigh(one)
                done_s.append(one.to_s)
            waiting.clear()
        instruments_here = instruments()
        days = [hands.day(instruments_here, seed) for hands in (self.measurer, self.weigher)]
        acts = sorted((act for day in days for act in day.acts), key=lambda act: act.t_s)
        day = Day(instruments_here, tuple(acts), max(one.duration_s for one in days), seed)
        return WorkedDay(day, tuple(map(self._truth, self.catch)), tuple(self.inventory), (), self.cards)

    def _caught(self, number: int) -> _Fish:
        crew, rng = self.crew, self.rng
        spread = sqrt(log(1 + crew.length_cv**2))
        length_mm = crew.middle_mm * exp(rng.gauss(0, spread))
        chances = [(one.name, getattr(crew.mistakes, one.name)) for one in fields(LineMistakes)]
        mistakes = {name for name, share in chances if rng.random() < share}
        if "jumped" in mistakes or "skipped_weighing" in mistakes:
            mistakes -= {"weighed_twice", "swapped"}
        tag = None if rng.random() < crew.untagged else self.inventory[number]
        return _Fish(number, tag, length_mm, crew.stock.weight_g(length_mm, rng), mistakes, [])

    def _measure(self, fish: _Fish) -> None:
        hands, mistakes = self.measurer, fish.mistakes
        fish.from_s = hands.t_s
        if fish.tag is None:
            hands.card("untagged")
        else:
            hands.scan(fish.tag)
            fish.said.append(hands.said[-1])
        self._touch(fish)
        if "measured_again" in mistakes:
            hands.card("again")
            self._touch(fish)
        if "measured_again_unsaid" in mistakes:
            self._touch(fish)
        fish.passed_s = fish.to_s = hands.t_s

    def _touch(self, fish: _Fish) -> None:
        self.measurer.measure(self.rng.gauss(fish.length_mm, SD_LENGTH_MM))
        fish.said.append(self.measurer.said[-1])

    def _weigh(self, fish: _Fish) -> None:
        hands = self.weigher
        if fish.mistakes & {"skipped_weighing", "jumped"}:
            return
        hands.t_s = max(hands.t_s, fish.passed_s)
        for _ in range(2 if "weighed_twice" in fish.mistakes else 1):
            hands.wait(0.5, 1.5)
            hands.weigh(fish.weight_g * self.rng.gauss(1, SD_WEIGHT_SHARE))
            fish.said.append(hands.said[-1])
        fish.to_s = hands.t_s

    def _truth(self, fish: _Fish) -> TrueFish:
        return TrueFish(
            fish.number,
            self.crew.stock.species,
            fish.tag,
            "none" if fish.tag is None else "new",
            fish.length_mm,
            fish.weight_g,
            "escaped" if "jumped" in fish.mistakes else "released",
            fish.from_s,
            fish.to_s,
            tuple(sorted(fish.said, key=lambda said: said.t_s)),
            tuple(sorted(fish.mistakes)),
        )
