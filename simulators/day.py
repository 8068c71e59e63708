"""One description of a day at a bench, and the bytes that its instruments send: the same for a seed."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from heapq import merge
from random import Random
from typing import Annotated

from pydantic import Field, TypeAdapter, ValidationError

from simulators.scale_stream import Load, scale_lines
from simulators.voices import BoardVoice, ScaleVoice, TagVoice, Voice


class DayError(Exception):
    """A day cannot be read or played. One sentence."""


class Deed(StrEnum):
    """What is done at the bench, or happens to it."""

    SCAN = "scan"  # a fish's tag or a command tag is held to the reader
    MEASURE = "measure"
    KEY = "key"
    PUT_ON = "put_on"
    TAKE_OFF = "take_off"
    NOISE = "noise"
    UNPLUG = "unplug"
    REPLUG = "replug"
    RESTART = "restart"  # the station's program or computer starts anew here; no instrument


@dataclass(frozen=True, slots=True)
class Act:
    """One act at `t_s` seconds of the day.

    value: mm of MEASURE; g of PUT_ON, above the empty level of the pan; g of the empty level after TAKE_OFF.
    text: tag code of SCAN, zone of KEY, bytes of NOISE (a character each).
    other: a second tag in the field: its lines alternate with those of `text`.
    repeats, every_s: lines that a free-running reader or a double press gives.
    split_s: the first line is cut in the middle by a pause of this length.
    wriggle_s: how long a fish on the pan moves.
    """

    t_s: float
    deed: Deed
    instrument: str = ""
    value: float = 0.0
    text: str = ""
    other: str = ""
    repeats: int = 1
    every_s: float = 0.15
    split_s: float = 0.0
    wriggle_s: float = 1.0


@dataclass(frozen=True, slots=True)
class Day:
    """The instruments of a bench by name, and what is done with them, in order of time."""

    instruments: Mapping[str, Annotated[Voice, Field(discriminator="speaks")]]
    acts: tuple[Act, ...]
    duration_s: float
    seed: int = 0


@dataclass(frozen=True, slots=True)
class TimedBytes:
    """Bytes that an instrument sends at once at `t_s` (ms precision), or an `event` of its port and no bytes.

    Events are the deeds `unplug`, `replug` and `restart` (no instrument).
    """

    t_s: float
    instrument: str
    data: bytes = b""
    event: Deed | None = None


def render(day: Day) -> list[TimedBytes]:
    """All that the instruments send until the day's end, in order of time."""
    return list(utterances(day, day.duration_s))


def utterances(day: Day, until_s: float | None = None) -> Iterator[TimedBytes]:
    """What the instruments send, in order of time; a streaming scale never ends unless `until_s` is given.

    Raises:
        DayError: an act that its instrument cannot do, or acts out of order.
    """
    for before, act in zip(day.acts, day.acts[1:], strict=False):
        if act.t_s < before.t_s:
            raise DayError(f"the act at {act.t_s} s stands behind one at {before.t_s} s: put them in order")
    for act in day.acts:
        if act.deed is not Deed.RESTART and act.instrument not in day.instruments:
            raise DayError(f"{act.deed} at {act.t_s} s names no instrument of the day: {act.instrument!r}")
    restarts = [TimedBytes(round(a.t_s, 3), "", event=a.deed) for a in day.acts if a.deed is Deed.RESTART]
    streams: list[Iterator[TimedBytes]] = [iter(restarts)]
    for name, voice in day.instruments.items():
        acts = [act for act in day.acts if act.instrument == name and act.deed is not Deed.RESTART]
        rng = Random(f"{day.seed} {name}")
        streams.append(_plugged(_one_instrument(name, voice, acts, rng, until_s)))
    said = merge(*streams, key=lambda item: item.t_s)
    return said if until_s is None else (item for item in said if item.t_s <= until_s)


def day_to_json(day: Day) -> str:
    return _DAY.dump_json(day).decode()


def day_from_json(text: str) -> Day:
    """The day that `day_to_json` wrote.

    Raises:
        DayError: no such JSON; the message names the first place that is wrong.
    """
    try:
        return _DAY.validate_json(text)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"]) or "the text"
        raise DayError(f"this is no description of a day: {where}: {first['msg']}") from None


_DAY = TypeAdapter(Day)


def _one_instrument(
    name: str, voice: Voice, acts: Sequence[Act], rng: Random, until_s: float | None
) -> Iterator[TimedBytes]:
    """Everything that one instrument says and suffers, in order of time, as if it were never unplugged."""
    done: list[TimedBytes] = []
    loads: list[Load] = []
    for act in acts:
        match act.deed, voice:
            case ((Deed.UNPLUG | Deed.REPLUG), _):
                done.append(TimedBytes(round(act.t_s, 3), name, event=act.deed))
            case Deed.NOISE, _:
                done.append(TimedBytes(round(act.t_s, 3), name, act.text.encode("latin-1")))
            case Deed.SCAN, TagVoice():
                tags = [act.other if act.other and turn % 2 else act.text for turn in range(act.repeats)]
                done += _lines(name, act, [voice.say(tag) for tag in tags])
            case Deed.MEASURE, BoardVoice():
                done += _lines(name, act, [voice.say(act.value)] * act.repeats)
            case Deed.KEY, BoardVoice():
                done += _lines(name, act, [voice.say_key(act.text)] * act.repeats)
            case Deed.PUT_ON, ScaleVoice():
                loads.append(Load(act.t_s, act.value, wriggle_s=act.wriggle_s))
            case Deed.TAKE_OFF, ScaleVoice():
                loads.append(Load(act.t_s, None, act.value))
            case _:
                raise DayError(f"{name!r} is a {voice.speaks} instrument and cannot {act.deed} ({act.t_s} s)")
    done.sort(key=lambda item: item.t_s)
    if not isinstance(voice, ScaleVoice):
        return iter(done)
    lines = (TimedBytes(t_s, name, data) for t_s, data in scale_lines(voice, loads, rng, until_s))
    return merge(done, lines, key=lambda item: item.t_s)


def _lines(name: str, act: Act, lines: Sequence[bytes]) -> Iterator[TimedBytes]:
    for turn, line in enumerate(lines):
        t_s = act.t_s + turn * act.every_s
        if turn == 0 and act.split_s > 0:
            half = len(line) // 2
            yield TimedBytes(round(t_s, 3), name, line[:half])
            yield TimedBytes(round(t_s + act.split_s, 3), name, line[half:])
        else:
            yield TimedBytes(round(t_s, 3), name, line)


def _plugged(said: Iterator[TimedBytes]) -> Iterator[TimedBytes]:
    """Without what is said to nobody while the plug is out."""
    plugged = True
    for item in said:
        if item.event is not None:
            plugged = item.event is not Deed.UNPLUG
        if plugged or item.event is not None:
            yield item
