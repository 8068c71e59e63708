"""`tallywell office pack` and `station pack`: the history goes along on the next trip."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli import options
from cli.errors import RefusedError
from cli.office_target import not_an_office, one_water, reading_office
from cli.show import Column, blanks, counted, say, say_json, table
from cli.species_files import species_book
from cli.target import config_path

if TYPE_CHECKING:
    from office.pack import Packed


def write(
    waters: Annotated[
        list[str], typer.Argument(metavar="WATER...", help="The waters of the next trip.", show_default=False)
    ],
    out: Annotated[
        str,
        typer.Option(
            "--out",
            metavar="FOLDER|STICK|ADDRESS",
            help="Where to write it, on a stick into tallywell/pack; or a station's address (http://...) that takes it.",
        ),
    ],
    code: Annotated[
        str | None,
        typer.Option(
            "--code", metavar="CODE", help="The code that the station shows, once.", show_default=False
        ),
    ] = None,
    tags: Annotated[
        list[Path] | None,
        typer.Option(
            "--tags", metavar="TAGS.csv", help="Tags that you hold, as for tags import. May be repeated."
        ),
    ] = None,
    species: Annotated[
        Path | None,
        typer.Option(
            "--species", metavar="FOLDER", help="Species files of your own, to go along.", show_default=False
        ),
    ] = None,
    checks: Annotated[
        Path | None,
        typer.Option(
            "--checks", metavar="CHECKS.toml", help="Limits with the keys of [checks].", show_default=False
        ),
    ] = None,
    office: options.Office = options.OFFICE_HERE,
    as_json: options.Json = False,
) -> None:
    """Write the history pack for the next trip.

    All captures of the animals of these waters, as amended, with withdrawal days; unused tags; species, limits of the
    checks and the waters' own length-weight relations (mm, g).
    """
    import time

    from ingest.frames import rfc3339
    from ingest.packs import write_pack
    from office.pack import make_pack

    book = species_book(species)
    own = (
        {path.name: path.read_bytes() for path in sorted(species.glob("*.toml"))}
        if species is not None
        else {}
    )
    held = [tag for path in tags or () for tag in _tags_of(path)]
    limits = None if checks is None else _limits(checks)
    with reading_office(office) as connection:
        office_id = _office_id(connection, office)
        chosen = [one_water(connection, water) for water in waters]
        packed = make_pack(
            connection, chosen, book, office_id=office_id, made_at=rfc3339(time.time()), tags=held, species_files=own,
            checks=limits,
        )  # fmt: skip
    data = write_pack(packed.pack)
    said = _send(data, out, office, code) if "://" in out else None
    path = out if said is not None else str(_write(data, packed.pack.made_at, Path(out)))
    if as_json:
        say_json({**_json(packed), "pack": path, "station_says": said})
    else:
        say(_text(packed, path if said is None else f"{path}: {said}"))


def _write(data: bytes, made_at: str, out: Path) -> Path:
    from ingest.disk import write_whole
    from ingest.packs import STICK_FOLDER

    folder = out / STICK_FOLDER if _is_stick(out) else out
    folder.mkdir(parents=True, exist_ok=True)
    stamp = made_at[:19].replace("-", "").replace(":", "")
    path = folder / f"history-pack-{stamp}Z.zip"
    write_whole(path, data)
    if path.read_bytes() != data:
        raise RefusedError(f"{path} reads back differently: the medium fails, take another one.")
    return path


def _send(data: bytes, address: str, office: Path, code: str | None) -> str:
    """Hand it to a station on the network; what the station says."""
    from office.manifest import PullRefusedError
    from office.network import TokenBook, find_address

    try:
        station = find_address(address, TokenBook(office.with_name(office.name + ".tokens")), code)
        assert station is not None
        return station.send_pack(data)[1]
    except PullRefusedError as refused:
        raise RefusedError(str(refused)) from None


def take(
    place: Annotated[
        Path,
        typer.Argument(
            metavar="FOLDER|STICK|FILE",
            help="Where the pack lies; the newest one is taken.",
            show_default=False,
        ),
    ],
    config: options.Config = None,
    force: Annotated[
        bool, typer.Option("--force", help="Take a pack that is older than the one in use.")
    ] = False,
    as_json: options.Json = False,
) -> None:
    """Take the history pack of the office.

    It is verified whole, tried with the station's own files, and put in place by one rename. A station that runs uses
    it within seconds.
    """
    from ingest.pack_taking import find_pack_for, take_pack
    from ingest.packs import PackError

    station_file = config_path(config)
    try:
        path, data = find_pack_for(place, station_file)
        taken = take_pack(data, station_file, shown=str(path), force=force)
    except PackError as error:
        raise RefusedError(str(error)) from None
    if as_json:
        say_json(
            {
                "taken": taken.changed,
                "pack": str(path),
                "in_place": str(taken.path),
                "made_at": taken.pack.made_at,
                "waters": list(taken.pack.waters),
                "sentence": taken.sentence,
            }
        )
    else:
        say(taken.sentence)


def _office_id(connection: Any, office: Path) -> str:
    import sqlite3

    try:
        (office_id,) = connection.execute("SELECT office_id FROM office").fetchone()
    except sqlite3.OperationalError:
        raise not_an_office(office) from None
    return str(office_id)


def _tags_of(path: Path) -> list[str]:
    from ingest.inventory import parse_inventory

    rows, problems = parse_inventory(path.read_text("utf-8"), str(path))
    refused = [str(one) for one in problems if one.left_out in ("row", "rest")]
    if refused:
        raise RefusedError("\n".join(refused))
    return [row.tag for row in rows]


def _limits(path: Path) -> bytes:
    from ingest.station_file import ChecksTable
    from ingest.toml_file import load_toml

    load_toml(path, ChecksTable)
    return path.read_bytes()


def _is_stick(out: Path) -> bool:
    """A mounted medium, or one that bears the agreed folder already."""
    return out.is_mount() or (out / "tallywell").is_dir()


def _json(packed: "Packed") -> dict[str, Any]:
    return {
        "made_at": packed.pack.made_at,
        "waters": list(packed.pack.waters),
        "animals": packed.animals,
        "captures": packed.captures,
        "unused_tags": packed.unused_tags,
        "used_tags": packed.used_tags,
        "relations": [
            {
                "water": water,
                "species": species,
                "a": one.log10_a,
                "b": one.b,
                "c": one.c,
                "sd": one.sd,
                "n": one.n,
            }
            for (water, species), one in packed.relations.items()
        ],
        "files": sorted(packed.pack.files),
    }


def _text(packed: "Packed", where: str) -> str:
    lines = [
        where,
        f"{counted(packed.captures, 'capture')} of {counted(packed.animals, 'animal')} of {', '.join(packed.pack.waters)}; "
        f"{counted(packed.unused_tags, 'unused tag')} ({packed.used_tags} used).",
    ]
    if packed.relations:
        rows = [
            {
                "water": water,
                "species": blanks(species),
                "a": one.log10_a,
                "b": one.b,
                "c": one.c or None,
                "sd": one.sd,
                "n": one.n,
            }
            for (water, species), one in packed.relations.items()
        ]
        columns = (
            Column("water", "water"),
            Column("species", "species"),
            Column("a", "a", 3),
            Column("b", "b", 3),
            Column("c", "c", 3),
            Column("sd", "sd", 3),
            Column("n", "fish", 0),
        )
        lines += [
            "Own relations, log10 weight g = a + b x (+ c x^2), x = log10 length mm:",
            table(rows, columns),
        ]
    return "\n".join(lines)
