"""Where a pull takes its snapshots from, and what it refuses before it touches anything."""

import json
import os
import shutil
import sqlite3
import subprocess
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlite_utils import Database

from ingest.records import SaveFish
from ingest.store import Checkpoint, JournalMode, NotOurDatabase, Store, StoreTrouble
from ingest.store.schema import APPLICATION_ID, SCHEMA_VERSION, migrations
from office.database import OfficeDatabase
from office.manifest import PullRefusedError, count_rows, read_manifest, sha256_of, verify
from office.pull import bring_up_to_date, find_source, pull
from office.sources import DatabaseFile
from station.sticks.copying import copy_snapshot
from station.sticks.mounts import Mount
from tests.ingest.builders import fish, run, survey
from tests.office.pulling import (
    NOW_S,
    checkpoint,
    dump,
    ids,
    nothing,
    pull_all,
    pull_one,
    station,
    write_snapshot,
)

RELEASED = sorted((Path(__file__).parents[1] / "ingest" / "data").glob("schema_v*.sqlite"))


@pytest.fixture
def office(tmp_path: Path) -> Iterator[OfficeDatabase]:
    (tmp_path / "office").mkdir()
    with OfficeDatabase.open(tmp_path / "office" / "office.sqlite") as one:
        yield one


@pytest.fixture
def snapshot(tmp_path: Path) -> Path:
    """A good snapshot of three fish with its manifest, in a folder of its own."""
    with station(tmp_path / "bank.sqlite") as store:
        return write_snapshot(store, tmp_path / "snapshots")


@contextmanager
def small_disk(folder: Path, size: str) -> Iterator[None]:
    """A file system of this size; skips where mounting is not permitted."""
    folder.mkdir(exist_ok=True)
    mount = ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(folder)]
    if subprocess.run(mount, capture_output=True, check=False).returncode != 0:
        pytest.skip("mounting a tmpfs is not permitted")
    try:
        yield
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=False, capture_output=True)


def rewrite(manifest: Path, **changes: Any) -> None:
    manifest.write_text(json.dumps(json.loads(manifest.read_text()) | changes))


def refused(office: OfficeDatabase, source: object) -> str:
    """The sentence with which a pull is refused; nothing was changed or left behind."""
    before = dump(office.connection)
    with pytest.raises((PullRefusedError, StoreTrouble)) as caught:
        pull_all(office, source)
    assert dump(office.connection) == before
    assert not list(office.path.parent.glob("*.pulls"))
    return str(caught.value)


# --- manifests ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"sha256": "0" * 64}, "SHA-256"),
        ({"sha256": "nonsense"}, "damaged or none of Tallywell"),
        ({"size_bytes": 17}, "bytes and its manifest says 17"),
        ({"size_bytes": 0}, "size_bytes"),  # over a link it would be waited for without end
        ({"rows": {}}, "rows in"),
        ({"schema_version": SCHEMA_VERSION + 1}, "made by a newer Tallywell"),
        ({"station": ""}, "station"),
        ({"taken_at": "yesterday"}, "taken_at"),
        ({"clock_doubtful": "maybe"}, "clock_doubtful"),
        ({"file": "../../etc/passwd"}, "file"),
    ],
)
def test_a_manifest_that_is_damaged_or_of_another_file_is_refused_in_a_sentence(
    office: OfficeDatabase, snapshot: Path, changes: dict[str, Any], said: str
) -> None:
    rewrite(snapshot.with_suffix(".json"), **changes)
    sentence = refused(office, snapshot.parent)
    assert said in sentence
    assert sentence.endswith(".")


@pytest.mark.parametrize(
    "text", [b"", b"{", b"[]", b"null", b'{"file": "a.sqlite"}', b"\xff\xfe", b"[" * 5000]
)
def test_a_manifest_that_is_cut_off_is_refused(office: OfficeDatabase, snapshot: Path, text: bytes) -> None:
    snapshot.with_suffix(".json").write_bytes(text)
    assert "manifest" in refused(office, snapshot.parent)


@given(st.binary(max_size=300))
def test_any_bytes_are_a_manifest_or_refused(text: bytes) -> None:
    with pytest.raises(PullRefusedError):
        read_manifest(text, "here")


def test_one_flipped_bit_of_a_snapshot_is_seen(office: OfficeDatabase, snapshot: Path) -> None:
    data = bytearray(snapshot.read_bytes())
    data[len(data) // 2] ^= 1
    snapshot.write_bytes(data)
    assert "SHA-256" in refused(office, snapshot.parent)


def test_a_snapshot_without_its_manifest_is_left_out_and_named(
    office: OfficeDatabase, snapshot: Path
) -> None:
    lone = snapshot.with_name("lone.sqlite")
    shutil.copy(snapshot, lone)
    report = pull_all(office, snapshot.parent)
    assert [str(lone) in sentence for sentence in report.left_out] == [True]
    assert len(report.pulled) == 1
    snapshot.with_suffix(".json").unlink()
    with OfficeDatabase.open(office.path.with_name("other.sqlite")) as other, pytest.raises(PullRefusedError):
        pull_all(other, snapshot.parent)


def test_the_rows_of_a_manifest_are_counted(snapshot: Path) -> None:
    manifest = read_manifest(snapshot.with_suffix(".json").read_bytes(), "here")
    verify(snapshot, manifest, "here")
    fewer = manifest.model_copy(update={"rows": {**manifest.rows, "fish": 2}})
    with pytest.raises(PullRefusedError, match="has 3 rows in fish and its manifest says 2"):
        verify(snapshot, fewer, "here")


def forged(path: Path, **changes: Any) -> Path:
    """A manifest beside any file, whose hash and size are right: by mistake or on purpose."""
    figures = {
        "file": path.name,
        "sha256": sha256_of(path),
        "size_bytes": path.stat().st_size,
        "schema_version": 1,
        "sqlite_version": "3",
        "rows": {},
        "station": "bank",
        "taken_at": "2026-05-12T18:00:00.000Z",
        "clock_doubtful": False,
    }
    path.with_suffix(".json").write_text(json.dumps(figures | changes))
    return path


def test_a_manifest_makes_no_snapshot_of_another_file(tmp_path: Path, office: OfficeDatabase) -> None:
    (tmp_path / "text.sqlite").write_text("no database at all\n" * 100)
    assert "no database that can be read" in refused(office, forged(tmp_path / "text.sqlite"))
    with closing(sqlite3.connect(tmp_path / "other.sqlite")) as other:
        other.execute("CREATE TABLE shopping (item)")
        other.execute("PRAGMA user_version = 1")
    assert "has 0 rows in shopping" in refused(office, forged(tmp_path / "other.sqlite"))
    assert "another program" in refused(office, forged(tmp_path / "other.sqlite", rows={"shopping": 0}))
    station(tmp_path / "bank.sqlite").close()
    assert "has 3 rows in fish" in refused(
        office, forged(tmp_path / "bank.sqlite", rows=rows_of(tmp_path, fish=2))
    )
    with closing(sqlite3.connect(tmp_path / "bank.sqlite")) as changed:
        changed.execute("PRAGMA user_version = 0")
    assert "has schema 0" in refused(office, forged(tmp_path / "bank.sqlite"))
    with closing(sqlite3.connect(tmp_path / "bank.sqlite")) as changed:
        changed.execute(f"PRAGMA user_version = {SCHEMA_VERSION + 1}")
    assert "has schema 2" in refused(office, forged(tmp_path / "bank.sqlite"))


def rows_of(folder: Path, **changes: int) -> dict[str, int]:
    with closing(sqlite3.connect(folder / "bank.sqlite")) as connection:
        return count_rows(connection) | changes


def test_a_manifest_that_belongs_to_another_name_is_left_out(office: OfficeDatabase, snapshot: Path) -> None:
    rewrite(snapshot.with_suffix(".json"), file="other.sqlite")
    assert "is the manifest of other.sqlite" in refused(office, snapshot.parent)
    for name in (".", ".."):
        rewrite(snapshot.with_suffix(".json"), file=name)
        assert "a name of a file is wanted" in refused(office, snapshot.parent)


# --- folders and sticks -------------------------------------------------------------------------------------------


def test_from_a_stick_the_newest_good_snapshot_of_each_station_is_taken(
    tmp_path: Path, office: OfficeDatabase
) -> None:
    stick = tmp_path / "stick"
    for name in ("bank", "deck"):
        with station(tmp_path / f"{name}.sqlite", 2) as store:
            write_snapshot(store, stick / "tallywell" / name, at="2026-05-12T18:00:00.000Z", name=name)
            store.commit([SaveFish(fish(8))], (), checkpoint(200.0))
            write_snapshot(store, stick / "tallywell" / name, at="2026-05-12T19:00:00.000Z", name=name)
    report = pull_all(office, stick)
    assert [one.station for one in report.pulled] == ["bank", "deck"]
    assert {one.taken_at for one in report.pulled} == {"2026-05-12T19:00:00.000Z"}
    assert len(ids(office.connection)) == 3


def test_the_stick_that_a_station_wrote_is_pulled(
    tmp_path: Path, office: OfficeDatabase, snapshot: Path
) -> None:
    top = tmp_path / "stick" / "tallywell"
    top.mkdir(parents=True)
    copy_snapshot(top, Mount(1, str(tmp_path / "stick"), "vfat"), "bank", snapshot, lambda: False)
    (top / "pack").mkdir()
    (top / "pack" / "manifest.json").write_text("{}")
    assert pull_one(office, tmp_path / "stick").added["fish"] == 3
    assert pull_one(office, top).added == {}


def test_where_the_newest_is_damaged_the_one_before_is_taken_and_it_is_said(
    tmp_path: Path, office: OfficeDatabase
) -> None:
    with station(tmp_path / "bank.sqlite", 2) as store:
        write_snapshot(store, tmp_path / "s", at="2026-05-12T18:00:00.000Z")
        newest = write_snapshot(store, tmp_path / "s", at="2026-05-12T19:00:00.000Z")
    newest.write_bytes(newest.read_bytes()[:-512])
    report = pull_all(office, tmp_path / "s")
    assert [one.taken_at for one in report.pulled] == ["2026-05-12T18:00:00.000Z"]
    assert [str(newest) in sentence for sentence in report.left_out] == [True]


def test_a_snapshot_taken_with_the_clock_set_back_is_not_passed_over(
    tmp_path: Path, office: OfficeDatabase
) -> None:
    with station(tmp_path / "bank.sqlite", 2) as store:
        write_snapshot(store, tmp_path / "s", at="2026-05-12T18:00:00.000Z")
        store.commit([SaveFish(fish(8))], (), checkpoint(200.0))
        write_snapshot(store, tmp_path / "s", at="1970-01-01T00:10:00.000Z", doubtful=True)
    report = pull_all(office, tmp_path / "s")
    assert fish(8).fish_id in ids(office.connection)
    assert any("does not trust its own clock" in said for one in report.pulled for said in one.notices)


def test_a_station_that_cannot_be_used_keeps_no_other_one_of_the_stick_at_home(
    tmp_path: Path, office: OfficeDatabase
) -> None:
    for name in ("bank", "deck"):
        with station(tmp_path / f"{name}.sqlite", 2) as store:
            if name == "bank":
                store.connection.execute("ALTER TABLE sighting ADD COLUMN mine TEXT")
            write_snapshot(store, tmp_path / "stick" / "tallywell" / name, name=name)
    report = pull_all(office, tmp_path / "stick")
    assert [one.station for one in report.pulled] == ["deck"]
    assert ["table sighting" in sentence for sentence in report.left_out] == [True]


def test_every_database_of_one_name_of_a_station_is_taken(tmp_path: Path, office: OfficeDatabase) -> None:
    """Two stations that bear the name of the example, and one that was begun anew: all lie in one folder of a stick."""
    for number, fish_count in ((1, 2), (2, 3), (3, 9)):
        with Store.open(tmp_path / f"{number}.sqlite") as store:
            day = f"survey-{number}"
            store.commit([survey(survey_id=day), run(survey_id=day)])
            for each in range(fish_count):
                one = fish(
                    each + 1, survey_id=day, fish_id=f"{number}-{each}", journal_id=f"journal-{number}"
                )
                store.commit([SaveFish(one)], (), checkpoint(100.0 + each))
                at = f"2026-05-12T1{number}:00:0{each}.000Z"
                write_snapshot(store, tmp_path / "stick" / "tallywell" / "bank", at=at)
    report = pull_all(office, tmp_path / "stick")
    assert sorted(one.added["fish"] for one in report.pulled) == [2, 3, 9]
    assert len(ids(office.connection)) == 14


def test_what_is_no_snapshot_in_a_folder_is_passed_over(office: OfficeDatabase, snapshot: Path) -> None:
    (snapshot.parent / "notes.json").write_text('{"sha256": 1}')
    (snapshot.parent / "pack").mkdir()
    (snapshot.parent / "pack" / "manifest.json").write_text("{}")
    (snapshot.parent / ".half.sqlite").write_bytes(b"half")
    pull_one(office, snapshot.parent)


def test_the_office_in_the_same_folder_is_no_snapshot(tmp_path: Path) -> None:
    with station(tmp_path / "bank.sqlite") as store:
        write_snapshot(store, tmp_path / "together")
    with OfficeDatabase.open(tmp_path / "together" / "office.sqlite") as office:
        assert pull_one(office, tmp_path / "together").added["fish"] == 3


def test_an_empty_folder_and_a_name_of_nothing_are_refused(tmp_path: Path, office: OfficeDatabase) -> None:
    (tmp_path / "empty").mkdir()
    assert "no snapshot with a manifest" in refused(office, tmp_path / "empty")
    assert "There is no" in refused(office, tmp_path / "nowhere")
    assert "office database itself" in refused(office, office.path)


def test_a_stick_pulled_out_in_the_middle_changes_nothing(tmp_path: Path, office: OfficeDatabase) -> None:
    with station(tmp_path / "bank.sqlite", 400) as store, small_disk(tmp_path / "stick", "16m"):
        made = write_snapshot(store, tmp_path / "stick" / "tallywell")
        size, before = made.stat().st_size, dump(office.connection)

        def pulled_out(what: str, done: int, whole: int) -> None:
            os.truncate(made, 4096)  # what a reader of a medium that is gone is left with
            subprocess.run(["umount", "-l", str(tmp_path / "stick")], check=True)

        source = find_source(str(tmp_path / "stick"), office.path)
        small = DatabaseFile(made)
        with pytest.raises(PullRefusedError, match=r"cut off|went away"):
            pull(office, small, NOW_S, _once(pulled_out, size))
        with pytest.raises(PullRefusedError):
            pull(office, source, NOW_S, nothing)
    assert dump(office.connection) == before


def _once(act: Any, size: int) -> Any:
    """A progress that acts at the first piece, which is read before the medium goes."""
    acted: list[bool] = []

    def progress(what: str, done: int, whole: int) -> None:
        if not acted:
            acted.append(True)
            act(what, done, whole)

    assert size > 1 << 19, "the file must come in more than one piece"
    return progress


# --- databases ----------------------------------------------------------------------------------------------------


def test_a_database_that_no_station_has_open_is_pulled_as_it_is(
    tmp_path: Path, office: OfficeDatabase
) -> None:
    station(tmp_path / "bank.sqlite").close()
    before = (tmp_path / "bank.sqlite").read_bytes()
    pulled = pull_one(office, tmp_path / "bank.sqlite")
    assert (pulled.station, pulled.added["fish"]) == ("bank", 3)
    assert (tmp_path / "bank.sqlite").read_bytes() == before


@pytest.mark.parametrize("mode", list(JournalMode))
def test_a_database_in_use_is_pulled_consistently_and_keeps_working(
    tmp_path: Path, office: OfficeDatabase, mode: JournalMode
) -> None:
    station(tmp_path / "bank.sqlite").close()
    with Store.open(tmp_path / "bank.sqlite", journal_mode=mode) as store:
        pull_one(office, tmp_path / "bank.sqlite")
        store.commit([SaveFish(fish(8))])
        assert pull_one(office, tmp_path / "bank.sqlite").added == {"fish_tag": 1, "reading": 3, "fish": 1}


def test_a_database_that_crashed_in_a_commit_is_not_read_half(tmp_path: Path, office: OfficeDatabase) -> None:
    with station(tmp_path / "live.sqlite") as store:
        store.connection.execute("PRAGMA cache_size = 1")
        store.connection.execute("BEGIN IMMEDIATE")
        store.connection.execute("UPDATE survey SET name = hex(zeroblob(200000))")
        shutil.copy(tmp_path / "live.sqlite", tmp_path / "crashed.sqlite")
        shutil.copy(tmp_path / "live.sqlite-journal", tmp_path / "crashed.sqlite-journal")
        store.connection.execute("ROLLBACK")
    report = pull_all_or_sentence(office, tmp_path / "crashed.sqlite")
    assert report is None or "was not stopped cleanly" in report
    if report is None:
        assert office.connection.execute("SELECT name FROM survey").fetchall() == [("Mill Pond, spring",)]


def pull_all_or_sentence(office: OfficeDatabase, source: Path) -> str | None:
    try:
        pull_all(office, source)
    except (PullRefusedError, StoreTrouble) as error:
        return str(error)
    return None


def test_a_damaged_database_and_one_of_another_program_are_refused(
    tmp_path: Path, office: OfficeDatabase
) -> None:
    with closing(sqlite3.connect(tmp_path / "other.sqlite")) as other:
        other.execute("CREATE TABLE shopping (item)")
    assert "another program" in refused(office, tmp_path / "other.sqlite")
    (tmp_path / "text.sqlite").write_text("no database at all\n" * 100)
    assert "damaged" in refused(office, tmp_path / "text.sqlite")
    with closing(sqlite3.connect(tmp_path / "hollow.sqlite")) as hollow:
        hollow.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        hollow.execute("PRAGMA user_version = 1")
    assert "not the tables of a station" in refused(office, tmp_path / "hollow.sqlite")
    (tmp_path / "empty.sqlite").touch()
    assert "no records" in refused(office, tmp_path / "empty.sqlite")
    station(tmp_path / "bank.sqlite", 200).close()
    data = bytearray((tmp_path / "bank.sqlite").read_bytes())
    data[8192:16384] = bytes(8192)
    (tmp_path / "bank.sqlite").write_bytes(data)
    assert "damaged" in refused(office, tmp_path / "bank.sqlite")


def test_a_file_whose_tables_somebody_changed_is_refused(tmp_path: Path, office: OfficeDatabase) -> None:
    station(tmp_path / "bank.sqlite").close()
    with closing(sqlite3.connect(tmp_path / "bank.sqlite")) as changed:
        changed.execute("ALTER TABLE sighting ADD COLUMN mood TEXT")
    assert "The table sighting" in refused(office, tmp_path / "bank.sqlite")


def test_a_station_is_never_made_an_office(tmp_path: Path) -> None:
    station(tmp_path / "bank.sqlite").close()
    with pytest.raises(NotOurDatabase, match="database of a station"):
        OfficeDatabase.open(tmp_path / "bank.sqlite")
    Store.open(tmp_path / "bank.sqlite").close()


def test_a_checkpoint_that_nobody_can_read_says_nothing_of_the_time(
    tmp_path: Path, office: OfficeDatabase
) -> None:
    with station(tmp_path / "bank.sqlite") as store:
        store.commit((), (), Checkpoint("{half", "a.jsonl", 10, 1))
    assert pull_one(office, tmp_path / "bank.sqlite").added["fish"] == 3
    assert office.connection.execute("SELECT count(*) FROM survey_told").fetchone() == (0,)


# --- releases -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("released", RELEASED, ids=lambda path: path.stem)
def test_a_database_of_every_release_is_pulled_and_left_as_it_is(
    tmp_path: Path, office: OfficeDatabase, released: Path
) -> None:
    shutil.copy(released, tmp_path / "old.sqlite")
    assert pull_one(office, tmp_path / "old.sqlite").added["fish"] == 1
    assert (tmp_path / "old.sqlite").read_bytes() == released.read_bytes()


def test_an_older_schema_is_upgraded_on_the_copy(tmp_path: Path, snapshot: Path) -> None:
    history = migrations()

    def second(db: Database) -> None:
        db.conn.execute("ALTER TABLE fish ADD COLUMN gape_mm REAL")
        db.conn.execute("PRAGMA user_version = 2")

    history(name="second")(second)
    copy = tmp_path / "copy.sqlite"
    shutil.copy(snapshot, copy)
    bring_up_to_date(copy, "here", history)
    with closing(sqlite3.connect(copy)) as upgraded:
        assert upgraded.execute("SELECT count(*), max(gape_mm) FROM fish").fetchone() == (3, None)


@pytest.mark.parametrize(("version", "said"), [(0, "no records"), (SCHEMA_VERSION + 1, "newer Tallywell")])
def test_a_newer_schema_and_none_are_refused(
    tmp_path: Path, office: OfficeDatabase, version: int, said: str
) -> None:
    station(tmp_path / "bank.sqlite").close()
    with closing(sqlite3.connect(tmp_path / "bank.sqlite")) as changed:
        changed.execute(f"PRAGMA user_version = {version}")
    assert said in refused(office, tmp_path / "bank.sqlite")


# --- the office's own disk ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("copies", "where"), [(0.5, "copy"), (1.2, "database"), (1.6, "database")])
def test_a_full_disk_leaves_the_office_as_it_was(tmp_path: Path, copies: float, where: str) -> None:
    """There is room for so many copies of the snapshot beside an empty office: in the copying or in the merge it ends."""
    OfficeDatabase.open(tmp_path / "empty.sqlite").close()
    empty = (tmp_path / "empty.sqlite").stat().st_size
    with station(tmp_path / "bank.sqlite", 400) as store:
        snapshot = write_snapshot(store, tmp_path / "s")
        room = int(1.3 * empty + copies * snapshot.stat().st_size)
        with small_disk(tmp_path / "disk", f"{room}"):
            with OfficeDatabase.open(tmp_path / "disk" / "office.sqlite") as office:
                before = dump(office.connection)
                sentence = pull_all_or_sentence(office, snapshot)
                assert sentence is not None
                assert ("room" if where == "copy" else "No space is left for the database") in sentence
                assert dump(office.connection) == before
            with OfficeDatabase.open(tmp_path / "disk" / "office.sqlite") as office:
                assert dump(office.connection) == before
                assert office.connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)


# --- clocks -------------------------------------------------------------------------------------------------------


def test_a_clock_that_is_ahead_is_shown(tmp_path: Path, office: OfficeDatabase) -> None:
    with station(tmp_path / "bank.sqlite") as store:
        snapshot = write_snapshot(store, tmp_path / "s", at="2026-05-14T18:00:00.000Z")
    said = " ".join(pull_one(office, snapshot).notices)
    assert "took this snapshot 23 h from now" in said
    early = pull_one(office, snapshot, now_s=NOW_S - 200_000.0).notices
    assert any(
        "3 fish and 0 amendments of this snapshot bear times that are still to come" in one for one in early
    )
    assert pull_one(office, snapshot, now_s=NOW_S + 200_000.0).notices == ()
