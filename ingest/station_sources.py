"""Every file that can change a record: found on disk and read, not yet judged."""

import glob
import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from difflib import get_close_matches
from pathlib import Path
from typing import Literal, NamedTuple

from ingest.packs import PackError, read_pack
from ingest.shipped import shipped_config
from ingest.station_file import StationFile
from ingest.toml_file import ConfigError, Problem, parse_toml
from ingest.toml_lines import KeyPath, key_lines

SourceKind = Literal[
    "station", "protocol", "species", "instrument", "inventory", "history", "relations", "checks"
]
PackToUse = bytes | Literal["in place"] | None


class Source(NamedTuple):
    """One file as it was read. `name` is what the station's file calls it (`use`, `protocol`), else its path
    relative to the station's folder, for a species its file name; a file of the history pack is called `pack: ...`."""

    kind: SourceKind
    name: str
    data: bytes


@dataclass(slots=True)
class Complaints:
    """Problems of one TOML file, collected so that a person sees all of them at once."""

    file: str
    text: str
    problems: list[Problem] = field(default_factory=list)

    def say(self, path: KeyPath, text: str) -> None:
        """`path` leads to the key: table names, keys, and indices from 0 in arrays of tables."""
        lines = key_lines(self.text)
        known = next((path[:end] for end in range(len(path), 0, -1) if path[:end] in lines), None)
        key = "".join(f"[{step}]" if isinstance(step, int) else f".{step}" for step in path).removeprefix(".")
        self.problems.append(Problem(self.file, text, key, lines[known] if known else 1))

    def raise_any(self) -> None:
        if self.problems:
            raise ConfigError(tuple(self.problems))


def source_text(source: Source, shown: str) -> str:
    """The text of a source, a byte order mark dropped. Raises ConfigError naming the file as `shown`."""
    try:
        return source.data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        text = f"byte {error.start} is not UTF-8 text; save the file as UTF-8."
        raise ConfigError((Problem(shown, text),)) from None


def read_sources(path: Path, pack: PackToUse = "in place") -> tuple[tuple[Source, ...], Mapping[Source, str]]:
    """The station's file, all files that it names, and those of its history pack, with the path of each for messages.

    `pack` as in `load_station`. Raises ConfigError if the station's file is not valid, a file that it names is not
    there, or the pack is damaged.
    """
    station = Source("station", path.name, _bytes(path))
    text = source_text(station, str(path))
    file = parse_toml(text, StationFile, str(path))
    complaints = Complaints(str(path), text)
    shown = {station: str(path)}
    wanted = [
        *_protocol(file, path.parent, complaints),
        *_species(file, path.parent, complaints),
        *_instruments(file, path.parent, complaints),
        *_tables(file, path.parent, complaints),
    ]
    for kind, name, where in wanted:
        try:
            shown[Source(kind, name, _bytes(where))] = str(where)
        except ConfigError as error:
            complaints.problems.extend(error.problems)
    shown |= _of_pack(path.parent / file.station.pack, pack, shown, complaints)
    complaints.raise_any()
    return tuple(shown), shown


def _of_pack(
    path: Path, pack: PackToUse, known: dict[Source, str], complaints: Complaints
) -> dict[Source, str]:
    """The sources of the history pack. Its species come in place of the shipped ones, but not of the station's own."""
    if pack == "in place":
        try:
            pack = path.read_bytes() if path.exists() else None
        except OSError as error:
            complaints.problems.append(
                Problem(str(path), f"the history pack cannot be read ({error.strerror}).")
            )
            return {}
    if pack is None:
        return {}
    try:
        files = list(read_pack(pack, str(path)).sources())
    except PackError as error:
        text = f"{error} Until then move it away: the station works without one, and knows less of its fish."
        complaints.problems.append(Problem(str(path), text))
        return {}
    shipped = shipped_config() / "species"
    found: dict[Source, str] = {}
    for kind, name, data in files:
        there = next((one for one in known if (one.kind, one.name) == (kind, name)), None)
        if there is not None and Path(known[there]).parent != shipped:
            continue
        if there is not None:
            del known[there]
        found[Source(kind, name, data)] = f"{path}/{name.removeprefix('pack: ')}"
    return found


def source_patterns(path: Path) -> tuple[str, ...]:
    """The files that `read_sources(path)` reads or would read if they were there, as paths that may hold `*`.

    Raises ConfigError if the station's file is not valid.
    """
    text = source_text(Source("station", path.name, _bytes(path)), str(path))
    file = parse_toml(text, StationFile, str(path))
    here = glob.escape(os.path.abspath(path.parent))
    named = Complaints(str(path), text)  # what is not there now is said when it is read
    known = [*_protocol(file, path.parent, named), *_instruments(file, path.parent, named)]
    own = [folder for folder in (file.station.species, file.station.instruments) if folder is not None]
    return (
        os.path.join(here, glob.escape(path.name)),
        os.path.join(glob.escape(str(shipped_config() / "species")), "*.toml"),
        *(glob.escape(os.path.abspath(where)) for _, _, where in known),
        os.path.join(here, glob.escape(file.station.pack)),
        *(os.path.join(here, glob.escape(folder), "*.toml") for folder in own),
        *(os.path.join(here, pattern) for pattern in (*file.station.inventory, *file.station.history)),
    )


_Wanted = Iterator[tuple[SourceKind, str, Path]]


def _bytes(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except FileNotFoundError:
        text = "there is no such file; check the name and the folder."
    except OSError as error:
        text = f"the file cannot be read ({error.strerror or error}); check that it is a file you may read."
    raise ConfigError((Problem(str(path), text),))


def _protocol(file: StationFile, folder: Path, complaints: Complaints) -> _Wanted:
    name = file.station.protocol
    found = _named(name, folder, [shipped_config() / "protocol"])
    if isinstance(found, Path):
        yield "protocol", name, found
    else:
        complaints.say(("station", "protocol"), f'there is no protocol "{name}"; {found}')


def _species(file: StationFile, folder: Path, complaints: Complaints) -> _Wanted:
    files = {path.name: path for path in sorted((shipped_config() / "species").glob("*.toml"))}
    if file.station.species is not None:
        own = folder / file.station.species
        if not os.path.isdir(own):
            text = f"there is no folder {own}; make it, or take the key out."
            complaints.say(("station", "species"), text)
            return
        files |= {path.name: path for path in sorted(own.glob("*.toml"))}
    for name, path in files.items():
        yield "species", name, path


def _instruments(file: StationFile, folder: Path, complaints: Complaints) -> _Wanted:
    folders = [shipped_config() / "instruments"]
    if file.station.instruments is not None:
        own = folder / file.station.instruments
        if not os.path.isdir(own):
            text = f"there is no folder {own}; make it, or take the key out."
            complaints.say(("station", "instruments"), text)
        folders.insert(0, own)
    found: dict[str, Path] = {}
    for index, table in enumerate(file.instrument):
        where = _named(table.use, folder, folders)
        if isinstance(where, Path):
            found[table.use] = where
        else:
            text = f'there is no instrument file "{table.use}"; {where}'
            complaints.say(("instrument", index, "use"), text)
    for name, path in found.items():
        yield "instrument", name, path


def _tables(file: StationFile, folder: Path, complaints: Complaints) -> _Wanted:
    kinds: tuple[tuple[Literal["inventory", "history"], tuple[str, ...]], ...] = (
        ("inventory", file.station.inventory),
        ("history", file.station.history),
    )
    for kind, patterns in kinds:
        names: dict[str, None] = {}
        for index, pattern in enumerate(patterns):
            matches = sorted(glob.glob(pattern, root_dir=folder))
            if not matches and not glob.has_magic(pattern):
                text = f'there is no file "{pattern}"; check the name, or take it out.'
                complaints.say(("station", kind, index), text)
            names |= dict.fromkeys(matches)
        for name in names:
            yield kind, name, folder / name


def _named(name: str, folder: Path, folders: list[Path]) -> Path | str:
    """The file that a name or path means, or what to do if there is none."""
    if name.endswith(".toml"):
        path = folder / name
        return path if os.path.isfile(path) else f"{path} is no file."
    known = {path.stem: path for one in reversed(folders) for path in sorted(one.glob("*.toml"))}
    if name in known:
        return known[name]
    near = get_close_matches(name, known, n=1)
    if near:
        return f'did you mean "{near[0]}"?'
    return f"known are {', '.join(sorted(known)) or 'none'}; or give the path of a file that ends in .toml."
