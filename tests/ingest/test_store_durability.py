"""What the store survives: other programs, a full disk, a failing one, a moved file, SIGKILL."""

import os
import random
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import IO

import pytest

from ingest.records import SaveFish
from ingest.store import (
    BatchLost,
    DatabaseInUse,
    DatabaseTooNew,
    FrameRow,
    JournalMode,
    NotOurDatabase,
    Store,
    StoreBroken,
    StoreBusy,
    StoreFull,
    StoreMoved,
    UnsafeSettings,
)
from ingest.store.owner import OwnerLock
from ingest.store.pragmas import settle_pragmas
from tests.ingest.builders import fish, frames, ready, run, survey

ROOT = Path(__file__).parents[2]


def start(program: list[str]) -> subprocess.Popen[str]:
    return subprocess.Popen(
        program, cwd=ROOT, env={**os.environ, "PYTHONPATH": str(ROOT)}, stdout=subprocess.PIPE, text=True
    )


def said(process: subprocess.Popen[str]) -> IO[str]:
    assert process.stdout is not None
    return process.stdout


def stored(store: Store) -> int:
    count: int = store.connection.execute("SELECT count(*) FROM fish").fetchone()[0]
    return count


@pytest.mark.parametrize(
    ("mode", "synchronous"),
    [
        (JournalMode.TRUNCATE, 2),
        (JournalMode.PERSIST, 2),
        (JournalMode.WAL, 2),
        (JournalMode.DELETE, 3),
    ],
)
def test_every_mode_runs_with_the_settings_that_make_it_safe_and_leaves_one_file(
    tmp_path: Path, mode: JournalMode, synchronous: int
) -> None:
    path = tmp_path / "bank.sqlite"
    with Store.open(path, journal_mode=mode) as store:
        store.commit([survey(), run(), SaveFish(fish())])
        for pragma, value in (
            ("journal_mode", mode.value),
            ("synchronous", synchronous),
            ("foreign_keys", 1),
            ("recursive_triggers", 1),
        ):
            assert store.connection.execute(f"PRAGMA {pragma}").fetchone()[0] == value
            assert store.pragmas[pragma] == value
        assert store.sqlite_version == sqlite3.sqlite_version
    assert os.listdir(tmp_path) == ["bank.sqlite"]
    store.close()
    with Store.open(path, journal_mode=mode) as store:
        assert stored(store) == 1


def test_a_setting_that_sqlite_does_not_take_is_noticed() -> None:
    memory = sqlite3.connect(":memory:")  # knows no journal mode but its own
    with pytest.raises(UnsafeSettings, match="journal_mode=memory instead of truncate"):
        settle_pragmas(memory, JournalMode.TRUNCATE)
    memory.close()


def test_a_second_owner_is_told_who_has_it_and_a_dead_one_does_not_count(tmp_path: Path) -> None:
    path = tmp_path / "bank.sqlite"
    child = start([sys.executable, "-m", "tests.ingest.committing_child", str(path), "1", "truncate"])
    with said(child) as words:
        assert words.readline() == "ready\n"
        with pytest.raises(DatabaseInUse, match=f"in use by process {child.pid}"):
            Store.open(path)
        child.kill()
        child.wait()
    assert (tmp_path / "bank.sqlite.lock").exists()
    with Store.open(path), pytest.raises(DatabaseInUse, match=f"in use by process {os.getpid()}"):
        Store.open(path)
    assert os.listdir(tmp_path) == ["bank.sqlite"]


def test_a_link_to_a_database_in_use_is_the_same_database(tmp_path: Path) -> None:
    path, link = tmp_path / "bank.sqlite", tmp_path / "link.sqlite"
    link.symlink_to(path)
    with Store.open(path), pytest.raises(DatabaseInUse):
        Store.open(link)


@pytest.mark.parametrize("lock", ["BEGIN EXCLUSIVE", "BEGIN IMMEDIATE", "BEGIN; SELECT * FROM fish"])
def test_a_lock_of_another_program_is_said_and_the_same_commit_works_later(tmp_path: Path, lock: str) -> None:
    path = tmp_path / "bank.sqlite"
    ready(path).close()
    code = (
        "import sqlite3, sys\n"
        "c = sqlite3.connect(sys.argv[1], isolation_level=None)\n"
        "held = [c.execute(s) for s in sys.argv[2].split(';')]\n"
        "print('locked', flush=True)\n"
        "sys.stdin.readline()\n"
    )
    with Store.open(path, busy_timeout_ms=20) as store:
        store.commit([SaveFish(fish(1))])
        other = subprocess.Popen(
            [sys.executable, "-c", code, str(path), lock],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert said(other).readline() == "locked\n"
        with pytest.raises(StoreBusy, match="Another program holds"):
            store.commit([SaveFish(fish(2))], frames(fish(2)))
        if lock == "BEGIN EXCLUSIVE":
            with pytest.raises(StoreBusy):
                store.lookup.captures("985120012345678")
            with pytest.raises(StoreBusy):
                store.begin_batch()
        other.communicate("go\n")
        store.commit([SaveFish(fish(2))], frames(fish(2)))
        assert stored(store) == 2


def test_a_lock_of_another_program_at_the_start_is_said(tmp_path: Path) -> None:
    path = tmp_path / "bank.sqlite"
    ready(path).close()
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN EXCLUSIVE")
    with pytest.raises(StoreBusy):
        Store.open(path, busy_timeout_ms=20)
    other.close()
    assert os.listdir(tmp_path) == ["bank.sqlite"]


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    folder = tmp_path / "card"
    folder.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(folder)], capture_output=True, check=False
    )
    if mounted.returncode != 0:
        pytest.skip("mounting a tmpfs is not permitted")
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True)


def fill(ballast: Path) -> None:
    with ballast.open("wb", buffering=0) as file:
        try:
            while file.write(b"\0" * 4096):
                pass
        except OSError:
            pass


@pytest.mark.parametrize("mode", list(JournalMode))
def test_a_full_disk_is_said_nothing_is_half_done_and_the_same_commit_works_once_there_is_space(
    small_disk: Path, mode: JournalMode
) -> None:
    ballast = small_disk / "ballast"
    with Store.open(small_disk / "bank.sqlite", journal_mode=mode) as store:
        store.commit([survey(), run(), SaveFish(fish(1))], frames(fish(1)))
        fill(ballast)
        more = [SaveFish(fish(number, note="n" * 500)) for number in range(2, 30)]
        for _ in range(2):
            with pytest.raises(StoreFull, match="No space is left"):
                store.commit(more)
        assert stored(store) == 1
        assert len(store.lookup.captures("985120012345678")) == 1
        ballast.unlink()
        store.commit(more)
        assert stored(store) == 29
        assert store.connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def test_trouble_in_a_batch_takes_the_whole_batch_back_and_nobody_can_miss_it(small_disk: Path) -> None:
    ballast = small_disk / "ballast"
    with ready(small_disk / "bank.sqlite") as store:
        store.begin_batch()
        store.commit([SaveFish(fish(1))])
        store.connection.execute("PRAGMA cache_size = 1")  # so that the batch meets the disk before its end
        fill(ballast)
        more = [SaveFish(fish(number, note="n" * 2000)) for number in range(2, 80)]
        with pytest.raises(BatchLost, match="No space is left"):
            store.commit(more)
        with pytest.raises(BatchLost):
            store.commit([SaveFish(fish(2))])
        with pytest.raises(BatchLost):
            store.end_batch()
        assert stored(store) == 0
        ballast.unlink()
        store.begin_batch()
        store.commit([SaveFish(fish(1))])
        store.commit(more)
        store.end_batch()
        assert stored(store) == 79


@pytest.mark.skipif(shutil.which("strace") is None, reason="needs strace to make the disk fail")
@pytest.mark.parametrize("call", ["fdatasync", "pwrite64"])
def test_a_failing_disk_is_said_and_the_same_commit_works_afterwards(tmp_path: Path, call: str) -> None:
    path = tmp_path / "bank.sqlite"
    ready(path).close()
    failing = f"strace -f -qq -o /dev/null -e trace={call} -e inject={call}:error=EIO:when=20".split()
    child = start(
        [*failing, sys.executable, "-m", "tests.ingest.committing_child", str(path), "1", "truncate", "30"]
    )
    words = child.communicate(timeout=60)[0].split("\n")
    assert words.count("! StoreBroken") == 1
    assert [int(word) for word in words if word.isdigit()] == list(range(1, 31))
    with Store.open(path) as store:
        assert stored(store) == 30


@pytest.mark.parametrize("mode", list(JournalMode))
@pytest.mark.parametrize("deed", ["rename", "delete", "replace"])
def test_a_file_moved_or_deleted_under_the_store_is_noticed_before_anything_is_acknowledged(
    tmp_path: Path, mode: JournalMode, deed: str
) -> None:
    path = tmp_path / "bank.sqlite"
    with Store.open(path, journal_mode=mode) as store:
        store.commit([survey(), run(), SaveFish(fish(1))])
        if deed == "delete":
            path.unlink()
        else:
            path.rename(tmp_path / "elsewhere.sqlite")
        if deed == "replace":
            shutil.copy(tmp_path / "elsewhere.sqlite", path)
        for _ in range(2):
            with pytest.raises(StoreMoved, match="moved, deleted or replaced"):
                store.commit([SaveFish(fish(2))])
        if deed == "rename":
            (tmp_path / "elsewhere.sqlite").rename(path)
            store.commit([SaveFish(fish(2))])
            assert stored(store) == 2


def test_sigkill_loses_no_fish_that_was_acknowledged(tmp_path: Path) -> None:
    path = tmp_path / "bank.sqlite"
    chance = random.Random(20260512)
    acknowledged = 0
    for trial in range(10):
        mode = JournalMode.WAL if trial % 3 == 2 else JournalMode.TRUNCATE
        child = start(
            [
                sys.executable,
                "-m",
                "tests.ingest.committing_child",
                str(path),
                str(acknowledged + 1),
                mode.value,
            ]
        )
        with said(child) as words:
            assert words.readline() == "ready\n"
            for _ in range(chance.randrange(1, 60)):
                acknowledged = int(words.readline())
            child.kill()
            for line in words:
                if line.endswith("\n"):
                    acknowledged = int(line)
        child.wait()
        with Store.open(path, journal_mode=mode) as store:
            kept = {row[0] for row in store.connection.execute("SELECT fish_id FROM worked_fish")}
            assert {fish(number).fish_id for number in range(1, acknowledged + 1)} <= kept
            assert len(kept) <= acknowledged + 1
            assert store.connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
            assert store.connection.execute("PRAGMA foreign_key_check").fetchall() == []


def test_a_file_that_is_no_database_of_ours_is_left_untouched(tmp_path: Path) -> None:
    path = tmp_path / "other.sqlite"
    other = sqlite3.connect(path)
    other.execute("CREATE TABLE recipe (name)")
    other.commit()
    other.close()
    before = path.read_bytes()
    with pytest.raises(NotOurDatabase, match="another program"):
        Store.open(path)
    assert path.read_bytes() == before
    path.write_bytes(b"length,weight\n" * 100)
    with pytest.raises(StoreBroken, match="damaged"):
        Store.open(path)
    assert path.read_bytes() == b"length,weight\n" * 100
    assert os.listdir(tmp_path) == ["other.sqlite"]


def test_a_database_of_a_newer_release_is_left_untouched(tmp_path: Path) -> None:
    path = tmp_path / "bank.sqlite"
    ready(path).close()
    newer = sqlite3.connect(path)
    newer.execute("PRAGMA user_version = 9999")
    newer.close()
    before = path.read_bytes()
    with pytest.raises(DatabaseTooNew, match="newer Tallywell"):
        Store.open(path)
    assert path.read_bytes() == before


def test_a_damaged_database_is_said_at_the_start(tmp_path: Path) -> None:
    path = tmp_path / "bank.sqlite"
    with ready(path) as store:
        store.commit([SaveFish(fish(number)) for number in range(1, 60)])
        page = store.connection.execute("SELECT rootpage FROM sqlite_schema WHERE name = 'fish'").fetchone()[
            0
        ]
    content = bytearray(path.read_bytes())
    content[(page - 1) * 4096 : page * 4096] = b"\xa5" * 4096
    path.write_bytes(content)
    with pytest.raises(StoreBroken, match="rebuild it from the journal"):
        Store.open(path)


def test_a_folder_that_is_not_there_is_said_in_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(StoreBroken, match=r"cannot be made \(No such file or directory\)"):
        Store.open(tmp_path / "nowhere" / "bank.sqlite")


def test_a_lock_file_that_the_last_owner_removes_while_we_open_it_guards_nothing(tmp_path: Path) -> None:
    path = tmp_path / "bank.sqlite"
    lock_file = tmp_path / "bank.sqlite.lock"
    first = OwnerLock(path)
    lock_file.unlink()
    second = OwnerLock(path)  # somebody deleted the file by hand: the new one is the one that counts
    first.release()
    assert lock_file.read_text() == f"{os.getpid()}\n"
    with pytest.raises(DatabaseInUse):
        OwnerLock(path)
    lock_file.unlink()
    second.release()
    second.release()
    assert os.listdir(tmp_path) == []


def test_a_database_has_one_owner_under_all_its_names(tmp_path: Path) -> None:
    path, other = tmp_path / "bank.sqlite", tmp_path / "elsewhere" / "day.sqlite"
    other.parent.mkdir()
    code = (
        "import sys; from pathlib import Path; from ingest.store import Store; Store.open(Path(sys.argv[1]))"
    )
    with ready(path) as store:
        other.hardlink_to(path)
        late = subprocess.run(
            [sys.executable, "-c", code, other], cwd=ROOT, stderr=subprocess.PIPE, text=True
        )
        assert f"The database {other} is in use under another of its names" in late.stderr
        assert os.listdir(other.parent) == ["day.sqlite"]
        store.commit([SaveFish(fish(1))])
    with Store.open(other), pytest.raises(DatabaseInUse, match="another of its names"):
        Store.open(path)
    Store.open(path).close()  # a second name alone keeps nobody waiting


LATE = """
import fcntl, sys
from pathlib import Path
from ingest.store.owner import OwnerLock
flock = fcntl.flock
def held_up(*how):
    fcntl.flock = flock
    print("opened", flush=True)
    sys.stdin.readline()
    return flock(*how)
fcntl.flock = held_up
OwnerLock(Path(sys.argv[1]))
"""


def test_an_owner_that_leaves_between_our_open_and_our_lock_gives_nobody_two_owners(tmp_path: Path) -> None:
    path = tmp_path / "bank.sqlite"
    owner = OwnerLock(path)
    pipe = subprocess.PIPE
    command = [sys.executable, "-c", LATE, str(path)]
    late = subprocess.Popen(command, cwd=ROOT, stdin=pipe, stdout=pipe, stderr=pipe, text=True)
    assert said(late).readline() == "opened\n"
    owner.release()
    owner = OwnerLock(path)
    words = late.communicate("go on\n")[1]
    owner.release()
    assert f"in use by process {os.getpid()}" in words


def test_an_interrupt_within_a_commit_leaves_nothing_half_done(tmp_path: Path) -> None:
    with ready(tmp_path / "bank.sqlite") as store:

        def interrupted(connection: sqlite3.Connection) -> None:
            connection.execute("UPDATE survey SET name = 'half done'")
            raise KeyboardInterrupt

        with pytest.raises(KeyboardInterrupt):
            store.write(interrupted)
        store.commit([SaveFish(fish(1, readings=()))])
        assert store.connection.execute("SELECT name FROM survey").fetchone() == ("Mill Pond, spring",)


def test_a_defect_of_ours_is_not_taken_for_trouble(tmp_path: Path) -> None:
    with ready(tmp_path / "bank.sqlite") as store:
        defect = FrameRow("journal-1", 1, "2026-05-12T13:00:00Z", "board", object())  # type: ignore[arg-type]
        with pytest.raises(sqlite3.Error, match="type"):
            store.commit([SaveFish(fish(1))], [defect])
        store.begin_batch()
        with pytest.raises(sqlite3.Error, match="type"):
            store.commit([SaveFish(fish(1))], [defect])
        with pytest.raises(BatchLost):
            store.end_batch()
        store.begin_batch()
        store.end_batch()
    with pytest.raises(sqlite3.ProgrammingError, match="closed"):
        store.commit([SaveFish(fish(1))])


def test_a_clean_stop_while_another_program_reads_leaves_a_whole_database(tmp_path: Path) -> None:
    path = tmp_path / "bank.sqlite"
    store = Store.open(path, journal_mode=JournalMode.WAL, busy_timeout_ms=20)
    store.commit([survey(), run(), SaveFish(fish(1))])
    reader = sqlite3.connect(path, isolation_level=None)
    reader.execute("BEGIN")
    assert reader.execute("SELECT count(*) FROM fish").fetchone() == (1,)
    store.close()
    reader.close()
    with Store.open(path) as again:
        assert stored(again) == 1


def test_a_batch_whose_file_is_gone_is_lost_at_its_end(tmp_path: Path) -> None:
    path = tmp_path / "bank.sqlite"
    with ready(path) as store:
        store.begin_batch()
        store.commit([SaveFish(fish(1))])
        path.rename(tmp_path / "elsewhere.sqlite")
        with pytest.raises(BatchLost, match="moved, deleted or replaced"):
            store.end_batch()
    with Store.open(tmp_path / "elsewhere.sqlite") as store:
        assert stored(store) == 0


def test_a_folder_named_as_database_is_said_in_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "bank.sqlite").mkdir()
    with pytest.raises(StoreBroken, match="unable to open"):
        Store.open(tmp_path / "bank.sqlite")
    assert os.listdir(tmp_path) == ["bank.sqlite"]


def test_a_full_disk_does_not_keep_a_station_from_reading(small_disk: Path) -> None:
    ready(small_disk / "bank.sqlite").close()
    fill(small_disk / "ballast")
    with Store.open(small_disk / "bank.sqlite") as store:
        assert store.lookup.last_run_no("survey-1") == 1


@pytest.mark.skipif(shutil.which("strace") is None, reason="needs strace to refuse the lock")
def test_a_file_system_without_locks_is_said_in_one_sentence(tmp_path: Path) -> None:
    code = (
        "import sys; from pathlib import Path; from ingest.store import Store; Store.open(Path(sys.argv[1]))"
    )
    refusing = [
        "strace",
        "-f",
        "-qq",
        "-o",
        "/dev/null",
        "-e",
        "trace=flock",
        "-e",
        "inject=flock:error=ENOLCK",
    ]
    child = subprocess.run(
        [*refusing, sys.executable, "-c", code, str(tmp_path / "bank.sqlite")],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert "cannot be locked (No locks available): keep the database on a local disk." in child.stderr
    assert not (tmp_path / "bank.sqlite").exists()
