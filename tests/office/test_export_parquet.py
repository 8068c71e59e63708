"""Partitions read back by pyarrow's dataset reader and by DuckDB."""

from collections import Counter
from contextlib import closing
from pathlib import Path
from sqlite3 import Connection, connect

import duckdb
import pyarrow.dataset as ds
import pyarrow.parquet as pq
import pytest

from ingest.records import SaveFish
from office.exports import parquet_folders
from office.exports.errors import ExportRefusedError
from office.exports.parquet_folders import MISSING, schema, water_key, write_parquet
from office.exports.public_views import Selection, public_views, rows
from tests.ingest.builders import fish
from tests.office.full_records import ODD_WATERS, everything


@pytest.fixture(scope="module")
def folder(full_database: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """All of it, to be read only."""
    with closing(connect(full_database, isolation_level=None)) as connection:
        return write_parquet(connection, tmp_path_factory.mktemp("lake") / "out", Selection()).path


def files_of(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in sorted(folder.rglob("*.parquet"))}


def test_pyarrow_reads_back_what_the_views_hold(records: Connection, folder: Path) -> None:
    for view in public_views(records):
        table = ds.dataset(folder / view.name, partitioning="hive").to_table()
        names = [column.name for column in view.columns]
        got = [tuple(row[name] for name in names) for row in table.to_pylist()]
        assert Counter(got) == Counter(rows(records, view, Selection()))


def test_duckdb_reads_back_what_the_views_hold(records: Connection, folder: Path) -> None:
    for view in public_views(records):
        names = ", ".join(f'"{column.name}"' for column in view.columns)
        source = f"read_parquet('{folder / view.name}/*/*/*.parquet', hive_partitioning = true)"
        got = duckdb.sql(f"SELECT {names} FROM {source}").fetchall()
        assert Counter(got) == Counter(rows(records, view, Selection()))


def test_a_year_and_a_water_are_found_by_their_partitions(records: Connection, folder: Path) -> None:
    data = ds.dataset(folder / "worked_fish", partitioning="hive")
    wanted = (ds.field("year") == 2022) & (ds.field("water_key") == water_key("2024"))
    table = data.to_table(filter=wanted)
    assert table.column("water").to_pylist() == ["2024"]
    assert len(list(data.get_fragments(filter=wanted))) == 1


def test_names_of_folders_are_safe_and_no_two_waters_share_one(folder: Path) -> None:
    names = {path.name for path in (folder / "worked_fish").glob("year=*/water_key=*")}
    assert len(names) == len(ODD_WATERS) + 2  # Mill Pond, and no water
    assert f"water_key={MISSING}" in names
    for name in names - {f"water_key={MISSING}"}:
        assert name.isascii()
        assert len(name) < 100
        assert name.replace("water_key=", "").replace("-", "").replace("_", "").isalnum()
    assert water_key("Mill Pond") != water_key("mill pond")
    assert water_key("Größe") != water_key("Grosse")


def test_a_capture_with_no_date_lies_where_readers_see_a_missing_year(folder: Path) -> None:
    data = ds.dataset(folder / "tag_history", partitioning="hive")
    table = data.to_table(filter=ds.field("year").is_null())
    assert table.column("at").to_pylist() == ["some time ago"]


def test_all_files_of_a_view_have_one_schema_with_units(records: Connection, folder: Path) -> None:
    for view in public_views(records):
        for path in (folder / view.name).rglob("*.parquet"):
            found = pq.read_schema(path)
            assert found.equals(schema(view), check_metadata=True), path
            assert pq.ParquetFile(path).metadata.row_group(0).column(0).compression == "ZSTD"
    field = pq.read_schema(next((folder / "worked_fish").rglob("*.parquet"))).field("length_mm")
    assert field.metadata[b"unit"] == b"mm"


def test_the_same_records_give_the_same_bytes(records: Connection, folder: Path, tmp_path: Path) -> None:
    again = write_parquet(records, tmp_path / "again", Selection()).path
    assert files_of(again) == files_of(folder)


def test_rows_come_in_groups_and_not_all_at_once(
    records: Connection, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(parquet_folders, "ROWS_AT_ONCE", 7)
    folder = write_parquet(records, tmp_path / "out", Selection(water="Mill Pond")).path
    file = pq.ParquetFile(next((folder / "worked_fish").rglob("*.parquet")))
    assert file.num_row_groups == -(-file.metadata.num_rows // 7)


def test_writing_a_year_again_replaces_that_year_and_no_other(tmp_path: Path) -> None:
    with everything(tmp_path / "a.sqlite") as store:
        folder = write_parquet(store.connection, tmp_path / "out", Selection()).path
        before = files_of(folder)
        store.commit([SaveFish(fish(900, survey_id="odd-1", tag=None))])
        stale = folder / "worked_fish" / "year=2021" / "water_key=gone"
        stale.mkdir()
        (stale / "part-0.parquet").write_bytes(b"")
        write_parquet(store.connection, folder, Selection(year=2021))
        after = files_of(folder)
    changed = {name for name in before.keys() | after.keys() if before.get(name) != after.get(name)}
    assert changed == {
        f"{view}/year=2021/water_key={water_key('=2+3')}/part-0.parquet"
        for view in ("worked_fish", "catch", "run_list")
    }
    assert not list(folder.rglob("*.old"))
    assert not list(folder.glob(".tallywell-export-*"))


def test_writing_a_water_again_keeps_the_other_waters_of_its_year(tmp_path: Path) -> None:
    with everything(tmp_path / "a.sqlite") as store:
        folder = write_parquet(store.connection, tmp_path / "out", Selection()).path
        before = files_of(folder)
        write_parquet(store.connection, folder, Selection(water="Mill Pond"))
        assert files_of(folder) == before


def test_a_year_that_is_no_more_goes_with_the_next_whole_export(tmp_path: Path) -> None:
    with everything(tmp_path / "a.sqlite") as store:
        folder = write_parquet(store.connection, tmp_path / "out", Selection()).path
        (folder / "worked_fish" / "year=1999" / "water_key=x").mkdir(parents=True)
        (folder / "worked_fish" / "notes.txt").write_text("mine")
        write_parquet(store.connection, folder, Selection())
    assert not (folder / "worked_fish" / "year=1999").exists()
    assert (folder / "worked_fish" / "notes.txt").exists()


def test_one_survey_is_no_partition(records: Connection, tmp_path: Path) -> None:
    with pytest.raises(ExportRefusedError, match="use --water or --year"):
        write_parquet(records, tmp_path / "out", Selection(survey_id="survey-1"))
