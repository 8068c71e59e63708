"""`tallywell instruments`: what can be connected, what is connected, what it says, and whether it says the truth."""

import time
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from cli import options
from cli.contents import group
from cli.daemon import running_station
from cli.errors import DIFFERENT, NOT_NOW, RefusedError
from cli.show import Column, escaped, local_time, say, say_json, spaced_hex, table

if TYPE_CHECKING:
    from cli.doctor import Examined
    from cli.permissible_error import Verdict
    from ingest.station import Station, StationInstrument

_LONGEST_S = 1e7  # four months; longer times are no times to the operating system

app = group("Instruments: which there are, what they say, whether they are right.")

Name = Annotated[
    str, typer.Argument(metavar="NAME", help="The instrument's name in that file.", show_default=False)
]


@app.command("list")
def list_(
    station_file: Annotated[
        Path | None,
        typer.Argument(
            metavar="[STATION.toml]", help="Also list the instruments of this station.", show_default=False
        ),
    ] = None,
    ports: Annotated[
        bool, typer.Option("--ports", help="Also list the serial ports of this computer.")
    ] = False,
    as_json: options.Json = False,
) -> None:
    """List instrument files, instruments and ports."""
    from ingest.station_config import load_station

    station = None if station_file is None else load_station(station_file)
    found: dict[str, Any] = {"shipped": _shipped()}
    if station is not None:
        found["configured"] = _configured(station)
    if ports:
        found["ports"] = _ports(station)
    if as_json:
        say_json(found)
        return
    parts = []
    if station is not None:
        columns = (
            Column("name", "instrument"),
            Column("kind", "kind"),
            Column("use", "file"),
            Column("bench", "bench"),
            Column("port", "port", wraps=False),
        )
        parts.append(f"Instruments of station {station.name}:\n{table(found['configured'], columns)}")
    if ports:
        parts.append(_ports_text(found["ports"]))
    if not parts:
        file_columns = (Column("name", "file"), Column("kind", "kind"), Column("summary", "a line of it"))
        parts.append(f"Instrument files to name with use = ...:\n{table(found['shipped'], file_columns)}")
    say("\n\n".join(parts))


def _shipped() -> list[dict[str, Any]]:
    from drivers.declaration import load_declaration
    from ingest.shipped import shipped_config

    files = sorted((shipped_config() / "instruments").glob("*.toml"))
    declared = [load_declaration(path.read_text(encoding="utf-8"), path.name) for path in files]
    return [
        {"name": one.name, "kind": one.kind.replace("_", " "), "summary": one.summary, "baud": one.line.baud}
        for one in declared
    ]


def _configured(station: "Station") -> list[dict[str, Any]]:
    return [
        {
            "name": one.name,
            "kind": one.declaration.kind.replace("_", " "),
            "use": one.declaration.name,
            "bench": one.bench,
            "port": one.port.address,
        }
        for one in station.instruments
    ]


def _ports(station: "Station | None") -> list[dict[str, Any]]:
    import os

    from drivers.transport import list_ports

    users: dict[str, str] = {}
    for one in station.instruments if station else ():
        address = one.port.address
        users[os.path.realpath(address) if address.startswith("/") else address] = one.name
    return [
        {
            "device": port.device,
            "description": None if port.description in ("n/a", port.device) else port.description,
            "by_id": port.by_id,
            "by_path": port.by_path,
            "usb": port.usb,
            "instrument": users.get(os.path.realpath(port.device)) or users.get(port.usb or ""),
            "hint": port.warning or f'port = "{_best_name(port)}"',
        }
        for port in list_ports()
    ]


def _best_name(port: Any) -> str:
    """by-id names the instrument wherever it is plugged in; by-path the plug; the node neither."""
    return str(port.by_id or port.by_path or port.device)


def _ports_text(found: list[dict[str, Any]]) -> str:
    if not found:
        return "This computer has no serial port now: plug the instrument or its adapter in and look again."
    columns = (
        Column("device", "port"),
        Column("instrument", "instrument"),
        Column("description", "description"),
        Column("by_path", "by path"),
        Column("hint", "what to write"),
    )
    return f"Serial ports of this computer:\n{table(found, columns)}"


@app.command("check")
def check(
    station_file: options.StationFile,
    name: Name,
    weight: Annotated[
        float | None, typer.Option("--weight", metavar="G", min=0.001, help="The known weight, in g.")
    ] = None,
    length: Annotated[
        float | None, typer.Option("--length", metavar="MM", min=0.1, help="The known length, in mm.")
    ] = None,
    times: Annotated[int, typer.Option("--times", metavar="N", min=1, help="How many readings to take.")] = 1,
    for_s: Annotated[
        float,
        typer.Option(
            "--for",
            metavar="SECONDS",
            min=0.1,
            max=_LONGEST_S,
            help="How long to wait for the readings, in seconds.",
        ),
    ] = 60.0,
    as_json: options.Json = False,
) -> None:
    """Check a scale by a known weight (g), a board by mm.

    A scale may be off by twice the maximum permissible error of OIML class III, a board by one division. The result is
    kept in the database; exit code 1 if the check failed.
    """
    if (weight is None) == (length is None):
        raise RefusedError("Give either --weight G for a scale or --length MM for a board.")
    kind: Literal["weight", "length"] = "weight" if weight is not None else "length"
    expected = weight if weight is not None else length
    assert expected is not None
    station, setup = _instrument(station_file, name)
    wanted = "scale" if kind == "weight" else "board"
    if setup.declaration.kind != wanted:
        what = setup.declaration.kind.replace("_", " ")
        raise RefusedError(f"{name} is a {what}, not a {wanted}: a --{kind} cannot be checked with it.")
    _refuse_if_station_runs(station, name)
    results = _take_checks(station, setup, kind, expected, times, for_s)
    verdicts = [verdict for verdict, _ in results]
    if as_json:
        say_json(
            {"instrument": name, "passed": all(one.passed for one in verdicts), "checks": _plain(results)}
        )
    else:
        say(_verdict_text(verdicts))
    if not all(one.passed for one in verdicts):
        raise typer.Exit(DIFFERENT)


def _take_checks(
    station: "Station",
    setup: "StationInstrument",
    kind: Literal["weight", "length"],
    expected: float,
    times: int,
    for_s: float,
) -> "list[tuple[Verdict, bytes]]":
    from cli.check_measurements import settled_readings, store_checks
    from cli.permissible_error import judge

    unit = "g" if kind == "weight" else "mm"
    put = (
        f"Put {expected:g} g on the empty {setup.name}"
        if kind == "weight"
        else f"Measure {expected:g} mm on the {setup.name}"
    )
    again = f", {times} times, taking it off in between" if times > 1 else ""
    typer.echo(f"{put}{again}; waiting {for_s:g} s at most.", err=True)
    results: list[tuple[Verdict, bytes]] = []
    for reading in settled_readings(setup, kind, for_s, lambda text: typer.echo(text, err=True)):
        try:
            verdict = judge(kind, expected, reading.value, reading.division)
        except ValueError as error:
            raise RefusedError(str(error)) from None
        typer.echo(f"{reading.value:g} {unit}", err=True)
        results.append((verdict, reading.raw))
        if len(results) == times:
            break
    store_checks(station, setup.name, results)
    if len(results) < times:
        raise RefusedError(
            f"{len(results)} of {times} readings came in {for_s:g} s: look at the {setup.name} with "
            "tallywell instruments watch.",
            DIFFERENT,
        )
    return results


def _plain(results: "Sequence[tuple[Verdict, bytes]]") -> list[dict[str, Any]]:
    return [
        {
            "kind": one.kind,
            "unit": "g" if one.kind == "weight" else "mm",
            "expected": one.expected,
            "measured": one.measured,
            "error": round(one.error, 6),
            "limit": one.limit,
            "division": one.division,
            "rule": one.rule,
            "passed": one.passed,
            "raw": escaped(raw),
        }
        for one, raw in results
    ]


def _verdict_text(verdicts: "Sequence[Verdict]") -> str:
    unit = "g" if verdicts[0].kind == "weight" else "mm"
    decimals = 0 if verdicts[0].division >= 1 else 1 if verdicts[0].division >= 0.1 else 2
    view = [
        {
            "expected": one.expected,
            "measured": one.measured,
            "error": one.error,
            "limit": one.limit,
            "result": "pass" if one.passed else "FAIL",
        }
        for one in verdicts
    ]
    columns = (
        Column("expected", f"known {unit}", decimals),
        Column("measured", f"shown {unit}", decimals),
        Column("error", f"error {unit}", decimals, sign=True),
        Column("limit", f"limit +- {unit}", decimals),
        Column("result", "result"),
    )
    rule = f"Limit: {verdicts[0].rule}; division {verdicts[0].division:g} {unit}."
    return f"{table(view, columns)}\n{rule}"


@app.command("doctor")
def doctor(
    station_file: options.StationFile,
    for_s: Annotated[
        float, typer.Option("--for", metavar="SECONDS", min=0.1, help="How long to listen, in seconds.")
    ] = 3.0,
    as_json: options.Json = False,
) -> None:
    """Say what is wrong with each instrument, and the cure.

    Opens every port and listens, unless the station runs: then its own knowledge is shown. Exit code 1 if something is
    wrong.
    """
    from cli.doctor import examine, examine_running
    from ingest.station_config import load_station

    station = load_station(station_file)
    with running_station(station.database) as client:
        answer = None if client is None else client.ask("status")
    if answer is not None:
        typer.echo("The station runs and holds the ports: this is what it knows of them.", err=True)
        found = examine_running(station, answer["instruments"])
    else:
        typer.echo(f"Listening for {for_s:g} s ...", err=True)
        found = examine(station, for_s)
    if as_json:
        say_json(
            {"station": station.name, "running": answer is not None, "instruments": _found_plainly(found)}
        )
    else:
        say("\n".join(_examined_text(one) for one in found))
    if any(one.faults for one in found):
        raise typer.Exit(DIFFERENT)


def _found_plainly(found: "Sequence[Examined]") -> list[dict[str, Any]]:
    from dataclasses import asdict

    return [asdict(one) for one in found]


def _examined_text(one: "Examined") -> str:
    heard = f", {one.understood} of {one.lines} lines understood" if one.lines else ""
    if not one.faults:
        return "\n    ".join([f"{one.name} ({one.port}): nothing is wrong{heard}.", *one.remarks])
    lines = [f"{one.name} ({one.port}):"]
    for fault in one.faults:
        lines += [f"{fault.sentence}.", f"  -> {fault.cure}"]
    return "\n    ".join([*lines, *one.remarks])


@app.command("watch")
def watch(
    station_file: options.StationFile,
    name: Name,
    raw: Annotated[bool, typer.Option("--raw", help="Only the bytes, not what they mean.")] = False,
    hex_: Annotated[bool, typer.Option("--hex", help="Show the bytes in hexadecimal.")] = False,
    for_s: Annotated[
        float | None,
        typer.Option(
            "--for",
            metavar="SECONDS",
            min=0.1,
            max=_LONGEST_S,
            help="Stop after so many seconds. Default: ctrl-C.",
        ),
    ] = None,
    as_json: options.Json = False,
) -> None:
    """Show what one instrument sends, and what it means.

    Each line: seconds since the start and since the line before, the bytes, what they say (mm, g).
    Opens the instrument's port, so the station must not run; if it does, its own view is shown instead (exit code 3).
    """
    from cli.listening import Heard, Listening
    from cli.outcome_words import words

    station, setup = _instrument(station_file, name)
    _refuse_if_station_runs(station, name, as_json)
    lines: list[dict[str, Any]] = []
    started_s = last_s = time.monotonic()
    with Listening(setup) as listening:
        try:
            for event in listening.events(for_s):
                if not isinstance(event, Heard):
                    typer.echo(f"{event.sentence}.", err=True)
                    continue
                line = {
                    "t_s": round(event.t_s - started_s, 3),
                    "since_s": round(event.t_s - last_s, 3),
                    "raw": escaped(event.data),
                    "raw_hex": event.data.hex(),
                    "says": [words(one, setup.keys) for one in event.outcomes],
                }
                last_s = event.t_s
                lines.append(line) if as_json else say(_watched(line, event.data, raw, hex_))
        except KeyboardInterrupt:
            pass
        opened = listening.opened
    if as_json:
        say_json({"instrument": name, "port": setup.port.address, "opened": opened, "lines": lines})
    if not opened:
        raise typer.Exit(NOT_NOW)


def _watched(line: dict[str, Any], data: bytes, raw: bool, hex_: bool) -> str:
    shown = spaced_hex(data) if hex_ else line["raw"]
    said = "" if raw else "; ".join(line["says"])
    return f"{line['t_s']:9.3f} s {line['since_s']:+8.3f} s  {shown}{'  ->  ' if said else ''}{said}"


def _instrument(station_file: Path, name: str) -> "tuple[Station, StationInstrument]":
    from ingest.station_config import load_station

    station = load_station(station_file)
    for one in station.instruments:
        if one.name == name:
            return station, one
    names = ", ".join(one.name for one in station.instruments)
    raise RefusedError(f'{station_file} has no instrument "{name}"; it has {names}.')


def _refuse_if_station_runs(station: "Station", name: str, as_json: bool = False) -> None:
    with running_station(station.database) as client:
        answer = None if client is None else client.ask("status")
    if answer is None:
        return
    typer.echo(f"The station runs and reads the {name} itself; stop it to open the port here.", err=True)
    view = {name: answer["instruments"].get(name)} if name in answer["instruments"] else {}
    if as_json:
        say_json({"instrument": name, "opened": False, "station": view})
    elif view:
        from cli.station_commands import instruments_text

        say(f"What the station knows at {local_time(answer['at'], station.zone)}:\n{instruments_text(view)}")
    raise typer.Exit(NOT_NOW)
