"""`tallywell station sounds`: what the crew hears, to be looked at, heard and kept."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli import options
from cli.errors import NOT_NOW, RefusedError
from cli.show import Column, say, say_json, table

if TYPE_CHECKING:
    from ingest.station_file import SoundsTable

_MARK_S = 0.02
_SAID = "Recapture. 412 millimetres. Up 57 since May."


def sounds(
    station_file: Annotated[
        Path | None,
        typer.Argument(
            metavar="[STATION.toml]", help="The station whose settings count.", show_default=False
        ),
    ] = None,
    set_name: Annotated[
        str | None,
        typer.Option("--set", metavar="NAME", help="The set: clear or low. Default: the station's."),
    ] = None,
    play: Annotated[
        list[str] | None, typer.Option("--play", metavar="SOUND", help='Play this sound; "all" plays each.')
    ] = None,
    write: Annotated[
        Path | None, typer.Option("--write", metavar="FOLDER", help="Write each sound as a WAV file.")
    ] = None,
    as_json: options.Json = False,
) -> None:
    """Show, play or write the sounds that the crew hears.

    Each sound has a rhythm of its own; the pitches of the set come on top. With speech on in the station's file,
    an invented sentence follows a recapture. Exit code 3 if nothing can be played.
    """
    from ingest.records import Sound
    from station.sounds.tones import MEANINGS, RHYTHMS, notes

    settings = _settings(station_file, set_name)
    names = [one.value for one in RHYTHMS]
    wanted = names if play and "all" in play else list(play or ())
    for name in wanted:
        if name not in names:
            raise RefusedError(f'"{name}" is no sound; known are {", ".join(names)} and all.')
    rows: list[dict[str, Any]] = [
        {
            "sound": sound.value,
            "rhythm": _rhythm(notes(sound, settings.set)),
            "pitch": " ".join(dict.fromkeys(f"{note.hz:.0f}" for note in notes(sound, settings.set))),
            "meaning": MEANINGS[sound],
            "notes": [note._asdict() for note in notes(sound, settings.set)],
        }
        for sound in RHYTHMS
    ]
    written = [] if write is None else _write(settings, write)
    if wanted:
        _play(settings, [Sound(name) for name in wanted])
    if as_json:
        say_json({"set": settings.set, "sounds": rows, "written": written, "played": wanted})
        return
    if written:
        say("\n".join(written))
    if not wanted and not written:
        columns = (
            Column("sound", "sound"),
            Column("rhythm", f"rhythm (= is {_MARK_S} s)"),
            Column("pitch", "pitch (Hz)"),
            Column("meaning", "it says"),
        )
        say(table(rows, columns))


def _settings(station_file: Path | None, set_name: str | None) -> "SoundsTable":
    from ingest.station_config import load_station
    from ingest.station_file import SoundsTable
    from station.sounds.tones import SETS

    settings = SoundsTable() if station_file is None else load_station(station_file).file.sounds
    if set_name is None:
        return settings
    if set_name not in SETS:
        raise RefusedError(f'"{set_name}" is no set of sounds; known are {", ".join(SETS)}.')
    return settings.model_copy(update={"set": set_name})


def _rhythm(notes: Any) -> str:
    marks = ""
    for note in notes:
        marks = marks.ljust(round(note.start_s / _MARK_S)) + "=" * round(note.length_s / _MARK_S)
    return marks


def _write(settings: "SoundsTable", folder: Path) -> list[str]:
    from station.sounds.companion import tones_of
    from station.sounds.tones import wav

    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for sound, pcm in tones_of(settings).items():
        path = folder / f"{sound.value}.wav"
        path.write_bytes(wav(pcm))
        paths.append(str(path))
    return paths


def _play(settings: "SoundsTable", wanted: list[Any]) -> None:
    import time

    from ingest.records import Sound
    from station.sounds.companion import loudspeaker

    failures: list[tuple[str, str]] = []
    speaker = loudspeaker(settings, lambda name, sentence: failures.append((name, sentence)))
    try:
        for sound in wanted:
            speaker.play(sound, _SAID if sound is Sound.RECAPTURE else None)
            while not speaker.quiet:
                time.sleep(0.02)
    finally:
        speaker.close()
    for _, sentence in failures[:1]:
        raise RefusedError(sentence, NOT_NOW)
