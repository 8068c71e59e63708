"""Invented days for replay: one line from each of three instruments per fish, or a scale that streams."""

from collections.abc import Iterator
from pathlib import Path
from typing import Literal

from simulators.capture import capture_lines
from simulators.day import Act, Day, Deed, TimedBytes, utterances
from simulators.voices import BoardVoice, ScaleVoice, TagVoice, Voice

Kind = Literal["three frames", "streaming"]
STARTED = "2026-05-12T13:00:00.000Z"
INSTRUMENT_FILES: dict[Kind, str] = {"three frames": "scale_print_key", "streaming": "scale_state_prefix"}
_PER_FISH_S: dict[Kind, float] = {"three frames": 8.0, "streaming": 5.8}


def tag_of(number: int) -> str:
    return f"98512{number:010}"


def length_of(number: int) -> int:
    """mm; a neighbour differs, as two equal measures in a row may be an echo."""
    return 250 + number % 150


def weight_of(number: int) -> float:
    """g; a plausible largemouth bass, and seldom the weight of the fish before."""
    return round(1.2e-5 * length_of(number) ** 3 + number // 150 % 50 * 0.1, 1)


def write_day(path: Path, kind: Kind, fish: int) -> None:
    """A recorded day with so many fish, of three lines or (streaming) of sixty lines each."""
    said = _three_frames(fish) if kind == "three frames" else _streaming(fish)
    with path.open("w", encoding="ascii") as file:
        file.writelines(capture_lines(said, "bench", STARTED))


def _three_frames(fish: int) -> Iterator[TimedBytes]:
    tags, board = TagVoice(), BoardVoice()
    for number in range(fish):
        t_s = 1.0 + number * _PER_FISH_S["three frames"]
        yield TimedBytes(t_s, "reader", tags.say(tag_of(number)))
        yield TimedBytes(t_s + 2.0, "board", board.say(length_of(number)))
        yield TimedBytes(t_s + 5.0, "scale", b"+ %7.1f g\r\n" % weight_of(number))


def _streaming(fish: int) -> Iterator[TimedBytes]:
    every_s = _PER_FISH_S["streaming"]
    acts = []
    for number in range(fish):
        t_s = 1.0 + number * every_s
        acts += [
            Act(t_s, Deed.SCAN, "reader", text=tag_of(number)),
            Act(t_s + 1.0, Deed.MEASURE, "board", length_of(number)),
            Act(t_s + 1.5, Deed.PUT_ON, "scale", weight_of(number), wriggle_s=0.8),
            Act(t_s + 4.0, Deed.TAKE_OFF, "scale"),
        ]
    end_s = 1.0 + fish * every_s
    voices: dict[str, Voice] = {"reader": TagVoice(), "board": BoardVoice(), "scale": ScaleVoice()}
    return utterances(Day(voices, tuple(acts), end_s), end_s)
