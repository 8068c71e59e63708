"""`tallywell survey` and `tallywell run`: given to the station that runs, as a card would give them."""

from collections.abc import Mapping
from typing import Annotated, Any

import typer

from cli import options
from cli.contents import group
from cli.daemon import give_command
from cli.errors import DIFFERENT, RefusedError
from cli.show import Column, blanks, counted, local_time, pairs, say, say_json, table
from cli.target import Target, find_target, reading

app = group("Surveys: open, name and close one; list them.")
run_app = group("Runs (transects) of the survey that is open.")

_Temperature = Annotated[
    str | None,
    typer.Option(
        "--temperature", metavar="C", help="Temperature of the water, read by hand, in degrees Celsius."
    ),
]
_Conductivity = Annotated[
    str | None,
    typer.Option(
        "--conductivity",
        metavar="US",
        help="Conductivity of the water, in uS/cm, not referred to 25 degrees.",
    ),
]


@app.command("open")
def open_(
    water: Annotated[str | None, typer.Option("--water", help="The water, such as 'Mill Pond'.")] = None,
    name: Annotated[
        str | None, typer.Option("--name", help="The survey's name, such as 'Spring 2026'.")
    ] = None,
    config: options.Config = None,
    db: options.Database = None,
    as_json: options.Json = False,
) -> None:
    """Open a survey, or name the provisional one."""
    given = {"water": water or None, "name": name or None}
    give(_with_options("survey open", given), find_target(config, db), None, as_json)


@app.command("name")
def name_(
    name: Annotated[str, typer.Argument(metavar="NAME", help="The survey's name.", show_default=False)],
    config: options.Config = None,
    db: options.Database = None,
    as_json: options.Json = False,
) -> None:
    """Name the survey that is open."""
    give(f"survey name {_one_line('name', name)}", find_target(config, db), None, as_json)


@run_app.command("start")
def run_start(
    area: Annotated[str | None, typer.Option("--area", help="Where it fishes, such as 'upper bay'.")] = None,
    gear: Annotated[str | None, typer.Option("--gear", help="The gear, such as 'boat'.")] = None,
    pass_no: Annotated[
        int | None,
        typer.Option("--pass", metavar="N", min=1, help="Number of the pass over the same area."),
    ] = None,
    settings: Annotated[
        str | None, typer.Option("--settings", help="Settings of the gear, such as 'DC 60 Hz'.")
    ] = None,
    temperature: _Temperature = None,
    conductivity: _Conductivity = None,
    config: options.Config = None,
    db: options.Database = None,
    as_json: options.Json = False,
) -> None:
    """Start a run. Its fish are worked up once it has ended."""
    said = {
        "area": area,
        "gear": gear,
        "pass": None if pass_no is None else str(pass_no),
        "settings": settings,
        "temperature": temperature,
        "conductivity": conductivity,
    }
    give(_with_options("run start", said), find_target(config, db), None, as_json)


@run_app.command("work-up")
def run_work_up(
    number: Annotated[
        str, typer.Argument(metavar="NUMBER|last", help="The run whose fish come now.", show_default=False)
    ],
    config: options.Config = None,
    db: options.Database = None,
    as_json: options.Json = False,
) -> None:
    """Say of which run the fish are worked up from now on.

    A number, or "last": the run that ended last."""
    give(f"work-up run {number}", find_target(config, db), None, as_json)


@run_app.command("end")
def run_end(
    seconds: Annotated[
        float | None,
        typer.Option("--seconds", metavar="S", min=0, help="Time with the current on, in seconds."),
    ] = None,
    temperature: _Temperature = None,
    conductivity: _Conductivity = None,
    config: options.Config = None,
    db: options.Database = None,
    as_json: options.Json = False,
) -> None:
    """End the run, with its seconds of current.

    What is read of the water here takes the place of what was read at its start."""
    said = {
        "seconds": None if seconds is None else f"{seconds:.3f}".rstrip("0").rstrip("."),
        "temperature": temperature,
        "conductivity": conductivity,
    }
    give(_with_options("run end", said), find_target(config, db), None, as_json)


@app.command("close")
def close(config: options.Config = None, db: options.Database = None, as_json: options.Json = False) -> None:
    """Close the survey, and the fish in hand with it."""
    give("survey close", find_target(config, db), None, as_json)


@app.command("status")
def status(
    survey: Annotated[
        str, typer.Option("--survey", metavar="SURVEY", help="Name, water, id, or last.")
    ] = "last",
    config: options.Config = None,
    db: options.Database = None,
    as_json: options.Json = False,
) -> None:
    """Show a survey's runs and catch (mm, g)."""
    from cli.questions import one_survey, survey_summary

    target = find_target(config, db)
    with reading(target.database) as connection:
        found = survey_summary(connection, one_survey(connection, survey))
    if as_json:
        say_json(found)
        return
    say(_summary_text(found, target))


@app.command("list")
def list_(config: options.Config = None, db: options.Database = None, as_json: options.Json = False) -> None:
    """List the surveys of the database."""
    from cli.questions import survey_title, surveys

    target = find_target(config, db)
    with reading(target.database) as connection:
        found = surveys(connection)
    if as_json:
        say_json({"surveys": found})
        return
    if not found:
        say("There is no survey yet.")
        return
    view = [
        {
            **one,
            "id": one["survey_id"][:8],
            "title": survey_title(one),
            "opened": local_time(one["opened_at"], target.zone, "%Y-%m-%d %H:%M"),
            "closed": local_time(one["closed_at"], target.zone, "%Y-%m-%d %H:%M") or "open",
        }
        for one in found
    ]
    columns = (
        Column("id", "survey"),
        Column("title", "water, name"),
        Column("opened", "opened"),
        Column("closed", "closed"),
        Column("n_runs", "runs", 0),
        Column("n_fish", "fish", 0),
        Column("n_recaptures", "recaptures", 0),
    )
    say(f"{table(view, columns)}\nTimes: {target.zone_name}.")


def give(text: str, target: Target, bench: str | None, as_json: bool) -> None:
    """Give a command to the station and print what it caused; exit code 1 if the station did not do it."""
    said = give_command(target.database, text, bench)
    if as_json:
        say_json({"command": text, "said": said})
    else:
        for one in said or [{"sentence": "Nothing happened."}]:
            say(str(one["sentence"]))
    if any(one.get("name") == "command_refused" for one in said):
        raise typer.Exit(DIFFERENT)


def _with_options(verb: str, said: Mapping[str, str | None]) -> str:
    given = [f"{key}={_one_line(key, value)}" for key, value in said.items() if value is not None]
    return f"{verb} {', '.join(given)}".strip()


def _one_line(key: str, text: str) -> str:
    words = " ".join(text.split())
    if not words or "=" in words:
        raise RefusedError(f'"{text}" cannot be a {key}: give a text without the sign =.')
    return words


def _summary_text(found: dict[str, Any], target: Target) -> str:
    from cli.questions import survey_title

    survey = found["survey"]
    state = f"closed {local_time(survey['closed_at'], target.zone)}" if survey["closed_at"] else "open"
    facts = [
        ("survey", f"{survey_title(survey)}{' (provisional)' if survey['provisional'] else ''}"),
        ("state", f"{state}, opened {local_time(survey['opened_at'], target.zone)} ({target.zone_name})"),
        ("protocol", survey["protocol"]),
        ("fish", f"{survey['n_fish']}, of them {counted(survey['n_recaptures'], 'recapture')}"),
        (
            "waiting",
            f"{survey['n_waiting']} held or parked: look at fish list" if survey["n_waiting"] else "",
        ),
    ]
    parts = [pairs(facts)]
    if found["catch"]:
        columns = (
            Column("species", "species"),
            Column("n", "fish", 0),
            Column("n_tagged", "tagged", 0),
            Column("n_recaptures", "recaptures", 0),
            Column("shortest_mm", "shortest mm", 0),
            Column("longest_mm", "longest mm", 0),
            Column("weight_g", "weighed g", 0),
            Column("n_removed", "removed", 0),
        )
        parts.append(table([{**one, "species": blanks(one["species"])} for one in found["catch"]], columns))
    if found["batches"]:
        batch_columns = (
            Column("species", "not measured"),
            Column("n_counted", "counted", 0),
            Column("n_in_batches", "in batches", 0),
            Column("weight_g", "weighed g", 0),
        )
        parts.append(
            table([{**one, "species": blanks(one["species"])} for one in found["batches"]], batch_columns)
        )
    if found["runs"]:
        view = [
            {
                **one,
                "started": local_time(one["started_at"], target.zone, "%H:%M:%S"),
                "ended": local_time(one["ended_at"], target.zone, "%H:%M:%S") or "open",
            }
            for one in found["runs"]
        ]
        run_columns = (
            Column("run_no", "run", 0),
            Column("started", "started"),
            Column("ended", "ended"),
            Column("current_on_s", "current on s", 1),
            Column("water_c", "water C", 1),
            Column("conductivity_us_per_cm", "uS/cm", 0),
            Column("n_fish", "fish", 0),
            Column("n_only_counted", "counted", 0),
        )
        parts.append(table(view, run_columns))
    return "\n\n".join(parts)
