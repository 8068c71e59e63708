"""A snapshot is whole, verified, one file; a failed one leaves the older one alone."""

import hashlib
import os
import sqlite3
import subprocess
from pathlib import Path

import pytest

from ingest.records import SaveFish
from ingest.store import JournalMode, Store, StoreBroken, StoreFull, snapshot
from ingest.store.schema import APPLICATION_ID, SCHEMA_VERSION
from ingest.store.snapshot import verify
from tests.ingest.builders import amend, fish, frames, ready, run, survey


@pytest.mark.parametrize("mode", list(JournalMode))
def test_a_snapshot_holds_everything_in_one_file_that_reads_from_read_only_media(
    tmp_path: Path, mode: JournalMode
) -> None:
    target = tmp_path / "out" / "bank's day.sqlite"
    target.parent.mkdir()
    with Store.open(tmp_path / "bank.sqlite", journal_mode=mode) as store:
        store.commit([survey(), run()])
        store.commit([SaveFish(fish(number)) for number in range(50)], frames(fish(1)))
        store.commit([amend(fish(1), "species", "BLG")])
        snapshot(store, target)
        store.commit([SaveFish(fish(50))])
        manifest = snapshot(store, target)
        live = list(store.connection.iterdump())
    assert os.listdir(target.parent) == [target.name]
    assert manifest.path == target
    assert manifest.sha256 == hashlib.sha256(target.read_bytes()).hexdigest()
    assert manifest.size_bytes == target.stat().st_size
    assert manifest.schema_version == SCHEMA_VERSION
    assert manifest.sqlite_version == sqlite3.sqlite_version
    assert (manifest.counts["fish"], manifest.counts["amendment"], manifest.counts["frame"]) == (51, 1, 3)
    target.chmod(0o444)
    copy = sqlite3.connect(f"{target.as_uri()}?mode=ro", uri=True)
    assert copy.execute("PRAGMA journal_mode").fetchone() == ("delete",)
    assert copy.execute("PRAGMA application_id").fetchone() == (APPLICATION_ID,)
    assert list(copy.iterdump()) == live
    copy.close()


def test_a_snapshot_that_fails_leaves_the_older_one(tmp_path: Path) -> None:
    target = tmp_path / "day.sqlite"
    with ready(tmp_path / "bank.sqlite") as store:
        snapshot(store, target)
        before = target.read_bytes()
        store.connection.execute("PRAGMA foreign_keys = 0")
        store.connection.execute("INSERT INTO run (survey_id, run_no, started_at) VALUES ('nowhere', 1, '')")
        with pytest.raises(StoreBroken, match="1 orphans"):
            snapshot(store, target)
        with pytest.raises(StoreBroken, match="cannot be written or read"):
            snapshot(store, tmp_path / "nowhere" / "day.sqlite")
        with pytest.raises(StoreBroken, match="Not a directory"):
            snapshot(store, target / "day.sqlite")
    assert target.read_bytes() == before
    assert sorted(os.listdir(tmp_path)) == ["bank.sqlite", "day.sqlite"]


def test_a_full_medium_is_said_and_nothing_is_left_on_it(tmp_path: Path) -> None:
    folder = tmp_path / "stick"
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(folder)]
    if subprocess.run(mount, capture_output=True, check=False).returncode != 0:
        pytest.skip("mounting a tmpfs is not permitted")
    try:
        with ready(tmp_path / "bank.sqlite") as store:
            with pytest.raises(StoreFull, match="stick"):
                snapshot(store, folder / "day.sqlite")
            assert os.listdir(folder) == []
            store.commit([SaveFish(fish())])
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


def test_no_snapshot_is_taken_within_a_batch(tmp_path: Path) -> None:
    with ready(tmp_path / "bank.sqlite") as store:
        store.begin_batch()
        with pytest.raises(ValueError, match="batch"):
            snapshot(store, tmp_path / "day.sqlite")
        store.end_batch()


def test_a_copy_that_lacks_rows_is_thrown_away(tmp_path: Path) -> None:
    with ready(tmp_path / "bank.sqlite") as store:
        older = snapshot(store, tmp_path / "day.sqlite").path
        store.commit([SaveFish(fish())])
        with pytest.raises(StoreBroken, match="lacks rows"):
            verify(store, older, tmp_path / "new.sqlite")
