"""Every sound of every set as a listener gets it: samples of a WAV file, judged by spectrum and envelope."""

import io
import wave
from array import array
from itertools import combinations

import numpy as np
import pytest
from numpy.typing import NDArray

from ingest.records import Sound
from station.sounds.tones import (
    MEANINGS,
    RATE_HZ,
    RHYTHMS,
    SETS,
    Samples,
    click_into,
    notes,
    samples,
    samples_of,
    wav,
)

ALL = [(name, sound) for name in SETS for sound in Sound if sound is not Sound.NONE]
FULL_SCALE = 32_767
WINDOW_S = 0.004  # of the envelope: shorter than any gap, longer than a period of the lowest pitch's octave
Floats = NDArray[np.float64]


def heard(name: str, sound: Sound, volume: float = 1.0) -> Floats:
    """The samples as an independent reader finds them in the file, from -1 to 1."""
    with wave.open(io.BytesIO(wav(samples(notes(sound, name), volume)))) as file:
        assert (file.getnchannels(), file.getsampwidth(), file.getframerate()) == (1, 2, RATE_HZ)
        return np.frombuffer(file.readframes(file.getnframes()), "<i2") / FULL_SCALE


def envelope(signal: Floats) -> Floats:
    """Root mean square over WINDOW_S, at every sample."""
    width = round(WINDOW_S * RATE_HZ)
    return np.sqrt(np.convolve(signal**2, np.ones(width) / width, "same"))


def tones_of(signal: Floats) -> list[tuple[float, float]]:
    """Begin and end (s) of each stretch in which something is heard, from the envelope alone."""
    loud = np.concatenate(([False], envelope(signal) > 0.1 * envelope(signal).max(), [False]))
    edges = np.flatnonzero(np.diff(loud.astype(int)))
    return [(float(a) / RATE_HZ, float(b) / RATE_HZ) for a, b in edges.reshape(-1, 2)]


def rhythm(signal: Floats) -> list[float]:
    """Lengths of tones and of the pauses between them, in turn, in s: nothing of the pitch is left."""
    edges = [edge for tone in tones_of(signal) for edge in tone]
    return list(np.diff(edges))


@pytest.mark.parametrize(("name", "sound"), ALL)
def test_each_note_has_its_pitch(name: str, sound: Sound) -> None:
    signal = heard(name, sound)
    for note in notes(sound, name):
        first = round(note.start_s * RATE_HZ)
        part = signal[first : first + round(note.length_s * RATE_HZ)]
        spectrum = np.abs(np.fft.rfft(part * np.hanning(len(part)), 8 * RATE_HZ))  # 1/8 Hz apart
        assert np.argmax(spectrum) / 8 == pytest.approx(note.hz, abs=3.0)


@pytest.mark.parametrize(("name", "sound"), ALL)
def test_each_note_has_its_time(name: str, sound: Sound) -> None:
    found = tones_of(heard(name, sound))
    expected = [(note.start_s, note.start_s + note.length_s) for note in notes(sound, name)]
    assert len(found) == len(expected)
    assert np.ravel(found) == pytest.approx(np.ravel(expected), abs=0.008)


@pytest.mark.parametrize(("name", "sound"), ALL)
def test_energy_lies_above_a_generators_hum_and_where_old_ears_hear(name: str, sound: Sound) -> None:
    signal = heard(name, sound)
    power = np.abs(np.fft.rfft(signal)) ** 2
    hz = np.fft.rfftfreq(len(signal), 1 / RATE_HZ)
    total = power.sum()
    assert power[(hz > 350) & (hz < 1550)].sum() > 0.995 * total
    assert power[hz < 200].sum() < 1e-4 * total  # 50 and 60 Hz, and the first three multiples
    assert power[hz > 2000].sum() < 1e-4 * total


@pytest.mark.parametrize("name", SETS)
@pytest.mark.parametrize("mains_hz", [50, 60])
def test_no_pitch_hides_behind_a_multiple_of_the_mains(name: str, mains_hz: int) -> None:
    for pitches in SETS[name].values():
        assert all(min(hz % mains_hz, -hz % mains_hz) > 3 for hz in pitches)


@pytest.mark.parametrize(("name", "sound"), ALL)
def test_a_sound_is_loud_and_neither_clips_nor_clicks(name: str, sound: Sound) -> None:
    signal = heard(name, sound)
    assert 0.97 < np.abs(signal).max() <= 1.0
    flat = np.abs(signal) > 0.9999  # clipping cuts tops off flat: several such samples in a row
    assert not (flat[:-2] & flat[1:-1] & flat[2:]).any()
    assert abs(signal.mean()) < 1e-3
    assert max(abs(signal[0]), abs(signal[-1])) < 0.001
    # No step is greater than the steepest slope of the steady tone: a click would be one.
    steepest = max(2 * np.pi * note.hz * (1 + 2 * 0.5) / 1.299 / RATE_HZ for note in notes(sound, name))
    assert np.abs(np.diff(signal)).max() < 1.1 * steepest


def test_an_abrupt_edge_would_be_seen() -> None:
    """The test above can fail: cut off in the middle, a tone has the step that is heard as a click."""
    cut = heard("clear", Sound.HELD)[100:]
    assert max(abs(cut[0]), abs(cut[-1])) > 0.001


@pytest.mark.parametrize("name", SETS)
def test_any_two_sounds_differ_in_rhythm_alone(name: str) -> None:
    rhythms = {sound: rhythm(heard(name, sound)) for sound in RHYTHMS}
    for one, other in combinations(RHYTHMS, 2):
        first, second = rhythms[one], rhythms[other]
        different_count = len(first) != len(second)
        # Long against short by a factor of two at the same place: heard without counting.
        clearly = any(
            max(a, b) > 2 * min(a, b) and abs(a - b) > 0.1 for a, b in zip(first, second, strict=False)
        )
        assert different_count or clearly, (one, other)
        # Two sounds that differ only in how many equal short tones they have would have to be counted.
        if not clearly:
            assert abs(sum(first) - sum(second)) > 0.25, (one, other)


def test_the_sets_differ_in_pitch_and_share_the_rhythm() -> None:
    for sound in RHYTHMS:
        high, low = heard("clear", sound), heard("low", sound)
        assert rhythm(high) == pytest.approx(rhythm(low), abs=0.012)
        assert max(SETS["low"][sound]) < min(740.0, max(SETS["clear"][sound]))


@pytest.mark.parametrize("volume", [0.0, 0.1, 0.5])
def test_volume_is_the_share_of_full_scale(volume: float) -> None:
    assert np.abs(heard("clear", Sound.HELD, volume)).max() == pytest.approx(volume, abs=0.01)


def test_every_sound_is_short_and_has_a_meaning() -> None:
    assert set(MEANINGS) == set(RHYTHMS) == set(Sound) - {Sound.NONE}
    for sound in RHYTHMS:
        assert len(heard("clear", sound)) / RATE_HZ < 1.0
    assert notes(Sound.NONE) == ()


def test_a_stream_without_a_known_length_is_read_to_its_end() -> None:
    pcm = samples(notes(Sound.SAVED))
    data = bytearray(wav(pcm))
    data[40:44] = b"\xff\xff\xff\x7f"
    assert samples_of(bytes(data)) == pcm
    assert samples_of(bytes(data[:-1])) == pcm[:-1]


@pytest.mark.parametrize(
    ("at", "put", "says"),
    [(0, b"OggS", "no WAV stream"), (24, (16_000).to_bytes(4, "little"), "16000 samples a second")],
)
def test_another_stream_is_refused_with_a_reason(at: int, put: bytes, says: str) -> None:
    data = bytearray(wav(samples(notes(Sound.PART))))
    data[at : at + len(put)] = put
    with pytest.raises(ValueError, match=says):
        samples_of(bytes(data))
    with pytest.raises(ValueError, match="no WAV stream"):
        samples_of(b"")


def test_a_click_in_speech_is_heard_and_overflows_nothing() -> None:
    loud: Samples = array("h", [30_000] * 4000)
    click = samples(notes(Sound.PART))
    mixed = click_into(loud, click)
    assert len(mixed) == len(loud)
    assert mixed[len(click) :] == loud[len(click) :]
    assert max(mixed) <= FULL_SCALE
    found = np.abs(np.fft.rfft(np.array(mixed[: len(click)], float) * np.hanning(len(click)), RATE_HZ))
    assert np.argmax(found[300:]) + 300 == pytest.approx(644, abs=3)
