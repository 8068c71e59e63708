"""The archive itself: three CSV files and two XML files in one zip file."""

import re
import zipfile
from collections.abc import Iterable, Iterator, Mapping
from contextlib import ExitStack
from datetime import date
from pathlib import Path
from sqlite3 import Connection
from typing import IO, Any, Self

from ingest.species import SpeciesBook
from office.exports.darwin_core import rows as as_terms
from office.exports.darwin_core.metadata import About, Extent, eml_xml, meta_xml
from office.exports.darwin_core.places import Coordinates
from office.exports.darwin_core.rows import Terms
from office.exports.darwin_core.terms import EVENT, MEASUREMENT, OCCURRENCE, TABLES, DarwinTable
from office.exports.public_views import PublicView, Selection, one_state, public_views, rows
from office.exports.whole_files import whole_file
from office.exports.written import Written

_NO_TIME = (1980, 1, 1, 0, 0, 0)  # the earliest that a zip file can say: the same records give the same bytes
_BREAKS = re.compile(r"[\r\n\t]+")
_UNFINISHED = ("held", "parked")
Record = Mapping[str, Any]


def write_darwin_core(
    connection: Connection,
    target: Path,
    selection: Selection,
    book: SpeciesBook,
    *,
    about: About,
    coordinates: Coordinates,
    published: date,
) -> Written:
    """A Darwin Core Archive at `target`. Fish still held or parked and batches in hand are left out.

    Line breaks and tabs within a text become a blank: not every reader of archives knows them. Raises
    ExportRefusedError, OSError, sqlite3.Error.
    """
    with one_state(connection), whole_file(target) as part, ExitStack() as stack:
        files = {
            table.file: stack.enter_context(_TableFile(part.with_name(table.file), table)) for table in TABLES
        }
        extent = _write_tables(connection, selection, book, coordinates, files)
        stack.close()
        with zipfile.ZipFile(part, "w", zipfile.ZIP_DEFLATED) as archive:
            _add(archive, "meta.xml", [meta_xml()])
            _add(archive, "eml.xml", [eml_xml(about, extent, published)])
            for table in TABLES:
                _add(archive, table.file, _chunks(part.with_name(table.file)))
    counts = {file.name.removesuffix(".csv"): file.count for file in files.values()}
    return Written(target, counts, _notes(about, coordinates, extent))


class _TableFile:
    """One CSV file of the archive, written as it grows."""

    def __init__(self, path: Path, table: DarwinTable) -> None:
        self.name = table.file
        self.count = 0
        self._path = path
        self._columns = table.columns
        self._file: IO[str] | None = None

    def __enter__(self) -> Self:
        self._file = self._path.open("w", encoding="utf-8", newline="")
        self._file.write(",".join(self._columns) + "\n")
        return self

    def __exit__(self, *_: object) -> None:
        if self._file is not None:
            self._file.close()

    def add(self, terms: Terms) -> None:
        assert self._file is not None
        self._file.write(",".join(_cell(terms.get(column)) for column in self._columns) + "\n")
        self.count += 1


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if not isinstance(value, str):
        return repr(value)
    return '"' + _BREAKS.sub(" ", value).replace('"', '""') + '"'


def _write_tables(
    connection: Connection,
    selection: Selection,
    book: SpeciesBook,
    coordinates: Coordinates,
    files: Mapping[str, _TableFile],
) -> Extent:
    events, occurrences, measurements = (files[table.file] for table in (EVENT, OCCURRENCE, MEASUREMENT))
    views = {view.name: view for view in public_views(connection)}
    days: list[str] = []
    points: list[tuple[float, float]] = []
    waters: set[str] = set()
    for survey in _surveys(connection, selection):
        events.add(as_terms.survey_event(survey))
        days += [at[:10] for at in (survey["opened_at"], survey["closed_at"]) if at]
        waters |= {survey["water"]} - {None}
    for run in _records(connection, views["run_list"], selection):
        event = as_terms.run_event(run, coordinates)
        events.add(event)
        if "decimalLatitude" in event:
            points.append((event["decimalLatitude"], event["decimalLongitude"]))
        for terms in as_terms.run_measurements(run):
            measurements.add(terms)
        if run["n_caught"] == 0:
            met = _species_of(connection, run["survey_id"])
            for terms in as_terms.absences(run, met, book):
                occurrences.add(terms)
    for fish in _records(connection, views["worked_fish"], selection):
        if fish["status"] in _UNFINISHED:
            continue
        observed = connection.execute(
            "SELECT kind, text FROM observation_list WHERE fish_id = ? AND kind IN ('sex', 'maturity')",
            (fish["fish_id"],),
        ).fetchall()
        occurrences.add(as_terms.fish_occurrence(fish, observed, book))
        for terms in as_terms.fish_measurements(fish):
            measurements.add(terms)
    for batch in _records(connection, views["batch_list"], selection):
        if batch["closed"]:
            occurrences.add(as_terms.batch_occurrence(batch, book))
            for terms in as_terms.batch_measurements(batch):
                measurements.add(terms)
    return Extent(min(days, default=None), max(days, default=None), _box(points), sorted(waters))


def _box(points: Iterable[tuple[float, float]]) -> tuple[float, float, float, float] | None:
    latitudes, longitudes = zip(*points, strict=True) if (points := list(points)) else ((), ())
    if not latitudes:
        return None
    return min(longitudes), max(longitudes), max(latitudes), min(latitudes)


def _surveys(connection: Connection, selection: Selection) -> Iterator[Record]:
    where = selection.where[0].format(water="s.water", year="substr(s.opened_at, 1, 4)")
    cursor = connection.execute(
        f"SELECT s.survey_id, s.name, s.water, s.opened_at, s.closed_at FROM survey AS s {where} "
        "ORDER BY s.opened_at, s.survey_id",
        selection.where[1],
    )
    names = [column for column, *_ in cursor.description]
    return (dict(zip(names, row, strict=True)) for row in cursor)


def _records(connection: Connection, view: PublicView, selection: Selection) -> Iterator[Record]:
    names = [column.name for column in view.columns]
    return (dict(zip(names, row, strict=True)) for row in rows(connection, view, selection))


def _species_of(connection: Connection, survey_id: str) -> list[str]:
    """Every species that the survey met, fish and batches."""
    found = connection.execute(
        "SELECT species FROM worked_fish WHERE survey_id = ?1 AND species IS NOT NULL UNION "
        "SELECT species FROM batch_list WHERE survey_id = ?1 AND species IS NOT NULL ORDER BY 1",
        (survey_id,),
    )
    return [species for (species,) in found]


def _add(archive: zipfile.ZipFile, name: str, chunks: Iterable[bytes]) -> None:
    entry = zipfile.ZipInfo(name, _NO_TIME)
    entry.compress_type = zipfile.ZIP_DEFLATED
    entry.external_attr = 0o644 << 16
    with archive.open(entry, "w", force_zip64=True) as file:
        for chunk in chunks:
            file.write(chunk)


def _chunks(path: Path) -> Iterator[bytes]:
    with path.open("rb") as file:
        while chunk := file.read(1 << 20):
            yield chunk


def _notes(about: About, coordinates: Coordinates, extent: Extent) -> tuple[str, ...]:
    notes = []
    if about.missing:
        notes.append(f"eml.xml still says INSERT YOUR OWN for: {', '.join(about.missing)} (use --about).")
    if coordinates.how == "exact" and extent.box is not None:
        notes.append("Coordinates are exact: for places to be kept quiet use --coordinates 0.1 or withheld.")
    if coordinates.how != "exact":
        notes.append("Names of waters and areas go out as they are: they too may tell where the place is.")
    return tuple(notes)
