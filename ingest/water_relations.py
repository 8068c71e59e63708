"""The length-weight relations of whole waters that a history pack brings, as a CSV table. Pure."""

import csv
import io
import math
from collections.abc import Mapping
from dataclasses import fields

from fishery.single import Relation
from ingest.toml_file import ConfigError, Problem

WaterRelations = Mapping[tuple[str, str], Relation]  # by water and species, see `relation_key`
_NUMBERS = tuple(one.name for one in fields(Relation))
COLUMNS = ("water", "species", *_NUMBERS)


def relation_key(water: str, species: str) -> tuple[str, str]:
    return water.casefold(), species


def parse_relations(text: str, name: str) -> dict[tuple[str, str], Relation]:
    """The relations of a table with the columns of `COLUMNS`. Raises ConfigError."""
    found: dict[tuple[str, str], Relation] = {}
    reader = csv.DictReader(io.StringIO(text, newline=""))
    if tuple(reader.fieldnames or ()) != COLUMNS:
        raise ConfigError((Problem(name, f"its heading is not {','.join(COLUMNS)}."),))
    for row in reader:
        try:
            numbers = {one: float(row[one]) for one in _NUMBERS}
            if not all(map(math.isfinite, numbers.values())) or numbers["sd"] <= 0:
                raise ValueError
        except (TypeError, ValueError):
            said = f"the relation of {row['species']} in {row['water']} has a number that is none."
            raise ConfigError((Problem(name, said, line=reader.line_num),)) from None
        found[relation_key(row["water"], row["species"])] = Relation(**{**numbers, "n": int(numbers["n"])})  # type: ignore[arg-type]
    return found


def relations_csv(relations: Mapping[tuple[str, str], Relation]) -> str:
    """The table of these relations, by (water, species), each number so that it reads back the same."""
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(COLUMNS)
    for (water, species), relation in sorted(relations.items()):
        writer.writerow([water, species, *(repr(getattr(relation, one)) for one in _NUMBERS)])
    return out.getvalue()
