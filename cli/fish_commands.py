"""`tallywell fish`: the records, from the list of the day down to the bytes."""

from typing import Annotated, Any

import typer

from cli import options
from cli.contents import group
from cli.errors import RefusedError
from cli.show import Column, blanks, local_time, pairs, printable, say, say_json, table
from cli.target import Target, find_target, reading

STATUSES = ("saved", "confirmed", "queried", "incomplete", "held", "parked", "void")

app = group("The fish: the list of a survey, the history of a tag, the bytes behind a value.")


@app.command("history")
def history(
    tag: Annotated[
        str, typer.Argument(metavar="TAG", help="The tag code, in any written form.", show_default=False)
    ],
    config: options.Config = None,
    db: options.Database = None,
    as_json: options.Json = False,
) -> None:
    """Show all captures of a tag: mm, g, growth since.

    Growth is that since the capture before, in days, mm and g; Wr is the relative weight in %."""
    from cli.questions import fish_history
    from drivers.tags import TagCodeError, parse_tag

    try:
        code = parse_tag(tag).text
    except TagCodeError as error:
        raise RefusedError(str(error)) from None
    target = find_target(config, db)
    with reading(target.database) as connection:
        found = fish_history(connection, code, target.database)
    if as_json:
        say_json(found)
        return
    say(_history_text(found, target))


def _history_text(found: dict[str, Any], target: Target) -> str:
    captures = found["captures"]
    others = [tag for tag in found["tags_of_the_animal"] if tag != found["tag"]]
    same = {key: _only([one[key] for one in captures]) for key in ("species", "water")}
    head = [f"Tag {found['tag']}", blanks(same["species"]), same["water"]]
    head.append(f"the same animal as {', '.join(others)}" if others else None)
    lines = [", ".join(part for part in head if part)]
    if captures:
        view = [
            {
                **one,
                "at": local_time(one["at"], target.zone, "%Y-%m-%d"),
                "species": None if same["species"] else blanks(one["species"]),
                "water": None if same["water"] else one["water"],
                "id": (one["fish_id"] or "")[:8] or None,
            }
            for one in captures
        ]
        columns = (
            Column("at", "when"),
            Column("length_mm", "length mm", 0),
            Column("weight_g", "weight g", 1),
            Column("days_since", "days since", 0),
            Column("mm_since", "mm since", 0, sign=True),
            Column("g_since", "g since", 1, sign=True),
            Column("relative_weight", "Wr %", 0),
            Column("water", "water"),
            Column("species", "species", spare=True),
            Column("fate", "fate", spare=True),
            Column("id", "fish", spare=True),
        )
        lines.append(table(view, columns))
        lines.append(f"Days of {target.zone_name}. Since: since the capture before.")
    else:
        held = f" It is in the inventory ({', '.join(found['inventory'])})." if found["inventory"] else ""
        lines.append(f"It was never captured, as far as is known here.{held}")
    if found["sightings"]:
        lines.append("Seen without being worked up:")
        seen = [{**one, "at": local_time(one["at"], target.zone)} for one in found["sightings"]]
        lines.append(
            table(seen, (Column("at", "when"), Column("instrument", "reader"), Column("why", "why")))
        )
    return "\n".join(lines)


def _only(values: list[str | None]) -> str | None:
    """The value that all have, or None."""
    return values[0] if len(set(values)) == 1 else None


@app.command("list")
def list_(
    survey: Annotated[
        str | None,
        typer.Option("--survey", metavar="SURVEY", help="Name, water, id, or last. Default: all surveys."),
    ] = None,
    status: Annotated[
        str | None, typer.Option("--status", metavar="STATUS", help=f"One of {', '.join(STATUSES)}.")
    ] = None,
    config: options.Config = None,
    db: options.Database = None,
    as_json: options.Json = False,
) -> None:
    """List the fish: tag, mm, g, Wr (%), findings.

    Wr is the relative weight; the findings are named as fish trace explains them."""
    from cli.questions import fish_list, one_survey

    if status is not None and status not in STATUSES:
        raise RefusedError(f'"{status}" is no status of a fish: give one of {", ".join(STATUSES)}.')
    target = find_target(config, db)
    with reading(target.database) as connection:
        wanted = None if survey is None else one_survey(connection, survey)["survey_id"]
        fish = fish_list(connection, wanted, status)
    if as_json:
        say_json({"fish": fish})
        return
    if not fish:
        say("There are no such fish.")
        return
    say(_list_text(fish, target))


def _list_text(fish: list[dict[str, Any]], target: Target) -> str:
    several_days = len({local_time(one["worked_up_at"], target.zone, "%Y-%m-%d") for one in fish}) > 1
    form = "%Y-%m-%d %H:%M:%S" if several_days else "%H:%M:%S"
    view = [
        {
            **one,
            "id": one["fish_id"][:8],
            "at": local_time(one["worked_up_at"], target.zone, form),
            "tag": one["tag"] or blanks(one["tag_status"]),
            "species": blanks(one["species"]),
            "findings": ", ".join(
                filter(None, ("amended" if one["amended"] else "", blanks(one["findings"])))
            )
            or None,
            "new": one["tag_status"] if one["tag"] else None,
        }
        for one in fish
    ]
    columns = (
        Column("id", "fish"),
        Column("at", "time"),
        Column("run_no", "run", 0),
        Column("species", "species"),
        Column("tag", "tag"),
        Column("new", "known as", spare=True),
        Column("length_mm", "mm", 0),
        Column("weight_g", "g", 1),
        Column("relative_weight", "Wr %", 0, spare=True),
        Column("fate", "fate", spare=True),
        Column("status", "status"),
        Column("findings", "findings", below=True),
    )
    days = "" if several_days else f" of {local_time(fish[0]['worked_up_at'], target.zone, '%Y-%m-%d')}"
    counts = {name: sum(one["status"] == name for one in fish) for name in STATUSES}
    counted = ", ".join(f"{number} {name}" for name, number in counts.items() if number)
    return f"{table(view, columns)}\n{len(fish)} fish: {counted}. Times{days}: {target.zone_name}."


@app.command("trace")
def trace(
    fish_id: Annotated[
        str,
        typer.Argument(metavar="FISH", help="The fish's id, or its first characters.", show_default=False),
    ],
    config: options.Config = None,
    db: options.Database = None,
    as_json: options.Json = False,
) -> None:
    """Show the bytes behind each value of a fish (mm, g).

    Each reading with its instrument, time, frame of the journal and role; findings and amendments."""
    from cli.questions import fish_trace

    target = find_target(config, db)
    with reading(target.database) as connection:
        found = fish_trace(connection, fish_id)
    if as_json:
        say_json(found)
        return
    say(_trace_text(found, target))


def _measure(value: float | None, unit: str, decimals: int = 0) -> str:
    return f"{value:.{decimals}f} {unit}" if value is not None else ""


def _trace_text(found: dict[str, Any], target: Target) -> str:
    fish = found["fish"]
    parts = [f"Fish {fish['fish_id']}"]
    length = _measure(fish["length_mm"], f"mm {fish['length_type'] or ''}".rstrip())
    amended = {
        key: f"was {value if value is not None else 'empty'}"
        for key, value in found["as_saved"].items()
        if key != "void"
    }
    facts = [
        (
            "worked up",
            f"{local_time(fish['worked_up_at'], target.zone)} ({target.zone_name}), bench {fish['bench']}",
        ),
        ("survey", ", ".join(str(one) for one in (fish["water"], _run(fish["run_no"])) if one)),
        ("species", f"{blanks(fish['species'])} ({found['species_from']})" if fish["species"] else ""),
        ("tag", f"{fish['tag'] or 'no tag'} ({blanks(fish['tag_status'])})"),
        (
            "other tags",
            ", ".join(f"{one['tag']} ({one['role']})" for one in found["tags"] if one["tag"] != fish["tag"]),
        ),
        ("length", length),
        ("weight", _measure(fish["weight_g"], "g", 1) or str(blanks(fish["weight_quality"]))),
        ("Wr", _measure(fish["relative_weight"], "%")),
        ("fate", fish["fate"]),
        ("status", f"{fish['status']}, by the rule {blanks(fish['rule'])}"),
        ("observed", "; ".join(f"{one['kind']}: {one['text']}" for one in found["observations"])),
        ("note", fish["note"] or ""),
        ("amended", "; ".join(f"{key} {said}" for key, said in amended.items())),
    ]
    parts.append(pairs(facts))
    view = [
        {**one, "at": local_time(one["at"], target.zone, "%H:%M:%S.%f"), "says": _says(one)}
        for one in found["readings"]
    ]
    for one in view:
        one["at"] = str(one["at"])[:-3] if one["at"] and "." in one["at"] else one["at"]
    if view:
        columns = (
            Column("at", "time"),
            Column("kind", "kind"),
            Column("says", "value", align="right"),
            Column("role", "role"),
            Column("instrument", "instrument"),
            Column("n", "frame", 0),
            Column("raw", "bytes on the wire", wraps=False),
        )
        parts.append(f"Readings (frames of journal {found['journal_id']}):\n{table(view, columns)}")
    if found["file_row"]:
        row = found["file_row"]
        where = f"Row {row['row']} of {row['file']}, imported on {row['at'][:10]} by {row['who']}"
        parts.append(f"{printable(where)}:\n{printable(row['data'])}")
    if found["findings"]:
        marks = [{**one, "name": blanks(one["name"]), "settled": _state(one)} for one in found["findings"]]
        finding_columns = (
            Column("severity", "severity"),
            Column("name", "finding"),
            Column("settled", "state"),
            Column("sentence", "what it says"),
        )
        parts.append(f"Findings:\n{table(marks, finding_columns)}")
    if found["amendments"]:
        changes = [{**one, "at": local_time(one["at"], target.zone)} for one in found["amendments"]]
        amendment_columns = (
            Column("at", "when"),
            Column("who", "who"),
            Column("field", "column"),
            Column("old", "old"),
            Column("new", "new"),
            Column("why", "why"),
        )
        parts.append(f"Amendments:\n{table(changes, amendment_columns)}")
    return "\n\n".join(parts)


def _state(finding: dict[str, Any]) -> str | None:
    """A notice asks for nothing, so nothing of it can be settled."""
    if finding["settled"]:
        return "settled"
    return "NOT SETTLED" if finding["severity"] == "serious" else None


def _run(run_no: int | None) -> str:
    return f"run {run_no}" if run_no is not None else ""


def _says(reading: dict[str, Any]) -> str:
    if reading["kind"] == "length" and reading["value"] is not None:
        return f"{reading['value']:g} mm"
    if reading["kind"] == "weight" and reading["value"] is not None:
        return f"{reading['value']:g} g"
    return str(reading["text"] if reading["text"] is not None else reading["value"])
