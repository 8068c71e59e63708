"""What the demo prints at the end: the day, read from the database's public views as anybody could."""

import json
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path

from simulators.demo_day import DemoDay
from simulators.demo_years import POND

_BY_SPECIES = """
    SELECT species, fate, count(*), count(tag), sum(tag_status = 'recapture'),
           min(length_mm), max(length_mm), sum(weight_g), avg(relative_weight)
    FROM worked_fish GROUP BY species, fate ORDER BY count(*) DESC"""
_RECAPTURES = """
    SELECT t.tag, t.species, t.length_mm, t.weight_g, t.days_since, t.mm_since, t.g_since, t.relative_weight
    FROM tag_history AS t JOIN worked_fish AS w ON w.fish_id = t.fish_id
    WHERE w.tag_status = 'recapture' ORDER BY t.at"""
_FINDINGS = """
    SELECT w.worked_up_at, f.name, f.sentence, w.status
    FROM finding_list AS f JOIN worked_fish AS w ON w.fish_id = f.fish_id
    WHERE f.severity = 'serious' ORDER BY w.worked_up_at"""


def print_day(database: Path, demo: DemoDay) -> None:
    """Counts by species and fate, recaptures with growth, what was held and why."""
    with closing(sqlite3.connect(f"file:{database}?mode=ro", uri=True)) as connection:
        print()
        print("THE DAY")
        rows = [
            (
                _words(species),
                fate,
                count,
                tagged,
                recaptured or 0,
                f"{shortest:.0f}-{longest:.0f}" if shortest else "-",
                f"{grams / 1000:.2f}" if grams else "-",
                f"{wr:.0f}" if wr else "-",
            )
            for species, fate, count, tagged, recaptured, shortest, longest, grams, wr in connection.execute(
                _BY_SPECIES
            )
        ]
        _table(("species", "fate", "fish", "tagged", "recaptured", "length mm", "weight kg", "mean Wr"), rows)
        by_status = connection.execute("SELECT status, count(*) FROM worked_fish GROUP BY status").fetchall()
        print(
            f"\n  {sum(row[2] for row in rows)} fish: {', '.join(f'{n} {status}' for status, n in by_status)}."
        )

        print("\nRECAPTURES, grown since they were last seen")
        _table(
            ("tag", "species", "length mm", "weight g", "days", "grown mm", "grown g", "Wr"),
            [
                (tag, _words(species), *(_number(value) for value in values))
                for tag, species, *values in connection.execute(_RECAPTURES)
            ],
        )

        print("\nHELD, and how it ended")
        for at, _, sentence, status in connection.execute(_FINDINGS):
            print(f"  {at[11:19]}  {sentence}\n            -> {status}")

    print("\nWHAT HAPPENED ON THE WAY (all of it in the journal)")
    for happening in demo.happenings:
        print(f"  fish {happening.fish:2}: {happening.sentence}")


def print_where(station: Path, office: Path, station_file: Path) -> None:
    """Where everything is, and where to go on."""
    print(f"\nThe station's database  {station}")
    print(f"The office's database   {office}")
    print(
        f"The journal             {station.parent / 'journal'}  (every byte; it replays to the same records)"
    )
    print("\nNext, for example:")
    for command in (
        f"fish list --db {station}",
        f"rebuild {station}",
        f"station check {station_file}",
        f"office review --office {office}",
        f"answer growth --db {office} --water {json.dumps(POND)}",
    ):
        print(f"  .venv/bin/tallywell {command}")


def _table(heads: Sequence[str], rows: Sequence[Sequence[object]]) -> None:
    cells = [tuple(str(cell) for cell in row) for row in rows]
    widths = [max(len(line[i]) for line in [tuple(heads), *cells]) for i in range(len(heads))]
    right = [all(_is_number(row[i]) for row in cells) for i in range(len(heads))]
    for line in [tuple(heads), tuple("-" * width for width in widths), *cells]:
        shown = (
            cell.rjust(width) if to_right else cell.ljust(width)
            for cell, width, to_right in zip(line, widths, right, strict=True)
        )
        print("  " + "  ".join(shown).rstrip())


def _is_number(cell: str) -> bool:
    return cell.strip("+-.0123456789") == "" and len(cell) < 12


def _number(value: float | None) -> str:
    return "-" if value is None else f"{value:.1f}".removesuffix(".0")


def _words(slug: str | None) -> str:
    return (slug or "not chosen").replace("_", " ")
