"""The sounds of the station as notes, and as samples of a WAV stream. Pure, standard library only.

**Rhythm carries the meaning, pitch only helps.** With short and long notes, and short and long pauses, no sound has
the rhythm of another one; so they differ for somebody who hears no pitch difference, and on any loudspeaker. Two sets of
pitches may be chosen from.

**Where the energy lies.** Each note is a sine with its octave at half the amplitude, both between 390 and 1,500 Hz. A
review of design for older people recommends 500-2,000 Hz for sound alerts and to avoid what is above 4,000 Hz (Global
Journal of Health Science 4(2), 2012, p. 2-25, table S4, doi:10.5539/gjhs.v4n2p2); nothing here lies above 1,500 Hz. The
hum of a generator lies at 50 or 60 Hz and its first multiples (common practice), far below; no pitch is a multiple of
either. The set "low" gives up part of the recommended range for those who hear nothing well above 1,000 Hz.
"""

import io
import math
import struct
import sys
import wave
from array import array
from collections.abc import Mapping, Sequence
from typing import NamedTuple, TypeAlias

from ingest.records import Sound

Samples: TypeAlias = "array[int]"  # of one channel, signed 16 bits each

RATE_HZ = 22_050  # also that of espeak-ng's voices: speech and tones need no conversion
_ATTACK_S = 0.006  # a sine that begins or ends within about a period is heard as a click (common practice)
_RELEASE_S = 0.012
_OCTAVE = 0.5
_PEAK = 0.75 * math.sqrt(3)  # the greatest value of sin x + sin(2x) / 2, at x = 60 degrees
_FULL_SCALE = 32_767

SHORT_S = 0.08
LONG_S = 0.34
GAP_S = 0.06


class Note(NamedTuple):
    """One tone: its pitch, when it begins after the sound's beginning, and how long it lasts with its edges."""

    hz: float
    start_s: float
    length_s: float


class Beat(NamedTuple):
    """A note without its pitch."""

    start_s: float
    length_s: float


def _beats(rhythm: str) -> tuple[Beat, ...]:
    """From "s" (a short note), "l" (a long one), each with a gap behind it, and "-" (another pause)."""
    beats: list[Beat] = []
    at_s = 0.0
    for one in rhythm:
        length_s = {"s": SHORT_S, "l": LONG_S, "-": 0.24}[one]
        if one != "-":
            beats.append(Beat(round(at_s, 3), length_s))
            length_s += GAP_S
        at_s += length_s
    return tuple(beats)


RHYTHMS: Mapping[Sound, tuple[Beat, ...]] = {
    Sound.PART: _beats("s"),
    Sound.SAVED: _beats("sl"),
    Sound.RECAPTURE: _beats("sssl"),
    Sound.HELD: _beats("ll"),
    Sound.TROUBLE: _beats("ssssss"),
    Sound.REMINDER: _beats("s-s"),
    Sound.STICK: _beats("lss"),
}

MEANINGS: Mapping[Sound, str] = {
    Sound.PART: "a reading was taken, a command done",
    Sound.SAVED: "the fish is on disk",
    Sound.RECAPTURE: "this fish was here before: look at its history",
    Sound.HELD: "a value is in doubt: measure it again",
    Sound.TROUBLE: "something does not work: look at the page",
    Sound.REMINDER: "something may have been forgotten",
    Sound.STICK: "the day is on the stick: pull it out",
}

SETS: Mapping[str, Mapping[Sound, tuple[float, ...]]] = {
    "clear": {
        Sound.PART: (644.0,),
        Sound.SAVED: (523.0, 690.0),
        Sound.RECAPTURE: (523.0, 587.0, 644.0, 739.0),
        Sound.HELD: (622.0, 523.0),
        Sound.TROUBLE: (739.0, 554.0) * 3,
        Sound.REMINDER: (587.0, 587.0),
        Sound.STICK: (690.0, 587.0, 690.0),
    },
    "low": {
        Sound.PART: (466.0,),
        Sound.SAVED: (392.0, 494.0),
        Sound.RECAPTURE: (392.0, 440.0, 466.0, 523.0),
        Sound.HELD: (440.0, 392.0),
        Sound.TROUBLE: (523.0, 415.0) * 3,
        Sound.REMINDER: (415.0, 415.0),
        Sound.STICK: (494.0, 415.0, 494.0),
    },
}


def notes(sound: Sound, set_name: str = "clear") -> tuple[Note, ...]:
    """The notes of a sound in one of the SETS; none for `Sound.NONE`."""
    if sound is Sound.NONE:
        return ()
    pitches = SETS[set_name][sound]
    return tuple(Note(hz, *beat) for hz, beat in zip(pitches, RHYTHMS[sound], strict=True))


def samples(score: Sequence[Note], volume: float = 1.0) -> Samples:
    """One channel of signed 16-bit samples at RATE_HZ. `volume` from 0 to 1 is the share of full scale at the peak."""
    length = max((round((note.start_s + note.length_s) * RATE_HZ) for note in score), default=0)
    out = array("h", bytes(2 * length))
    for note in score:
        first, count = round(note.start_s * RATE_HZ), round(note.length_s * RATE_HZ)
        step = math.tau * note.hz / RATE_HZ
        loud = volume * _FULL_SCALE / _PEAK
        for n in range(count):
            wave_form = math.sin(n * step) + _OCTAVE * math.sin(2 * n * step)
            out[first + n] = round(loud * _edge(n, count) * wave_form)
    return out


def _edge(n: int, count: int) -> float:
    """The envelope of a note: raised cosines at both ends."""
    rise, fall = (n + 0.5) / (_ATTACK_S * RATE_HZ), (count - n - 0.5) / (_RELEASE_S * RATE_HZ)
    return math.sin(math.pi / 2 * min(1.0, rise, fall)) ** 2


def wav(pcm: Samples) -> bytes:
    """A whole WAV file with these samples."""
    if sys.byteorder == "big":
        pcm = array("h", pcm)
        pcm.byteswap()
    file = io.BytesIO()
    with wave.open(file, "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(RATE_HZ)
        out.writeframes(pcm.tobytes())
    return file.getvalue()


def samples_of(stream: bytes) -> Samples:
    """The samples of a WAV stream of one channel at RATE_HZ, such as espeak-ng writes: its length field says nothing, as
    the length was not known when it was written. Raises ValueError, one sentence, for any other stream."""
    if stream[:4] != b"RIFF" or stream[8:16] != b"WAVEfmt ":
        raise ValueError("it gave no WAV stream.")
    kind, channels, rate_hz, _, _, bits = struct.unpack_from("<HHIIHH", stream.ljust(36, b"\0"), 20)
    if (kind, channels, bits, rate_hz) != (1, 1, 16, RATE_HZ):
        raise ValueError(f"it speaks with {rate_hz} samples a second, not {RATE_HZ}: choose another voice.")
    begin = stream.find(b"data", 12)
    data = stream[begin + 8 :] if begin >= 0 else b""
    pcm = array("h", data[: len(data) // 2 * 2])
    if sys.byteorder == "big":
        pcm.byteswap()
    return pcm


def scaled(pcm: Samples, volume: float) -> Samples:
    """The same, quieter."""
    return array("h", (round(volume * one) for one in pcm))


def click_into(pcm: Samples, click: Samples) -> Samples:
    """`pcm` with `click` over its beginning, and quieter there, so that the sum stays in range and the click is heard."""
    out = array("h", pcm)
    for n in range(min(len(out), len(click))):
        out[n] = max(-32_768, min(_FULL_SCALE, out[n] // 4 + click[n]))
    return out
