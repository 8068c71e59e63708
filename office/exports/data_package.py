"""A data package (Data Package standard, version 2, https://datapackage.org): CSV files and `datapackage.json`.

The descriptor holds type, unit, meaning and keys of every column as a Table Schema. The cells are the exact texts,
without the guard against formulas that the plain CSV has: they are for programs, not for a spreadsheet. The standard
reads an empty cell as a missing value, so an empty text becomes a missing one.
"""

import hashlib
import json
from pathlib import Path
from sqlite3 import Connection
from typing import Any

from office.exports.csv_files import as_it_is, csv_lines, write_lines
from office.exports.public_views import PublicView, Selection, one_state, public_views, rows
from office.exports.whole_files import whole_set
from office.exports.written import Written

PROFILE = "https://datapackage.org/profiles/2.0/datapackage.json"
_TYPES = {"text": "string", "integer": "integer", "number": "number"}
_PRIMARY_KEYS = {
    "worked_fish": ["fish_id"],
    "batch_list": ["batch_id"],
    "run_list": ["survey_id", "run_no"],
}
# No key leads from a fish to its run: a fish of no run has half a key, which the standard cannot say.
_OF_A_FISH = ("finding_list", "observation_list")
_ABOUT = (
    "Fish worked up at Tallywell stations, with corrections applied and void records left out. Lengths in mm, "
    "weights in g, times RFC 3339 in UTC. Tags are text of 15 decimal or 10 hexadecimal digits: never read them as "
    "numbers. The unit of each column stands in its property `unit`. An empty cell is a missing value."
)


def write_data_package(connection: Connection, folder: Path, selection: Selection) -> Written:
    """`datapackage.json` and `data/<view>.csv` in `folder`. Raises ExportRefusedError, OSError, sqlite3.Error."""
    counts: dict[str, int] = {}
    resources = []
    with one_state(connection), whole_set(folder) as staged:
        (staged / "data").mkdir()
        for view in public_views(connection):
            path = staged / "data" / f"{view.name}.csv"
            lines = csv_lines(view.columns, rows(connection, view, selection), as_it_is)
            counts[view.name] = write_lines(path, lines)
            resources.append(_resource(view, path))
        descriptor = {
            "$schema": PROFILE,
            "name": "tallywell-records",
            "title": "Fish worked up, by survey, run and capture",
            "description": _ABOUT,
            "resources": resources,
        }
        text = json.dumps(descriptor, indent=2, ensure_ascii=False)
        (staged / "datapackage.json").write_text(text + "\n", encoding="utf-8")
    return Written(folder, counts)


def _resource(view: PublicView, path: Path) -> dict[str, Any]:
    with path.open("rb") as file:
        digest = hashlib.file_digest(file, "sha256").hexdigest()
    return {
        "name": view.name,
        "type": "table",
        "path": f"data/{view.name}.csv",
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "bytes": path.stat().st_size,
        "hash": f"sha256:{digest}",
        "dialect": {"delimiter": ",", "quoteChar": '"', "doubleQuote": True, "lineTerminator": "\r\n"},
        "schema": _schema(view),
    }


def _schema(view: PublicView) -> dict[str, Any]:
    fields = []
    for column in view.columns:
        field = {"name": column.name, "type": _TYPES[column.kind], "description": column.explained}
        if column.unit is not None:
            field["unit"] = column.unit
        fields.append(field)
    schema: dict[str, Any] = {"fields": fields, "missingValues": [""]}
    if view.name in _PRIMARY_KEYS:
        schema["primaryKey"] = _PRIMARY_KEYS[view.name]
    if view.name in _OF_A_FISH:
        reference = {"resource": "worked_fish", "fields": ["fish_id"]}
        schema["foreignKeys"] = [{"fields": ["fish_id"], "reference": reference}]
    return schema
