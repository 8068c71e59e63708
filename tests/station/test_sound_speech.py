"""What is said after a tone."""

import io
import shutil
import subprocess
import wave
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.records import Sound
from ingest.station_file import SoundsTable
from station.sounds.companion import speaker_command
from station.sounds.speech import readable, spoken
from station.sounds.tones import RATE_HZ, samples_of
from station.units import Units
from tests.station.needs import needed


def recapture(at: str = "2026-07-14T09:00:00Z", **last: Any) -> dict[str, Any]:
    capture = {"at": "2026-05-12T14:00:00Z", "length_mm": 355.0, "withdrawal_until": None} | last
    return {
        "name": "recapture",
        "sound": "recapture",
        "sentence": "Recapture ...0123: ...",
        "at": at,
        "facts": {"captures": [capture]},
    }


def with_growth(name: str, mm_since: float, **last: Any) -> dict[str, Any]:
    said = recapture(**last) | {"name": name}
    said["facts"]["mm_since"] = mm_since
    return said


@pytest.mark.parametrize(
    ("announcement", "units", "sentence"),
    [
        (recapture(), "metric", "Recapture. 355 millimetres in May."),
        (recapture(), "inch_pound", "Recapture. 14.0 inches in May."),
        (recapture(at="2027-05-01T09:00:00Z"), "metric", "Recapture. 355 millimetres in May 2026."),
        (recapture(at="2027-04-30T09:00:00Z"), "metric", "Recapture. 355 millimetres in May."),
        (recapture(length_mm=None), "metric", "Recapture. Last seen in May."),
        (recapture(at="", length_mm=None), "metric", "Recapture. Last seen in May 2026."),
        (with_growth("recapture", 57.0), "metric", "Recapture. 412 millimetres. Up 57 since May."),
        (with_growth("fish_saved", 57.0), "metric", "Saved. 412 millimetres. Up 57 since May."),
        (with_growth("fish_saved", 57.0), "inch_pound", "Saved. 16.2 inches. Up 2.2 since May."),
        (with_growth("fish_saved", -3.0), "metric", "Saved. 352 millimetres. Down 3 since May."),
        (with_growth("fish_saved", 0.2), "metric", "Saved. 355 millimetres. As long as in May."),
        (
            recapture(withdrawal_until="2026-08-02"),
            "metric",
            "Recapture. 355 millimetres in May. Drug-treated, not to be eaten before 2 August 2026.",
        ),
        (recapture(withdrawal_until="2026-07-02"), "metric", "Recapture. 355 millimetres in May."),
        (
            recapture(at="2026-08-02T02:00:00Z", withdrawal_until="2026-08-02"),
            "metric",
            "Recapture. 355 millimetres in May. Drug-treated, not to be eaten before 2 August 2026.",
        ),
    ],
)
def test_a_recapture_is_told_in_one_breath(announcement: dict[str, Any], units: Units, sentence: str) -> None:
    assert spoken(announcement, units) == sentence


@pytest.mark.parametrize("sound", ["part", "saved", "none"])
def test_what_needs_no_answer_is_a_tone_only(sound: str) -> None:
    assert spoken({"name": "fish_saved", "sound": sound, "sentence": "Saved: 412 g.", "facts": {}}) is None


@pytest.mark.parametrize("sound", ["held", "trouble", "reminder", "stick"])
def test_what_asks_for_something_is_said(sound: str) -> None:
    said = {"name": "x", "sound": sound, "sentence": "Weigh again: 41.2 g.", "facts": {}}
    assert spoken(said) == "Weigh again: 41.2 grams."


@pytest.mark.parametrize(
    ("written", "units", "read"),
    [
        ("312 mm, 1 g, 0.1 mm and 1.1 kg", "metric", "312 millimetres, 1 gram, 0.1 millimetres and 1.1 kilograms"),
        ("312 mm and 412.0 g", "inch_pound", "12.3 inches and 0.91 pounds"),
        ("Tag ...0123 is on no list", "metric", "Tag ending 0 1 2 3 is on no list"),
        ("Tag 999000000000123 was saved", "metric", "Tag ending 0 1 2 3 was saved"),
        ("since 2026-05-12T14:00:00Z", "metric", "since 12 May 2026"),
        ("2026-19-12 is no day", "metric", "2026-19-12 is no day"),
        ("largemouth_bass <&>", "metric", "largemouth bass"),
    ],
)  # fmt: skip
def test_a_sentence_is_made_readable(written: str, units: Units, read: str) -> None:
    assert readable(written, units) == read


@given(st.text(max_size=400), st.sampled_from(["metric", "inch_pound"]))
def test_any_sentence_becomes_one_short_line(sentence: str, units: Units) -> None:
    said = readable(sentence, units)
    assert len(said) <= 200
    assert "\n" not in said


def test_a_long_sentence_ends_at_a_full_stop() -> None:
    assert readable("First one. " + "word " * 60) == "First one."


def test_the_voice_really_speaks() -> None:
    needed(shutil.which("espeak-ng"), "espeak-ng is not installed")
    sentence = spoken(with_growth("recapture", 57.0)) or ""
    made = subprocess.run(
        speaker_command(SoundsTable()), input=sentence.encode(), capture_output=True, check=True
    )
    pcm = samples_of(made.stdout)
    assert 2.0 < len(pcm) / RATE_HZ < 8.0
    assert max(pcm) > 3000
    with wave.open(io.BytesIO(made.stdout)) as file:
        assert file.getframerate() == RATE_HZ
    quieter = subprocess.run(
        speaker_command(SoundsTable(volume=0.2)), input=sentence.encode(), capture_output=True, check=True
    )
    assert max(samples_of(quieter.stdout)) < 0.5 * max(pcm)


def test_every_sound_of_the_records_can_be_asked_about() -> None:
    for sound in Sound:
        spoken({"name": "x", "sound": sound.value, "sentence": "", "facts": {}})
