"""Ten million bytes of junk, damage and other instruments' lines through every shipped decoder, cut anywhere."""

import json
import math
import os
import re
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

import pytest

from drivers.declaration import Declaration, load_declaration
from drivers.instrument import Instrument
from drivers.outcomes import (
    Damaged,
    KeySeen,
    LengthSeen,
    NotMine,
    Outcome,
    PanEmpty,
    Piece,
    PositionSeen,
    ScaleTrouble,
    TagRefused,
    TagSeen,
    TemperatureSeen,
    WeightSeen,
    WeightSettled,
)

TOTAL_BYTES = int(os.environ.get("TALLYWELL_FUZZ_BYTES", "10000000"))
SEED = 1
FILES = sorted((Path(__file__).parents[2] / "config" / "instruments").glob("*.toml"))
CAPTURES = Path(__file__).parents[1] / "drivers" / "captures"
READ_FROM_A_LINE = (TagSeen, LengthSeen, WeightSeen, KeySeen, PositionSeen, TemperatureSeen)
_TAG = re.compile(r"[0-9]{15}|[0-9A-F]{10}", re.ASCII)


@dataclass
class Tally:
    """What one decoder was given and made of it."""

    bytes_in: int = 0
    pieces: int = 0
    outcomes: Counter[str] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)


class Noise:
    """Bytes for one instrument: its own captured messages and everybody's, whole and damaged, and plain junk."""

    def __init__(self, name: str, everybody: dict[str, list[bytes]], rng: Random) -> None:
        self._own = everybody[name]
        self._all = [data for one in everybody.values() for data in one]
        self._rng = rng

    def next(self) -> bytes:
        rng = self._rng
        match rng.randrange(8):
            case 0:
                return rng.randbytes(rng.randrange(1, 200))
            case 1:
                return bytes(
                    rng.choices(b"0123456789.+-,$*:;= gmkST\x02\x03\r\n\x00", k=rng.randrange(1, 60))
                )
            case 2:
                return rng.choice(self._all)
            case 3 | 4:
                return rng.choice(self._own)
            case 5:
                return self._damaged(rng.choice(self._all))
            case _:
                return self._damaged(rng.choice(self._own))

    def _damaged(self, data: bytes) -> bytes:
        """A few bits flipped, bytes lost, doubled or put in, the end cut off, or another message driven into it."""
        rng, damaged = self._rng, bytearray(data)
        for _ in range(rng.randrange(1, 4)):
            at = rng.randrange(len(damaged) + 1)
            match rng.randrange(6):
                case 0 if at < len(damaged):
                    damaged[at] ^= 1 << rng.randrange(8)
                case 1:
                    del damaged[at : at + rng.randrange(1, 4)]
                case 2:
                    damaged[at:at] = damaged[at : at + rng.randrange(1, 9)]
                case 3:
                    damaged.insert(at, rng.randrange(256))
                case 4:
                    del damaged[at:]
                case _:
                    other = rng.choice(self._own)
                    damaged[at:at] = other[rng.randrange(len(other) + 1) :]
        return bytes(damaged)


class Trial:
    """One instrument under fire. Every rule that a decoder breaks is noted with the bytes that did it."""

    def __init__(self, declaration: Declaration, tally: Tally) -> None:
        self._declaration = declaration
        self._instrument = Instrument(declaration.name, declaration)
        self._tally = tally
        self._given, self._got = bytearray(), bytearray()
        self.t_s = 0.0

    def give(self, data: bytes) -> None:
        self._given += data
        self._tally.bytes_in += len(data)
        self._take(self._instrument.cut(data, self.t_s))

    def wait(self, seconds: float) -> None:
        """Timers fire when they are due, as in the engine."""
        until_s = self.t_s + seconds
        fired = 0
        while (due_s := self._instrument.next_deadline_s()) is not None and due_s <= until_s:
            self.t_s = max(self.t_s, due_s)
            self._take(self._instrument.tick(self.t_s))
            self._judge(self._instrument.settle_tick(self.t_s), None)
            fired += 1
            if fired > 1000:
                self._wrong("a timer that is due for ever")
                break
        self.t_s = until_s

    def hang_up(self) -> None:
        self._take(self._instrument.hang_up(self.t_s))
        if self._given != self._got:
            self._wrong(
                f"pieces do not join to the bytes: {bytes(self._given[-200:])!r}, {bytes(self._got[-200:])!r}"
            )
        self._given, self._got = bytearray(), bytearray()
        self._judge(self._instrument.settle_tick(self.t_s), None)

    def open(self) -> None:
        self._instrument.opened(self.t_s)

    def restart(self) -> None:
        """The program ends and a new one takes over what it had kept."""
        state = json.loads(json.dumps(self._instrument.state()))
        self._instrument = Instrument(self._declaration.name, self._declaration)
        self._instrument.restore(state)
        if json.loads(json.dumps(self._instrument.state())) != state:
            self._wrong("a restart changed its state")

    def _take(self, pieces: list[Piece]) -> None:
        for piece in pieces:
            self._got += piece.data
            self._tally.pieces += 1
            self._judge(self._instrument.decode(piece), piece)

    def _judge(self, outcomes: list[Outcome], piece: Piece | None) -> None:
        """`piece` None: what the passing of time said."""
        for outcome in outcomes:
            self._tally.outcomes[type(outcome).__name__] += 1
            if piece is not None and isinstance(outcome, READ_FROM_A_LINE):
                if not piece.ended or piece.too_long:
                    self._wrong(f"{outcome} from the unterminated {piece}")
                if self._declaration.frame.end != "REPORT" and outcome.raw not in piece.data:
                    self._wrong(f"{outcome} from bytes that are not in {piece}")
            elif (
                piece is None
                and isinstance(outcome, READ_FROM_A_LINE)
                and self._declaration.keyboard.enter == "needed"
            ):
                self._wrong(f"{outcome} from keys that no Enter ended")
            if fault := _fault(outcome):
                self._wrong(f"{fault}: {outcome}")

    def _wrong(self, what: str) -> None:
        if len(self._tally.wrong) < 5:
            self._tally.wrong.append(f"{self._declaration.name}: {what}")


def _fault(outcome: Outcome) -> str:
    """What is impossible about an outcome, whatever the bytes."""
    numbers: list[float | None] = []
    match outcome:
        case TagSeen():
            return "" if _TAG.fullmatch(outcome.tag) else "no canonical code"
        case LengthSeen():
            numbers = [outcome.length_mm, outcome.division_mm]
        case WeightSeen():
            numbers = [outcome.weight_g, outcome.division_g]
        case WeightSettled():
            numbers = [outcome.weight_g, outcome.division_g, outcome.empty_before_g]
        case PanEmpty():
            numbers = [outcome.empty_g]
        case PositionSeen():
            if not (-90 <= outcome.lat_deg <= 90 and -180 <= outcome.lon_deg <= 180):
                return "no place on earth"
        case TemperatureSeen():
            numbers = [outcome.temperature_c]
        case KeySeen():
            return "" if outcome.key else "a key without a name"
        case TagRefused() | Damaged():
            return "" if outcome.raw else "refused without its bytes"
        case ScaleTrouble() | NotMine():
            return ""
    return "" if all(one is None or math.isfinite(one) for one in numbers) else "not a finite number"


def fuzz(declaration: Declaration, everybody: dict[str, list[bytes]], total: int) -> Tally:
    """So many bytes into one decoder: any cut, any pause, lost ports, restarts."""
    rng, tally = Random(f"{SEED} {declaration.name}"), Tally()
    noise, trial = Noise(declaration.name, everybody, rng), Trial(declaration, tally)
    trial.open()
    while tally.bytes_in < total:
        if rng.random() < 0.01:  # undisturbed, as a scan of many keys needs it
            for data in everybody[declaration.name]:
                trial.give(data)
                trial.wait(0.02)
        data = noise.next()
        if declaration.frame.end == "REPORT" or rng.random() < 0.5:
            trial.give(data)
        else:
            at = 0
            while at < len(data):
                size = rng.randrange(1, 24)
                trial.give(data[at : at + size])
                at += size
                trial.wait(rng.choice((0.0, 0.0, 0.0005, 0.01, 0.3)))
        trial.wait(rng.choice((0.0, 0.001, 0.05, 0.2, 3.0)))
        if rng.random() < 0.02:
            trial.restart()
        if rng.random() < 0.02:
            trial.hang_up()
            trial.wait(rng.choice((0.0, 1.0)))
            trial.open()
    trial.wait(60.0)
    trial.hang_up()
    return tally


@pytest.mark.long
@pytest.mark.timeout(3600)
def test_no_decoder_raises_loses_bytes_or_invents_a_value() -> None:
    everybody = {file.stem: _captured(file.stem) for file in FILES}
    share, tallies = math.ceil(TOTAL_BYTES / len(FILES)), {}
    print()
    for file in FILES:
        declaration = load_declaration(file.read_text(encoding="utf-8"), file.name)
        tallies[file.stem] = tally = fuzz(declaration, everybody, share)
        said = ", ".join(f"{count} {name}" for name, count in tally.outcomes.most_common())
        print(f"  {file.stem}: {tally.bytes_in} bytes, {tally.pieces} pieces; {said}")
    total = sum(tally.bytes_in for tally in tallies.values())
    print(
        f"  {len(tallies)} decoders, {total:,} bytes, {sum(one.pieces for one in tallies.values()):,} pieces: none raised"
    )
    assert [line for tally in tallies.values() for line in tally.wrong] == []
    assert total >= TOTAL_BYTES
    for name, tally in tallies.items():
        assert tally.outcomes.keys() - {"NotMine", "Damaged", "TagRefused"}, (
            f"{name} read nothing: the trial is blind"
        )


def _captured(name: str) -> list[bytes]:
    """The messages of the shipped file's capture, as they came."""
    _header, *frames = (CAPTURES / f"{name}.jsonl").read_text(encoding="ascii").splitlines()
    return [json.loads(frame)["data"].encode("latin-1") for frame in frames]
