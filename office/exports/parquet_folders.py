"""Parquet, a folder a view, partitioned by year and water in hive style:
`worked_fish/year=2026/water_key=mill_pond-3f2a9c41/part-0.parquet`.

The year is that in which the survey was opened (UTC). `water_key` is a name that is safe on every file system, made
of the water's name and its hash, so two waters never share one; the name itself is in the column `water`. A row
without year or water lies under `__HIVE_DEFAULT_PARTITION__`, which readers take for a missing value. The columns
are those of the view, always of the same types; unit and meaning are in each field's metadata.
"""

import hashlib
import re
import shutil
import unicodedata
from collections.abc import Iterator
from itertools import groupby, islice
from pathlib import Path
from sqlite3 import Connection

import pyarrow as pa
import pyarrow.parquet as pq

from ingest.store.owner import sync_folder
from office.exports.errors import ExportRefusedError
from office.exports.public_views import PublicView, Row, Selection, one_state, parted_rows, public_views
from office.exports.whole_files import staging, swap_folder
from office.exports.written import Written

MISSING = "__HIVE_DEFAULT_PARTITION__"
ROWS_AT_ONCE = 50_000  # of a row group: what is held in memory
_TYPES = {"text": pa.string(), "integer": pa.int64(), "number": pa.float64()}


def write_parquet(connection: Connection, folder: Path, selection: Selection) -> Written:
    """The selected partitions of every view below `folder`; each takes the place of the one before it in one step.

    With a water, its partitions alone are replaced, else whole years; without any limit, years that are no more are
    removed. Raises ExportRefusedError (a survey is no partition), OSError, sqlite3.Error.
    """
    if selection.survey_id is not None:
        raise ExportRefusedError(
            "A partition holds a whole water and year, and one survey would replace it: use --water or --year."
        )
    counts = {}
    with one_state(connection), staging(folder) as staged:
        views = public_views(connection)
        for view in views:
            counts[view.name] = _write_partitions(connection, view, selection, staged / view.name)
        for view in views:
            _put_in_place(staged / view.name, folder / view.name, selection)
    return Written(folder, counts)


def schema(view: PublicView) -> pa.Schema:
    """The types of a view, with the unit and the meaning of each column as the field's metadata."""
    return pa.schema(
        [
            pa.field(
                column.name,
                _TYPES[column.kind],
                metadata={"unit": column.unit or "", "meaning": column.meaning},
            )
            for column in view.columns
        ]
    )


def water_key(water: str | None) -> str:
    """A name for a folder, of ASCII letters and digits, that no other water has."""
    if water is None:
        return MISSING
    plain = unicodedata.normalize("NFKD", water).encode("ascii", "ignore").decode()
    words = re.sub("[^a-z0-9]+", "_", plain.lower()).strip("_")[:60]
    digest = hashlib.sha256(water.encode()).hexdigest()[:8]
    return f"{words}-{digest}" if words else digest


def year_key(year: str | None) -> str:
    """The year as a folder; a capture from elsewhere may have a date that is none."""
    return year if year is not None and re.fullmatch("[0-9]{4}", year) else MISSING


def _write_partitions(connection: Connection, view: PublicView, selection: Selection, place: Path) -> int:
    place.mkdir()
    of_view = schema(view)
    count = 0
    parted = parted_rows(connection, view, selection)
    for (year, water), group in groupby(parted, key=lambda one: (year_key(one[0]), water_key(one[1]))):
        leaf = place / f"year={year}" / f"water_key={water}"
        leaf.mkdir(parents=True, exist_ok=True)
        # Dates that are no dates sort apart: their partition may come again.
        path = leaf / f"part-{len(list(leaf.iterdir()))}.parquet"
        with pq.ParquetWriter(path, of_view, compression="zstd", version="2.6") as writer:
            for batch in _batches(row for _, _, row in group):
                writer.write_table(_table(batch, of_view))
                count += len(batch)
    return count


def _batches(data: Iterator[Row]) -> Iterator[list[Row]]:
    while batch := list(islice(data, ROWS_AT_ONCE)):
        yield batch


def _table(batch: list[Row], of_view: pa.Schema) -> pa.Table:
    arrays = [
        pa.array(values, field.type) for values, field in zip(zip(*batch, strict=True), of_view, strict=True)
    ]
    return pa.Table.from_arrays(arrays, schema=of_view)


def _put_in_place(staged: Path, place: Path, selection: Selection) -> None:
    place.mkdir(exist_ok=True)
    pattern = "year=*/water_key=*" if selection.water is not None else "year=*"
    new = {path.relative_to(staged) for path in staged.glob(pattern)}
    for name in sorted(new):
        swap_folder(staged / name, place / name)
    for old in sorted(place.glob(pattern)):
        if old.relative_to(place) not in new and _covers(selection, old.relative_to(place)):
            shutil.rmtree(old)
    sync_folder(place)


def _covers(selection: Selection, partition: Path) -> bool:
    """Whether this export speaks for a partition that it has no rows for."""
    year, *water = partition.parts
    if selection.year is not None and year != f"year={selection.year:04}":
        return False
    return selection.water is None or water == [f"water_key={water_key(selection.water)}"]
