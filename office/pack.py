"""The history pack: what a station needs to know for the next trip, from the records of the office. Reads only.

All captures, wherever, of the animals that were ever captured in the waters named, as the amendments leave them; the
tags that are in no fish yet; the waters' own length-weight relations; species files and limits of the checks that
differ from those that ship.
"""

import csv
import io
import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import chain
from typing import Any

from drivers.tags import Scheme, TagForm, parse_tag, write_tag
from fishery.single import Relation, fit_length_weight
from ingest.commands import FATES
from ingest.inventory import VOID
from ingest.packs import Pack
from ingest.records import individual_id
from ingest.species import SpeciesBook
from ingest.water_relations import relations_csv

HISTORY_COLUMNS = (
    "tag", "at", "water", "species", "length_mm", "weight_g", "fate", "individual_id", "survey_id", "fish_id",
    "withdrawal_until",
)  # fmt: skip

# Every capture with the animal that it belongs to; a second tag gives a row of its own. The survey stands beside it once
# it is closed: from then on no crew corrects the fish, and this is what a station shall believe, even of its own fish.
_CAPTURES = """WITH own AS (
    SELECT tag, worked_up_at AS at, water, species, length_mm, weight_g, fate, individual_id,
        iif((SELECT s.closed_at FROM survey AS s WHERE s.survey_id = v.survey_id) IS NULL, NULL, survey_id) AS survey_id,
        fish_id, withdrawal_until
    FROM fish_all AS v WHERE void = 0 AND closed = 1
)
SELECT * FROM own WHERE tag IS NOT NULL
UNION ALL
SELECT t.tag, o.at, o.water, o.species, o.length_mm, o.weight_g, o.fate, o.individual_id, o.survey_id, o.fish_id,
    o.withdrawal_until
FROM own AS o JOIN fish_tag AS t ON t.fish_id = o.fish_id AND t.role = 'second' AND t.tag IS NOT o.tag
UNION ALL
SELECT tag, at, water, species, length_mm, weight_g, fate, individual_id, survey_id, fish_id, withdrawal_until
FROM prior_capture AS p WHERE p.fish_id IS NULL OR p.fish_id NOT IN (SELECT fish_id FROM fish)"""

# Fish that lost their tag or were made void since: a station that knows them by it shall know that too.
_TAKEN_BACK = """SELECT f.tag, f.worked_up_at, v.water, f.individual_id, v.survey_id, f.fish_id
FROM fish_all AS v JOIN fish AS f ON f.fish_id = v.fish_id JOIN survey AS s ON s.survey_id = v.survey_id
WHERE f.closed = 1 AND f.tag IS NOT NULL AND s.closed_at IS NOT NULL AND (v.void = 1 OR v.tag IS NULL)"""

_WATERS = """SELECT water FROM survey WHERE water IS NOT NULL UNION
SELECT water FROM prior_capture WHERE water IS NOT NULL ORDER BY 1"""

_PAIRS = """SELECT species, length_mm, weight_g FROM fish_all WHERE water = ?1 AND void = 0 AND closed = 1
    AND status <> 'queried' AND weight_quality = 'measured' AND length_mm > 0 AND weight_g > 0 AND species IS NOT NULL
UNION ALL SELECT species, length_mm, weight_g FROM prior_capture WHERE water = ?1 AND length_mm > 0 AND weight_g > 0
    AND species IS NOT NULL AND (fish_id IS NULL OR fish_id NOT IN (SELECT fish_id FROM fish))
ORDER BY 1, 2, 3"""

Row = tuple[str, ...]


@dataclass(slots=True)
class Packed:
    """A pack with what is in it, for people."""

    pack: Pack
    animals: int = 0
    captures: int = 0
    unused_tags: int = 0
    used_tags: int = 0
    relations: dict[tuple[str, str], Relation] = field(default_factory=dict)


def make_pack(
    connection: sqlite3.Connection,
    waters: Sequence[str],
    book: SpeciesBook,
    *,
    office_id: str,
    made_at: str,
    tags: Iterable[str] = (),
    species_files: Mapping[str, bytes] | None = None,
    checks: bytes | None = None,
) -> Packed:
    """The pack of these waters, also where a crew wrote one in other case; made_at: RFC 3339 UTC, the clock of the office.

    `tags`: more tags that somebody holds. `species_files`: TOML by file name. `checks`: TOML with the keys of [checks].
    """
    captures = connection.execute(_CAPTURES).fetchall()
    names = {water.casefold() for water in waters}
    rows, animals = _history(captures, names)
    taken_back = _taken_back(connection, names)
    used = {tag for (tag, *_) in captures}
    held = sorted({tag for (tag,) in connection.execute("SELECT DISTINCT tag FROM tag_inventory")} | {*tags})
    unused = [tag for tag in held if tag not in used]
    relations = {
        (water, species): relation
        for water in sorted(waters)
        for species, relation in _relations(connection, water, book).items()
    }
    files = {
        "history.csv": _table(HISTORY_COLUMNS, [*rows, *taken_back]),
        "inventory.csv": _table(("tag",), [(_written(tag),) for tag in unused]),
        "relations.csv": relations_csv(relations).encode(),
        **{f"species/{name}": data for name, data in (species_files or {}).items()},
    }
    if checks is not None:
        files["checks.toml"] = checks
    pack = Pack(made_at, office_id, tuple(sorted(waters)), files)
    return Packed(pack, animals, len(rows), len(unused), len(held) - len(unused), relations)


def _history(captures: Sequence[tuple[Any, ...]], names: set[str]) -> tuple[list[Row], int]:
    """The rows of the history, oldest first, and how many animals they are of."""
    animals = {
        individual or individual_id(tag)
        for tag, _, water, _, _, _, _, individual, *_ in captures
        if water is not None and water.casefold() in names
    }
    rows: list[Row] = []
    for tag, at, water, species, mm, g, fate, individual, survey, fish, until in captures:
        animal = individual or individual_id(tag)
        if animal in animals:
            texts = (water, species, _number(mm), _number(g), fate if fate in FATES else None)
            cells = (_written(tag), at, *texts, animal, survey, fish, until)
            rows.append(tuple(cell or "" for cell in cells))
    in_order = sorted(dict.fromkeys(rows), key=lambda row: (row[1].rstrip("Z"), row))
    return in_order, len(animals)


def _taken_back(connection: sqlite3.Connection, names: set[str]) -> list[Row]:
    """Rows with the fate `void` for fish of these waters that count no more, or under no tag."""
    rows = connection.execute(f"{_TAKEN_BACK} ORDER BY 2, 6").fetchall()
    return [
        (_written(tag), at, water, "", "", "", VOID, animal or "", survey, fish, "")
        for tag, at, water, animal, survey, fish in rows
        if water is not None and water.casefold() in names
    ]


def _relations(connection: sqlite3.Connection, water: str, book: SpeciesBook) -> dict[str, Relation]:
    """This water's own relation for every species with enough fish (see `fishery.single.fit_length_weight`)."""
    pairs: dict[str, list[tuple[float, float]]] = {}
    known = [one for (one,) in connection.execute(_WATERS) if one.casefold() == water.casefold()]
    for species, mm, g in chain.from_iterable(connection.execute(_PAIRS, (one,)) for one in known):
        pairs.setdefault(species, []).append((mm, g))
    found = {}
    for species, measured in pairs.items():
        one = book.get(species)
        fitted = fit_length_weight(
            [mm for mm, _ in measured], [g for _, g in measured], one.recommended if one else None
        )
        if fitted is not None:
            found[species] = fitted
    return found


def _written(tag: str) -> str:
    """With a dot behind the maker's code: a bare number that ends in zeros looks like one that a spreadsheet cut."""
    code = parse_tag(tag)
    return write_tag(code, TagForm.SPLIT) if code.scheme is Scheme.ISO_11784 else code.text


def _number(value: float | None) -> str | None:
    return None if value is None else f"{value:.6f}".rstrip("0").rstrip(".")


def _table(columns: Sequence[str], rows: Iterable[Sequence[str]]) -> bytes:
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(columns)
    writer.writerows(rows)
    return out.getvalue().encode()
