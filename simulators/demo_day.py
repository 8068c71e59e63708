"""The day of the demo: an invented survey of an invented pond, by an invented crew, with what goes wrong on such days.

Everything is made up: pond, fish, tags, dates. The same for every run, so that the demo can say what will come.
"""

import csv
import io
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from pathlib import Path
from random import Random

from ingest.assemble.settings import BenchRules
from simulators.crew import (
    BASS,
    BLUEGILL,
    CRAPPIE,
    SD_LENGTH_MM,
    SD_WEIGHT_SHARE,
    Stock,
    card_tags,
    instruments,
)
from simulators.day import day_to_json
from simulators.demo_years import POND, chance_to_live, last_captures, length_on_the_day_mm, write_years
from simulators.hands import Hands
from simulators.truth import Earlier, TagKind, TrueFish, WorkedDay

SURVEY = "Invented spring survey"
YEARS_FILE = "earlier-years.sqlite"
SPEED = 40.0
KEYS = {"01": "note scale sample taken"}
SEED = 1

# Least lengths for a tag as in config/protocol/pond_survey.toml.
_BASS = replace(BASS, shortest_mm=150, longest_mm=470, tag_from_mm=200)
_BLUEGILL = replace(BLUEGILL, tag_from_mm=130)
_CRAPPIE = replace(CRAPPIE, tag_from_mm=0)
_CARP = Stock("common_carp", -4.639, 2.92, 430, 640, wr=100, fate="removed")  # Bister et al. (2000)
# Runs that were fished before the fish of this part of the catch were worked up: what the crew says at their start and
# end. The temperature of the last one is read again at its end.
_RUNS = {
    place: (f"run start area={area}, gear=boat electrofishing, {start}", f"run end {end}")
    for place, area, start, end in (
        (0, "north shore", "temperature=15.8, conductivity=242", "seconds=640"),
        (2, "dam", "temperature=16.1, conductivity=243", "seconds=615"),
        (4, "east shore", "temperature=16.3, conductivity=245", "seconds=655, temperature=16.4"),
    )
}
_COMMANDS = (
    "fate escaped",
    *(f"species {one.species}" for one in (_BASS, _BLUEGILL, _CRAPPIE, _CARP)),
    *(command for run in _RUNS.values() for command in run),
)

# In which order the net is emptied: species, how many fish, how many of them carry a tag from an earlier year.
_CATCH = (
    (_BASS, 14, 5),
    (_BLUEGILL, 10, 3),
    (_CARP, 4, 0),
    (_BASS, 14, 5),
    (_CRAPPIE, 7, 0),
    (_BLUEGILL, 10, 2),
    (_CARP, 5, 0),
)

# Which fish of the day something happens to.
_REPEATS, _NOISE, _ESCAPE, _KEY, _SLIP, _UNPLUG = 2, 8, 12, 31, 35, 52
_LEAST_S = {
    "command_absent_s": 0.25
}  # a busy computer may keep the player so long between two reads of one card


@dataclass(frozen=True, slots=True)
class Happening:
    """Something that the demo shows, at `t_s` seconds of the day, to fish number `fish`: one plain sentence."""

    t_s: float
    fish: int
    name: str
    sentence: str


@dataclass(frozen=True, slots=True)
class DemoDay:
    worked: WorkedDay
    happenings: tuple[Happening, ...]


def demo_day(earlier: Sequence[Earlier]) -> DemoDay:
    """The day, the truth about it, and what it shows; some of the fish `earlier` are caught again."""
    return _Survey(earlier).work()


def inventory_csv(worked: WorkedDay) -> str:
    """The tags that the crew brought along and that were in no fish before the day."""
    rows = [(tag, f"box {1 + number // 25}", "invented") for number, tag in enumerate(worked.inventory)]
    return _csv(("tag", "box", "lot"), rows)


def station_toml(
    worked: WorkedDay, ports: Mapping[str, str], speed: float = SPEED, sounds: bool = False
) -> str:
    """A STATION.toml for the demo. `ports` gives the address of each instrument; the day runs `speed` times faster."""
    rules = BenchRules()
    times = [
        f"{one.name} = {max(getattr(rules, one.name) / speed, _LEAST_S.get(one.name, 0.0)):g}"
        for one in fields(rules)
        if one.name.endswith("_s")
    ]
    shapes = {"reader": "tag_plain", "board": "board_mm", "scale": "scale_state_prefix"}
    lines = [
        "# Made for the demo. Pond, survey, fish and tags are invented.",
        "[station]",
        'name = "demo"',
        'protocol = "pond_survey"',
        "",
        "[survey]",
        f"water = {_text(POND)}",
        f"name = {_text(SURVEY)}",
        "",
        "[bench.main]",
        f"species = {_text(_CATCH[0][0].species)}",
        f"# The demo plays its day {speed:g} times as fast as a crew works. So all times of the rules are divided by",
        f"# {speed:g} too: a real station leaves these lines out.",
        *times,
        "",
        "[page]",
        "port = 0 # any free one: another station may be at work on this computer",
        "",
        "[sounds]",
        f"on = {str(sounds).lower()}",
    ]
    for name, port in ports.items():
        lines += [
            "",
            "[[instrument]]",
            f"name = {_text(name)}",
            f"use = {_text(shapes[name])}",
            f"port = {_text(port)}",
        ]
    lines += ["", "[commands.tags]", *(f"{_text(tag)} = {_text(said)}" for said, tag in worked.cards.items())]
    lines += ["", "[commands.keys]", *(f"{_text(key)} = {_text(said)}" for key, said in KEYS.items())]
    return "\n".join(lines) + "\n"


def write_demo(
    folder: Path, ports: Mapping[str, str], speed: float = SPEED, *, sounds: bool = False
) -> DemoDay:
    """Write STATION.toml, the inventory, the day (day.json, for `simulators.live`) and, if it is not there yet, the
    database of the earlier years into `folder`."""
    years = folder / YEARS_FILE
    if not years.exists():
        write_years(years)
    demo = demo_day(last_captures(years))
    files = {
        "STATION.toml": station_toml(demo.worked, ports, speed, sounds),
        "inventory/tags.csv": inventory_csv(demo.worked),
        "day.json": day_to_json(demo.worked.day),
    }
    for name, text in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    return demo


class _Survey:
    def __init__(self, earlier: Sequence[Earlier]) -> None:
        self.rng = Random(f"demo {SEED}")
        self.earlier = list(earlier)
        # It begins after 20 s: so long, at the demo's speed, a port that was just opened is not trusted yet.
        self.hands = Hands(self.rng, card_tags(_COMMANDS), start_s=20.0, pace=0.8, most_water_g=0.4)
        self.inventory = [f"9990000020{number:05d}" for number in self.rng.sample(range(500), 50)]
        self.unused = list(self.inventory)
        self.history: list[Earlier] = []
        self.fish: list[TrueFish] = []
        self.happenings: list[Happening] = []

    def work(self) -> DemoDay:
        cards = card_tags(_COMMANDS)
        for place, (stock, count, known) in enumerate(_CATCH):
            for command in _RUNS.get(place, ()):
                self.hands.card(command)
            if place:
                self.hands.card(f"species {stock.species}")
            recaptured = set(self.rng.sample(range(count), known))
            for number in range(count):
                self._work_up(stock, number in recaptured)
        day = self.hands.day(instruments(), SEED)
        worked = WorkedDay(day, tuple(self.fish), tuple(self.inventory), tuple(self.history), cards)
        return DemoDay(worked, tuple(self.happenings))

    def _work_up(self, stock: Stock, recaptured: bool) -> None:
        hands, rng, number = self.hands, self.rng, len(self.fish)
        tag: str | None
        kind: TagKind
        if recaptured:
            met = self._meet_again(stock)
            length_mm = length_on_the_day_mm(met)
            tag, kind = met.tag, "recapture"
        else:
            least_mm = 260.0 if number in (_ESCAPE, _SLIP) else stock.shortest_mm
            length_mm = rng.triangular(
                least_mm, stock.longest_mm, least_mm + 0.4 * (stock.longest_mm - least_mm)
            )
            if (
                abs(length_mm - stock.tag_from_mm) < 6
            ):  # no two measures of a fish shall disagree about its tag
                length_mm = stock.tag_from_mm + 8
            tag, kind = self._new_tag(stock, length_mm)
        weight_g = stock.weight_g(length_mm, rng)
        from_s, said_before = hands.t_s, len(hands.said)
        happened = self._hands_on(stock, number, tag, length_mm, weight_g)
        hands.wait(1, 2)
        said = tuple(one for one in hands.said[said_before:])
        fate = "escaped" if number == _ESCAPE else stock.fate
        self.fish.append(
            TrueFish(
                number, stock.species, tag, kind, length_mm, weight_g, fate, from_s, hands.t_s, said, happened
            )
        )

    def _hands_on(
        self, stock: Stock, number: int, tag: str | None, length_mm: float, weight_g: float
    ) -> tuple[str, ...]:
        """Work one fish up; the names of what went wrong with it."""
        hands, rng = self.hands, self.rng
        if tag is not None:
            hands.scan(tag, repeats=15 if number == _REPEATS else rng.randint(1, 4))
        if number == _REPEATS:
            self._tell("reader_repeats", f"the reader says {tag} fifteen times over: it counts once")
        if number == _ESCAPE:
            hands.card("fate escaped")
            self._tell("escape", f"fish {tag} jumps over board after its tag was read: the card says so")
            return ("escape",)
        hands.measure(rng.gauss(length_mm, SD_LENGTH_MM))
        if number == _NOISE:
            hands.noise("board", b"\x00\xff\x8a1\xb9 m\r\n")
            hands.noise("scale", b"\xf0\x0e\x80\x7f\r\n")
            self._tell("noise", "a generator starts: noise on two lines, kept and shown, never a value")
        if number == _KEY:
            (key, said), *_ = KEYS.items()
            hands.key(key)
            self._tell("key", f'a touch on key zone {key} of the board: "{said}"')
        if number == _UNPLUG:
            self._tell("unplug", "somebody trips over the cable of the scale, and plugs it in again")
            hands.unplug("scale", for_s=15.0)
            hands.wait(12.0)
        if stock is _CARP:
            return ()
        grams = weight_g * rng.gauss(1, SD_WEIGHT_SHARE)
        if number == _SLIP:
            hands.weigh(grams / 10)
            shown_g = hands.said[-1].value
            hands.wait(3, 4)
            hands.weigh(weight_g * rng.gauss(1, SD_WEIGHT_SHARE))
            self._tell(
                "slip",
                f"fish {tag}: the scale shows {shown_g:g} g, a slipped decimal; the fish is held, weighed again, "
                f"and {hands.said[-1].value:g} g settles it",
            )
            return ("slip",)
        hands.weigh(grams)
        return ()

    def _meet_again(self, stock: Stock) -> Earlier:
        """One of the fish of earlier years, each once; not the largest, which are rare in a net."""
        possible = [
            one
            for one in self.earlier
            if one.species == stock.species and length_on_the_day_mm(one) < stock.longest_mm
        ]
        (met,) = self.rng.choices(possible, [chance_to_live(one) for one in possible])
        self.earlier.remove(met)
        self.history.append(met)
        return met

    def _new_tag(self, stock: Stock, length_mm: float) -> tuple[str | None, TagKind]:
        if 0 < stock.tag_from_mm <= length_mm:
            return self.unused.pop(0), "new"
        return None, "none"

    def _tell(self, name: str, sentence: str) -> None:
        self.happenings.append(Happening(self.hands.t_s, len(self.fish), name, sentence))


def _csv(names: tuple[str, ...], rows: Sequence[tuple[object, ...]]) -> str:
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(names)
    writer.writerows(rows)
    return text.getvalue()


_text: Callable[[str], str] = json.dumps  # a basic string of TOML is written as one of JSON
