"""`tallywell tags`: the inventory that goes to the water, and the sheet of command cards."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli import options
from cli.contents import group
from cli.errors import DIFFERENT, RefusedError
from cli.show import Column, counted, local_time, say, say_json, table
from cli.target import Target, config_path, find_target, reading

if TYPE_CHECKING:
    from ingest.inventory import InventoryTag
    from ingest.station import Station
    from ingest.tag_table import TableProblem

app = group("Tags that you hold, and the cards that give commands.")


@app.command("import")
def import_(
    files: Annotated[
        list[Path],
        typer.Argument(metavar="FILE...", help="CSV files with a column headed tag.", show_default=False),
    ],
    config: options.Config = None,
    skip_bad_rows: Annotated[
        bool, typer.Option("--skip-bad-rows", help="Import although rows are left out; they are listed.")
    ] = False,
    as_json: options.Json = False,
) -> None:
    """Check tag inventories (CSV), copy them to the station.

    Columns: tag, and if wanted box, lot, date. Every row that cannot be used is listed with its reason; nothing is
    copied then, unless --skip-bad-rows is given. Exit code 1 if a file was not copied.
    """
    from ingest.station_config import load_station

    station = load_station(config_path(config))
    folder = _inventory_folder(station)
    reports = [_import_one(path, folder, station, skip_bad_rows) for path in files]
    if as_json:
        say_json({"folder": str(folder), "files": reports})
    else:
        for report in reports:
            say(_import_text(report))
    if not all(report["imported"] for report in reports):
        raise typer.Exit(DIFFERENT)


def _inventory_folder(station: "Station") -> Path:
    """The first folder that the station reads whole for inventories."""
    for pattern in station.file.station.inventory:
        folder, name = Path(pattern).parent, Path(pattern).name
        if name in ("*.csv", "*") and "*" not in str(folder):
            return station.folder / folder
    raise RefusedError(
        'The station\'s file names no folder of inventories: add inventory = ["inventory/*.csv"] to [station].'
    )


def _import_one(path: Path, folder: Path, station: "Station", skip_bad_rows: bool) -> dict[str, Any]:
    from ingest.disk import write_whole
    from ingest.inventory import parse_inventory
    from ingest.toml_file import read_text

    rows, problems = parse_inventory(read_text(path), path.name)
    target = folder / path.name
    lost = sum(problem.left_out in ("row", "rest") for problem in problems)
    cards = [row for row in rows if row.tag in station.tag_commands]
    broken = any(problem.left_out == "rest" for problem in problems)
    why = ""
    if path.suffix.lower() != ".csv":
        why = "its name does not end in .csv"
    elif not rows:
        why = "it holds no tag that can be used"
    elif cards:
        why = f"{cards[0].tag} (line {cards[0].line}) is the code of a command card"
    elif broken:
        why = "from some line on it is no table"
    elif lost and not skip_bad_rows:
        why = f"{counted(lost, 'row')} cannot be used: mend the file, or give --skip-bad-rows"
    data = path.read_bytes()
    already = target.exists() and target.read_bytes() == data
    if not why and target.exists() and not already:
        why = f"another file of this name is in {folder}: give this one another name"
    if not why and not already:
        folder.mkdir(parents=True, exist_ok=True)
        write_whole(target, data)
    return {
        "file": str(path),
        "imported": not why,
        "already_there": already,
        "why_not": why or None,
        "copied_to": None if why else str(target),
        "tags": len(rows),
        "rows_left_out": lost,
        "known_elsewhere": _known_elsewhere(rows, path.name, station),
        "problems": [_problem(problem) for problem in problems],
    }


def _known_elsewhere(rows: "tuple[InventoryTag, ...]", name: str, station: "Station") -> list[dict[str, Any]]:
    """Tags of the file that a fish bears already, or that another inventory holds too."""
    used = {row.tag: f"{row.file}, line {row.line}" for row in station.history}
    held = {
        row.tag: f"{row.file}, line {row.line}" for row in station.inventory if Path(row.file).name != name
    }
    known = []
    for row in rows:
        if row.tag in used:
            known.append({"tag": row.tag, "line": row.line, "why": f"in a fish already ({used[row.tag]})"})
        elif row.tag in held:
            known.append({"tag": row.tag, "line": row.line, "why": f"in another inventory ({held[row.tag]})"})
    return known


def _problem(problem: "TableProblem") -> dict[str, Any]:
    return {
        "line": problem.line,
        "column": problem.column,
        "value": problem.value,
        "text": problem.text,
        "left_out": problem.left_out,
    }


def _import_text(report: dict[str, Any]) -> str:
    if not report["imported"]:
        head = f"{report['file']}: not imported, {report['why_not']}."
    elif report["already_there"]:
        head = f"{report['file']}: {counted(report['tags'], 'tag')}, already in {report['copied_to']}."
    else:
        head = f"{report['file']}: {counted(report['tags'], 'tag')} imported into {report['copied_to']}."
    lines = [head]
    listed = [
        {"line": one["line"], "left_out": one["left_out"], "text": one["text"]} for one in report["problems"]
    ]
    listed += [
        {"line": one["line"], "left_out": "nothing", "text": f"{one['tag']} is {one['why']}."}
        for one in report["known_elsewhere"]
    ]
    if listed:
        listed.sort(key=lambda one: int(one["line"]))
        columns = (
            Column("line", "line", decimals=0),
            Column("left_out", "left out"),
            Column("text", "what was found"),
        )
        lines.append(table(listed, columns))
    return "\n".join(lines)


@app.command("list")
def list_(
    config: options.Config = None,
    db: options.Database = None,
    unused: Annotated[bool, typer.Option("--unused", help="Only tags that are in no fish yet.")] = False,
    as_json: options.Json = False,
) -> None:
    """List the tags of the inventory, and which are used."""
    target = find_target(config, db)
    rows = _inventory(target)
    free = sum(row["used_at"] is None for row in rows)
    shown = [row for row in rows if row["used_at"] is None] if unused else rows
    if as_json:
        say_json({"tags": shown, "n_tags": len(rows), "n_unused": free})
        return
    if not rows:
        say("No inventory is loaded. Import one: tallywell tags import FILE.csv")
        return
    view = [{**row, "used": local_time(row["used_at"], target.zone, "%Y-%m-%d") or "unused"} for row in shown]
    if view:
        columns = (
            Column("tag", "tag"),
            Column("used", "used on"),
            Column("box", "box"),
            Column("lot", "lot"),
            Column("source", "file"),
        )
        say(table(view, columns))
    say(f"{counted(len(rows), 'tag')}, {free} unused.")


def _inventory(target: Target) -> list[dict[str, Any]]:
    """Tag by tag: what the station's files hold, or what the database was given; and the first use of each."""
    used: dict[str, str] = {}
    given: list[dict[str, Any]] = []
    if target.database.exists() or target.config is None:
        with reading(target.database) as connection:
            used = dict(
                connection.execute(
                    "SELECT tag, min(at) FROM tag_history WHERE tag IN (SELECT tag FROM tag_inventory) GROUP BY tag"
                )
            )
            given = [
                {"tag": tag, "used_at": used.get(tag), "box": None, "lot": None, "source": source}
                for tag, source in connection.execute(
                    "SELECT tag, source FROM tag_inventory ORDER BY source, tag"
                )
            ]
    if target.config is None:
        return given
    from ingest.station_config import load_station

    station = load_station(target.config)
    for row in station.history:
        used.setdefault(row.tag, row.capture.at)
    return [
        {"tag": row.tag, "used_at": used.get(row.tag), "box": row.box, "lot": row.lot, "source": row.file}
        for row in station.inventory
    ]


@app.command("cards")
def cards(
    station_file: options.StationFile,
    out: Annotated[
        Path,
        typer.Option("--out", metavar="cards.html", help="Where the sheet is written (HTML, A4 or letter)."),
    ],
    as_json: options.Json = False,
) -> None:
    """Make the printable sheet of command cards."""
    from cli.cards import card_sheet
    from ingest.disk import write_whole
    from ingest.station_config import load_station

    station = load_station(station_file)
    found = station_cards(station)
    if not found:
        raise RefusedError(
            f"{station_file} has no commands: add them under [commands.tags] or [commands.keys]."
        )
    write_whole(out, card_sheet(station.name, found).encode())
    if as_json:
        listed = [
            {"door": one.door, "code": one.code, "command": one.command, "says": one.says} for one in found
        ]
        say_json({"out": str(out), "cards": listed})
        return
    columns = (Column("door", "by"), Column("code", "code"), Column("says", "does"))
    say(table([{"door": one.door, "code": one.code, "says": one.says} for one in found], columns))
    say(f"{counted(len(found), 'card')} in {out}: open it in a browser and print it.")


def station_cards(station: "Station") -> "list[Any]":
    """A card for each command tag, each common key, and each key that one instrument has of its own."""
    from cli.cards import Card
    from ingest.commands import describe

    found = [
        Card(tag, str(command), describe(command), "tag") for tag, command in station.tag_commands.items()
    ]
    codes = [code for kind in station.observations.values() for code in kind]
    common = dict.fromkeys([*station.file.commands.keys, *codes])
    for written, instrument in zip(station.file.instrument, station.instruments, strict=True):
        for key, command in instrument.keys.items():
            if key in written.keys:
                found.append(Card(key, str(command), describe(command), f"key of the {instrument.name}"))
            elif key in common:
                del common[key]
                found.append(Card(key, str(command), describe(command), "key"))
    return found
