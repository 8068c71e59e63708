"""Random crews at work: fish of known length and weight, people who make mistakes. The same for a seed."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields
from math import log10
from random import Random
from typing import Literal

from simulators.hands import Hands
from simulators.truth import Earlier, TagKind, TrueFish, WorkedDay
from simulators.voices import BoardVoice, ScaleVoice, TagVoice, Voice

SD_LOG10_WEIGHT = 0.05  # within one water 0.03 to 0.06 (computed from open data of bass, perch and walleye)
SD_LENGTH_MM = 1.5  # two careful measures of one fish (common practice)
SD_WEIGHT_SHARE = 0.004  # drops of water (common practice)

COMMANDS = ("untagged", "next", "void", "again", "keep", "both", "resume", "no-weight", "fate escaped")


@dataclass(frozen=True, slots=True)
class Stock:
    """The fish of one species in a water.

    log10(weight in g) = log10_a + b log10(length in mm) + log10(wr / 100), with an SD of `SD_LOG10_WEIGHT`.
    Lengths lie from `shortest_mm` to `longest_mm`; fish from `tag_from_mm` on carry or get a tag. `share`
    weighs the species against the others.
    """

    species: str
    log10_a: float
    b: float
    shortest_mm: float
    longest_mm: float
    share: float = 1.0
    tag_from_mm: float = 0.0
    wr: float = 93.0
    fate: str = "released"

    def weight_g(self, length_mm: float, rng: Random) -> float:
        line = self.log10_a + self.b * log10(length_mm) + log10(self.wr / 100)
        return float(10 ** rng.gauss(line, SD_LOG10_WEIGHT))


# Standard weights: largemouth bass Henson (1991), bluegill Hillman (1982), black crappie Neumann and Murphy
# (1991); a test compares them with config/species.
BASS = Stock("largemouth_bass", -5.528, 3.273, 180, 480, share=5, tag_from_mm=200)
BLUEGILL = Stock("bluegill", -5.374, 3.316, 100, 220, share=3, tag_from_mm=150)
CRAPPIE = Stock("black_crappie", -5.618, 3.345, 130, 320, share=2, tag_from_mm=200)


@dataclass(frozen=True, slots=True)
class Mistakes:
    """How often each thing goes wrong, as a share of fish."""

    missed_scan: float = 0.03
    missed_weighing: float = 0.02
    skipped_length: float = 0.01
    escape: float = 0.01
    double_press: float = 0.03
    foreign_tag: float = 0.02  # the tag of a fish in the bucket answers beside the fish's own
    measured_again: float = 0.03  # within 3 s
    measured_late: float = 0.01  # after 15 s
    slip: float = 0.005  # the scale shows a tenth; the crew weighs again
    wet_hands: float = 0.02  # a hand touches the board before or after the fish does
    restart: float = 0.005
    pause: float = 0.005  # more than 120 s


@dataclass(frozen=True, slots=True)
class Crew:
    """A crew's habits.

    tags: whether the tag is read before or after the measures, or either. Even where tags come first, a share
    `inserted_last` of the new tags is read when it was inserted, after the measures.
    cards: whether the crew uses command tags. Without them nobody tells the station the species.
    repeats: most lines that the reader gives for one tag held to it.
    """

    tags: Literal["first", "last", "any"] = "first"
    cards: bool = True
    inserted_last: float = 0.2
    repeats: int = 6
    recaptured: float = 0.3
    untagged: float = 0.1
    foreign: float = 0.02
    mistakes: Mistakes = Mistakes()
    stocks: tuple[Stock, ...] = (BASS,)


def instruments() -> Mapping[str, Voice]:
    """The three instruments of a bench, in the shapes of the shipped files."""
    return {"reader": TagVoice(), "board": BoardVoice(), "scale": ScaleVoice()}


def card_tags(commands: Sequence[str]) -> dict[str, str]:
    """A command tag (test code 999 of ISO 11784) for each command."""
    return {command: f"999000000000{101 + number:03d}" for number, command in enumerate(commands)}


def work(crew: Crew, seed: int, fish: int, water: str = "Reedmace Pond") -> WorkedDay:
    """A day of this crew with so many fish. The first species of `stocks` counts as selected at the start."""
    return _Shift(crew, Random(f"crew {seed}"), fish, water).work(seed)


@dataclass(slots=True)
class _Fish:
    stock: Stock
    tag: str | None
    kind: TagKind
    length_mm: float
    weight_g: float


class _Shift:
    def __init__(self, crew: Crew, rng: Random, count: int, water: str) -> None:
        self.crew, self.rng, self.water = crew, rng, water
        species = [f"species {stock.species}" for stock in crew.stocks]
        self.cards = card_tags([*COMMANDS, *species])
        self.hands = Hands(rng, self.cards)
        self.inventory = rng.sample(
            [f"9990000010{number:05d}" for number in range(4 * count + 10)], count + 10
        )
        self.history: list[Earlier] = []
        self.catch = [self._caught(number) for number in range(count)]
        self.selected = crew.stocks[0].species

    def work(self, seed: int) -> WorkedDay:
        fish = tuple(self._work_up(number, one) for number, one in enumerate(self.catch))
        day = self.hands.day(instruments(), seed)
        return WorkedDay(day, fish, tuple(self.inventory), tuple(self.history), self.cards)

    def _caught(self, number: int) -> _Fish:
        rng, crew = self.rng, self.crew
        stock = rng.choices(crew.stocks, [one.share for one in crew.stocks])[0]
        length_mm = stock.shortest_mm + (stock.longest_mm - stock.shortest_mm) * rng.betavariate(1.5, 2.5)
        weight_g = stock.weight_g(length_mm, rng)
        drawn = rng.random()
        if length_mm < stock.tag_from_mm or drawn < crew.untagged:
            return _Fish(stock, None, "none", length_mm, weight_g)
        if drawn < crew.untagged + crew.recaptured:
            tag = f"9990000005{number:05d}"
            then_mm = length_mm * rng.uniform(0.8, 0.99)
            self.history.append(
                Earlier(
                    tag,
                    "2025-05-13",
                    self.water,
                    stock.species,
                    float(round(then_mm)),
                    round(stock.weight_g(then_mm, rng), 1),
                )
            )
            return _Fish(stock, tag, "recapture", length_mm, weight_g)
        if drawn < crew.untagged + crew.recaptured + crew.foreign:
            return _Fish(stock, f"9990000090{number:05d}", "foreign", length_mm, weight_g)
        return _Fish(stock, self.inventory[number], "new", length_mm, weight_g)

    def _work_up(self, number: int, fish: _Fish) -> TrueFish:
        hands, crew = self.hands, self.crew
        mistakes = {
            one.name for one in fields(Mistakes) if self.rng.random() < getattr(crew.mistakes, one.name)
        }
        from_s = hands.t_s
        if crew.cards and fish.kind != "recapture" and fish.stock.species != self.selected:
            hands.card(f"species {fish.stock.species}")
            self.selected = fish.stock.species
        own: list[int] = []  # places in hands.said that speak of this fish
        steps = self._steps(fish)
        stop_at = self.rng.randrange(len(steps)) if mistakes & {"restart", "pause"} else None
        fate = fish.stock.fate
        for place, step in enumerate(steps):
            if place == stop_at and "restart" in mistakes:
                hands.restart()
            if place == stop_at and "pause" in mistakes:
                hands.wait(125, 200)
            own += step(number, fish, mistakes)
            if step == self._tag and fish.tag is not None and "escape" in mistakes:
                fate = "escaped"
                if crew.cards:
                    hands.card("fate escaped")
                break
        else:
            mistakes.discard("escape")
        if "wet_hands" in mistakes and self.rng.random() < 0.3:
            hands.measure(self.rng.uniform(40, 500), after_s=self.rng.uniform(0.5, 3))
        hands.wait(1, 3)
        said = tuple(hands.said[index] for index in own)
        return TrueFish(
            number,
            fish.stock.species,
            fish.tag,
            fish.kind,
            fish.length_mm,
            fish.weight_g,
            fate,
            from_s,
            hands.t_s,
            said,
            tuple(sorted(mistakes)),
        )

    def _steps(self, fish: _Fish) -> list[Callable[[int, _Fish, set[str]], list[int]]]:
        measures = [self._length, self._weight]
        if self.rng.random() < 0.15:
            measures.reverse()
        if self.crew.tags == "any":
            steps: list[Callable[[int, _Fish, set[str]], list[int]]] = [self._tag, *measures]
            self.rng.shuffle(steps)
            return steps
        late = fish.kind == "new" and self.rng.random() < self.crew.inserted_last
        return [*measures, self._tag] if self.crew.tags == "last" or late else [self._tag, *measures]

    def _tag(self, number: int, fish: _Fish, mistakes: set[str]) -> list[int]:
        hands = self.hands
        if fish.tag is None:
            if self.crew.cards:
                hands.card("untagged")
            return []
        if "missed_scan" in mistakes:
            mistakes -= {"foreign_tag"}
            hands.wait(1, 2)
            return []
        others = [
            one.tag for one in self.catch[max(0, number - 3) : number + 4] if one.tag and one is not fish
        ]
        own = [len(hands.said)]
        repeats = self.rng.randint(1, self.crew.repeats)
        if "foreign_tag" in mistakes and others:
            other = self.rng.choice(others)
            if self.rng.random() < 0.5:
                hands.scan(fish.tag, repeats=max(4, repeats), other=other)
            else:
                hands.scan(fish.tag, repeats=repeats)
                hands.scan(other)
            hands.wait(3.5)
            for _ in range(2):  # the antenna is clear now
                own.append(len(hands.said))
                hands.scan(fish.tag)
            return own
        mistakes.discard("foreign_tag")
        hands.scan(fish.tag, repeats=repeats)
        return own

    def _length(self, number: int, fish: _Fish, mistakes: set[str]) -> list[int]:
        hands, rng = self.hands, self.rng
        if "skipped_length" in mistakes:
            mistakes -= {"double_press", "measured_again", "measured_late", "wet_hands"}
            if self.crew.cards:
                hands.card("next")
            return []
        if "wet_hands" in mistakes:
            hands.measure(rng.uniform(40, 500))
        own = [len(hands.said)]
        hands.measure(
            self._read_mm(fish),
            repeats=2 if "double_press" in mistakes else 1,
            after_s=rng.uniform(0.4, 1.5) if "wet_hands" in mistakes else None,
        )
        for mistake, after_s in (
            ("measured_again", rng.uniform(1, 3)),
            ("measured_late", rng.uniform(15, 20)),
        ):
            if mistake in mistakes:
                own.append(len(hands.said))
                if mistake == "measured_late" and self.crew.cards:
                    hands.card("again")
                hands.measure(self._read_mm(fish), after_s=after_s)
        return own

    def _weight(self, number: int, fish: _Fish, mistakes: set[str]) -> list[int]:
        hands = self.hands
        if "missed_weighing" in mistakes:
            mistakes.discard("slip")
            if self.crew.cards and self.rng.random() < 0.5:
                hands.card("no-weight")
            return []
        own = [len(hands.said)]
        if fish.weight_g < 100:  # a tenth of it would be lost among the drops on the pan
            mistakes.discard("slip")
        if "slip" in mistakes:
            hands.weigh(self._read_g(fish) / 10)
            hands.wait(2, 4)
            own.append(len(hands.said))
        hands.weigh(self._read_g(fish))
        return own

    def _read_mm(self, fish: _Fish) -> float:
        return self.rng.gauss(fish.length_mm, SD_LENGTH_MM)

    def _read_g(self, fish: _Fish) -> float:
        return fish.weight_g * self.rng.gauss(1, SD_WEIGHT_SHARE)
