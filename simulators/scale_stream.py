"""What a scale says while fish come and go on its pan. Pure.

The pan is wet: its empty level is a few grams, and a reading at rest flickers by one division. A load ramps up,
wriggles with a motion that dies away, comes to rest; taken off, the pan swings below its level, then rests.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import exp
from random import Random

from simulators.voices import ScaleState, ScaleVoice

RAMP_S = 0.4
SWING_S = 0.5


@dataclass(frozen=True, slots=True)
class Load:
    """From `t_s` on the pan carries `load_g` above its empty level, or (None) lies empty at `empty_g`.

    A fish wriggles for `wriggle_s` after the ramp.
    """

    t_s: float
    load_g: float | None
    empty_g: float = 0.0
    wriggle_s: float = 1.0


def scale_lines(
    voice: ScaleVoice, loads: Sequence[Load], rng: Random, until_s: float | None
) -> Iterator[tuple[float, bytes]]:
    """(seconds, line) of a scale under these loads, in order of time; without end if `until_s` is None."""
    if voice.lines_per_s > 0:
        return _stream(voice, loads, rng, until_s)
    return _one_line_a_load(voice, loads)


def _one_line_a_load(voice: ScaleVoice, loads: Sequence[Load]) -> Iterator[tuple[float, bytes]]:
    empty_g = 0.0
    for number, load in enumerate(loads):
        if load.load_g is None:
            empty_g = load.empty_g
            continue
        rest_s = load.t_s + RAMP_S + load.wriggle_s
        if number + 1 == len(loads) or rest_s < loads[number + 1].t_s:
            state: ScaleState = "overload" if load.load_g + empty_g > voice.capacity_g else "stable"
            yield round(rest_s, 3), voice.say(load.load_g + empty_g, state)


def _stream(
    voice: ScaleVoice, loads: Sequence[Load], rng: Random, until_s: float | None
) -> Iterator[tuple[float, bytes]]:
    period_s = 1 / voice.lines_per_s
    phase_s = rng.uniform(0, period_s)
    now = Load(-1e9, None)
    from_g = to_g = empty_g = 0.0
    coming = 0
    flicker = 1
    tick = 0
    while True:
        t_s = round(phase_s + tick * period_s + rng.uniform(0, 0.05 * period_s), 3)
        if until_s is not None and t_s > until_s:
            return
        tick += 1
        while coming < len(loads) and loads[coming].t_s <= t_s:
            now = loads[coming]
            from_g = to_g
            if now.load_g is None:
                empty_g = now.empty_g
            to_g = empty_g + (now.load_g or 0.0)
            flicker = rng.choice((-1, 1))  # a level at rest lies between two digits
            coming += 1
        since_s = t_s - now.t_s
        rest_s = RAMP_S + (SWING_S if now.load_g is None else now.wriggle_s)
        if since_s < RAMP_S:
            grams = from_g + (to_g - from_g) * since_s / RAMP_S * rng.uniform(0.9, 1.1)
        elif since_s < rest_s and now.load_g is None:
            grams = to_g - rng.uniform(0, 0.05) * abs(from_g - to_g) * exp(-4 * since_s)
        elif since_s < rest_s:
            grams = to_g + rng.uniform(-0.1, 0.1) * (to_g - empty_g) * exp(-2 * since_s)
        else:
            grams = to_g + rng.choice((0, 0, 0, flicker)) * voice.division_g
        if grams > voice.capacity_g:
            yield t_s, voice.say(grams, "overload")
        else:
            yield t_s, voice.say(grams, "stable" if since_s >= rest_s else "unstable")
