"""`tallywell station` and `tallywell command`: the daemon, and what can be asked and told of it."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli import options, pack_commands
from cli.contents import group
from cli.daemon import running_station
from cli.errors import BAD_INPUT, NOT_NOW
from cli.show import Column, blanks, counted, local_time, pairs, say, say_json, seconds, table
from cli.target import Target, find_target, reading

if TYPE_CHECKING:
    from ingest.station import Station

app = group("The work-up station: check its file, run it, look at it.")
app.command("pack")(pack_commands.take)


@app.command("check")
def check(station_file: options.StationFile, as_json: options.Json = False) -> None:
    """Read the station's file and what it names; list problems.

    Every problem is shown with its file, line and key."""
    from ingest.station_config import load_station
    from ingest.toml_file import ConfigError

    try:
        station = load_station(station_file)
    except ConfigError as error:
        if as_json:
            problems = [
                {"file": one.file, "line": one.line, "column": one.column, "key": one.key, "text": one.text}
                for one in error.problems
            ]
            say_json({"ok": False, "problems": problems})
        else:
            number = len(error.problems)
            typer.echo(str(error), err=True)
            typer.echo(f"{counted(number, 'problem')}: the station cannot start.", err=True)
        raise typer.Exit(BAD_INPUT) from None
    if as_json:
        say_json(_checked(station))
        return
    say(_checked_text(station))


def _checked(station: "Station") -> dict[str, Any]:
    return {
        "ok": True,
        "station": station.name,
        "database": str(station.database),
        "journal": str(station.journal),
        "journal_mirror": None if station.journal_mirror is None else str(station.journal_mirror),
        "timezone": station.file.station.timezone,
        "protocol": station.protocol.name,
        "benches": {name: {"species": bench.species} for name, bench in station.benches.items()},
        "instruments": [
            {
                "name": one.name,
                "kind": one.declaration.kind,
                "use": one.declaration.name,
                "bench": one.bench,
                "port": one.port.address,
            }
            for one in station.instruments
        ],
        "page": _page_facts(station),
        "command_tags": {tag: str(command) for tag, command in station.tag_commands.items()},
        "n_species": len(station.species.by_slug),
        "n_inventory_tags": len(station.inventory),
        "n_history_captures": len(station.history),
        "sources": [{"kind": one.kind, "name": one.name, "bytes": len(one.data)} for one in station.sources],
        "table_problems": [str(problem) for problem in station.problems],
    }


def _checked_text(station: "Station") -> str:
    settings = station.file
    survey = settings.survey
    by_kind: dict[str, list[str]] = {}
    for source in station.sources:
        by_kind.setdefault(source.kind, []).append(source.name)
    cards = f"{counted(len(station.tag_commands), 'tag')}, {counted(len(settings.commands.keys), 'key')}"
    facts = [
        ("station", f"{station.name}, times in {settings.station.timezone}"),
        ("database", str(station.database)),
        ("journal", f"{station.journal}{_mirror(station)}"),
        ("survey", f"{survey.water}{f', {survey.name}' if survey.name else ''}" if survey else "provisional"),
        ("protocol", station.protocol.name),
        (
            "benches",
            ", ".join(
                f"{name} ({blanks(bench.species) or 'no species'})" for name, bench in station.benches.items()
            ),
        ),
        ("page", _page(station)),
        ("commands", cards),
        ("species", f"{len(station.species.by_slug)} known"),
        ("inventory", f"{counted(len(station.inventory), 'tag')}{_files(by_kind, 'inventory')}"),
        ("history", f"{counted(len(station.history), 'capture')}{_files(by_kind, 'history')}"),
    ]
    view = [
        {
            "name": one.name,
            "kind": one.declaration.kind.replace("_", " "),
            "use": one.declaration.name,
            "bench": one.bench,
            "line": _line(one.port),
            "port": one.port.address,
        }
        for one in station.instruments
    ]
    columns = (
        Column("name", "instrument"),
        Column("kind", "kind"),
        Column("use", "file"),
        Column("bench", "bench"),
        Column("line", "line"),
        Column("port", "port", wraps=False),
    )
    parts = [pairs(facts), table(view, columns)]
    if station.problems:
        lines = "\n".join(str(problem) for problem in station.problems)
        parts.append(f"Rows that are not used as they stand ({len(station.problems)}):\n{lines}")
    parts.append("The station can start.")
    return "\n\n".join(parts)


def _page_facts(station: "Station") -> dict[str, Any]:
    from station.addresses import page_addresses

    page = station.file.page
    addresses = page_addresses(page, page.port) if page.on and page.port else []
    return {"on": page.on, "network": page.network, "addresses": addresses, "units": page.units}


def _page(station: "Station") -> str:
    facts = _page_facts(station)
    if not facts["on"]:
        return "none"
    where = " or ".join(facts["addresses"]) or "at an address that is said at the start"
    return f"{where}, {'the network too, after pairing' if facts['network'] else 'this computer only'}"


def _mirror(station: "Station") -> str:
    return (
        f", mirror {station.journal_mirror}" if station.journal_mirror else ", no mirror on a second medium"
    )


def _files(by_kind: dict[str, list[str]], kind: str) -> str:
    names = by_kind.get(kind, [])
    return f" in {', '.join(names)}" if names else ", no file"


def _line(port: Any) -> str:
    return f"{port.baud} {port.data_bits}{port.parity[0].upper()}{port.stop_bits}"


@app.command("run")
def run(station_file: options.StationFile) -> None:
    """Run the station until ctrl-C.

    Instruments in, records and announcements out, the page and the sounds; SIGTERM stops it as cleanly as ctrl-C."""
    from ingest.daemon import run_station
    from ingest.station_config import load_station
    from station.serving import start_page
    from station.sounds.companion import start_sounds
    from station.sticks.companion import start_sticks

    load_station(station_file)  # what is wrong with it is said here as by every command
    raise typer.Exit(run_station(station_file, companions=[start_sounds, start_page, start_sticks]))


@app.command("status")
def status(config: options.Config = None, db: options.Database = None, as_json: options.Json = False) -> None:
    """Show the fish in hand, survey, run and instruments.

    Lengths in mm, weights in g; of each instrument the seconds since its last byte.

    If no station runs, shows what its database says, with exit code 3.
    """
    target = find_target(config, db)
    with running_station(target.database) as client:
        answer = None if client is None else client.ask("status")
    if answer is not None:
        answer.pop("ok", None)
        if as_json:
            say_json({"running": True, **answer})
        else:
            say(status_text(answer, target))
        return
    from cli.questions import overview

    with reading(target.database) as connection:
        found = overview(connection)
    if as_json:
        say_json(found)
    else:
        say(_overview_text(found, target))
    raise typer.Exit(NOT_NOW)


def status_text(answer: dict[str, Any], target: Target) -> str:
    """The running station's answer, for people."""
    survey = answer["survey"]
    facts = [
        (
            "station",
            f"{answer['station']}, running, {local_time(answer['at'], target.zone)} ({target.zone_name})",
        ),
        ("clock", "doubtful: set it before the next fish" if answer["clock_doubtful"] else ""),
        ("survey", _survey_line(survey)),
        ("run", _run_line(survey)),
        ("database", _trouble(answer["database"], answer["database_trouble"], answer["waiting_commits"])),
        ("journal", answer["journal_trouble"] or ""),
        (
            "refused",
            f"{answer['records_refused']} records: look at the log" if answer["records_refused"] else "",
        ),
    ]
    for name, bench in answer["benches"].items():
        facts.append((f"bench {name}", f"species {blanks(bench['species']) or 'not chosen'}"))
        facts.append(("  in hand", _fish_line(bench["in_hand"]) if bench["in_hand"] else "no fish"))
        facts += [("  held", _fish_line(fish)) for fish in bench["held"] if fish != bench["in_hand"]]
        facts += [("  parked", _fish_line(fish)) for fish in bench["parked"]]
    parts = [pairs(facts)]
    if answer["instruments"]:
        parts.append(instruments_text(answer["instruments"]))
    return "\n\n".join(parts)


def instruments_text(instruments: dict[str, Any]) -> str:
    """The health of the running station's instruments."""
    view = [
        {
            "name": name,
            "port": "silent" if one["silent"] and one["port"] == "opened" else one["port"],
            "quiet": f"{seconds(one['quiet_s'])} ago" if one["quiet_s"] is not None else "never",
            "losses": one["losses"],
            "said": ", ".join(_counted(kind, count) for kind, count in sorted(one["outcomes"].items())),
            "trouble": one["last_error"] if one["port"] != "opened" else None,
        }
        for name, one in instruments.items()
    ]
    columns = (
        Column("name", "instrument"),
        Column("port", "port"),
        Column("quiet", "last byte", align="right"),
        Column("losses", "lost", 0),
        Column("said", "said so far"),
    )
    troubles = [f"{one['trouble']}" for one in view if one["trouble"]]
    return "\n".join([table(view, columns), *troubles])


_OUTCOMES = {
    "TagSeen": "tag", "TagRefused": "refused tag", "LengthSeen": "length", "WeightSeen": "scale line",
    "WeightSettled": "weight", "PanEmpty": "empty pan", "ScaleTrouble": "trouble", "KeySeen": "key",
    "NotMine": "strange line",
}  # fmt: skip


def _counted(kind: str, count: int) -> str:
    one = _OUTCOMES.get(kind)
    return f"{count} damaged ({kind.removeprefix('Damaged ')})" if one is None else counted(count, one)


def _survey_line(survey: dict[str, Any] | None) -> str:
    if survey is None:
        return "none open: the first reading opens one"
    title = ", ".join(part for part in (survey["water"], survey["name"]) if part)
    return title or "provisional: name it with tallywell survey open --water WATER"


def _run_line(survey: dict[str, Any] | None) -> str:
    if survey is None or survey["run_no"] is None:
        return "none"
    state = "open" if survey["run_open"] else "ended"
    worked_up = f"; fish of run {survey['work_up_run']} are worked up" if survey["work_up_run"] else ""
    return f"{survey['run_no']}, {state}{worked_up}"


def _trouble(database: str, trouble: str | None, waiting: int) -> str:
    return f"{database}: {trouble} {waiting} records wait." if trouble else database


def _fish_line(fish: dict[str, Any]) -> str:
    measures = [
        blanks(fish["species"]) or "",
        f"tag {fish['tag']}" if fish["tag"] else "",
        f"{fish['length_mm']:.0f} mm" if fish["length_mm"] is not None else "",
        f"{fish['weight_g']:.1f} g" if fish["weight_g"] is not None else "",
    ]
    missing = f"; missing: {', '.join(fish['missing'])}" if fish["missing"] else ""
    asks = f"; to settle: {', '.join(fish['questions'])}" if fish["questions"] else ""
    return ", ".join(part for part in measures if part) + missing + asks


def _overview_text(found: dict[str, Any], target: Target) -> str:
    from cli.questions import survey_title

    survey, run = found["survey"], found["run"]
    facts = [("station", f"not running; this is what {target.database} says")]
    if survey is None:
        facts.append(("survey", "none so far"))
    else:
        closed = survey["closed_at"]
        state = f"closed {local_time(closed, target.zone)}" if closed else "still open"
        opened = local_time(survey["opened_at"], target.zone)
        facts.append(("survey", f"{survey_title(survey)}, opened {opened} ({target.zone_name}), {state}"))
        facts.append(("fish", f"{survey['n_fish']}, of them {counted(survey['n_recaptures'], 'recapture')}"))
    if run is not None:
        facts.append(("run", f"{run['run_no']}, {'ended' if run['ended_at'] else 'still open'}"))
    for fish in found["waiting"]:
        facts.append((fish["status"], _fish_line({**fish, "missing": [], "questions": [fish["rule"]]})))
    return pairs(facts)


@app.command("snapshot")
def snapshot(
    target_file: Annotated[
        Path,
        typer.Argument(
            metavar="TARGET", help="The file to make, or an older snapshot to replace.", show_default=False
        ),
    ],
    config: options.Config = None,
    db: options.Database = None,
    as_json: options.Json = False,
) -> None:
    """Make a verified copy of the database, at any time."""
    from cli.snapshot import take_snapshot

    made = take_snapshot(find_target(config, db).database, target_file)
    if as_json:
        say_json(made)
        return
    rows = made["rows"]
    say(f"{made['path']}: {made['size_bytes'] / 1e6:.1f} MB, {rows['fish']} fish, whole and checked.")
    say(f"sha256 {made['sha256']}")


def command(
    text: Annotated[
        list[str],
        typer.Argument(
            metavar="COMMAND...",
            help='What a card would say, such as "species bluegill".',
            show_default=False,
        ),
    ],
    bench: Annotated[
        str | None, typer.Option("--bench", metavar="B", help="The bench it is for, where there are several.")
    ] = None,
    config: options.Config = None,
    db: options.Database = None,
    as_json: options.Json = False,
) -> None:
    """Give a command of the crew, such as: species bluegill.

    It does what the command card does, and what it caused is printed. Exit code 1 if the station did not do it.
    Possible: species NAME; species-once NAME; fate released|removed|kept|died|escaped; sex F|M|unknown; note TEXT;
    maturity TEXT; mark TEXT; anomaly TEXT; sample LABEL; untagged; again; void; keep; next; both; resume; no-weight;
    count +NUMBER; batch SPECIES count=NUMBER; work-up run NUMBER; crew POST=CODE; treatment agent=AGENT; treatment end;
    and the survey and run commands.
    """
    from cli.survey_commands import give

    give(" ".join(text), find_target(config, db), bench, as_json)
