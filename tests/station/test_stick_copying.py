"""Copies on real small file systems that fill up, vanish, cannot be written, or give back other bytes."""

import contextlib
import errno
import hashlib
import json
import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from station.sticks.copying import (
    KEEP,
    Copied,
    StickError,
    StickGoneError,
    StoppedError,
    copy_snapshot,
    folder_of,
    reason,
)
from tests.station.sticks import Stick, stick_at


@pytest.fixture
def stick(tmp_path: Path) -> Iterator[Stick]:
    with stick_at(tmp_path / "media" / "BLUE") as stick:
        stick.put_in()
        yield stick


def make_snapshot(
    folder: Path,
    name: str = "work-up-20260512T130000Z",
    size: int = 3 << 20,
    fish: int = 64,
    survey: str = "survey-1",
) -> Path:
    """Something with the manifest of a snapshot: what it holds is nothing to the copy."""
    folder.mkdir(exist_ok=True)
    path = folder / f"{name}.sqlite"
    path.write_bytes(os.urandom(size))
    figures = {
        "file": path.name,
        "sha256": hashlib.sha256(path.read_bytes()).hexdigest(),
        "size_bytes": size,
        "rows": {"fish": fish, "survey": 1},
        "surveys": [survey],
    }
    path.with_suffix(".json").write_text(json.dumps(figures))
    return path


def copy(stick: Stick, snapshot: Path, meanwhile: Callable[[], object] = lambda: None) -> Copied:
    """`meanwhile` happens between two chunks of a MiB."""

    def stopping() -> bool:
        meanwhile()
        return False

    with folder_of(stick.mount) as top:
        return copy_snapshot(top, stick.mount, "bank", snapshot, stopping)


def at_chunk(number: int, what: Callable[[], object]) -> Callable[[], None]:
    """Calls `what` once, at this chunk (from 1)."""
    count = iter(range(1, 1000))

    def meanwhile() -> None:
        if next(count) == number:
            what()

    return meanwhile


def written(path: Path) -> tuple[int, int]:
    """Another pair after the file was written or exchanged."""
    status = os.stat(path)
    return status.st_ino, status.st_mtime_ns


def test_the_copy_and_its_manifest_are_the_snapshots_bytes(stick: Stick, tmp_path: Path) -> None:
    snapshot = make_snapshot(tmp_path / "snapshots")
    copied = copy(stick, snapshot)
    assert (copied.fish, copied.there_before) == (64, False)
    assert stick.copies == [f"bank/{snapshot.stem}.json", f"bank/{snapshot.name}"]
    for suffix in (".sqlite", ".json"):
        there = (stick.folder / "bank" / snapshot.name).with_suffix(suffix)
        assert there.read_bytes() == snapshot.with_suffix(suffix).read_bytes()


def test_the_same_again_is_found_whole_and_not_written(stick: Stick, tmp_path: Path) -> None:
    snapshot = make_snapshot(tmp_path / "snapshots")
    copy(stick, snapshot)
    before = written(stick.folder / "bank" / snapshot.name)
    assert copy(stick, snapshot).there_before
    assert written(stick.folder / "bank" / snapshot.name) == before


def test_a_damaged_copy_of_the_same_name_is_written_anew(stick: Stick, tmp_path: Path) -> None:
    snapshot = make_snapshot(tmp_path / "snapshots")
    copy(stick, snapshot)
    damaged = stick.folder / "bank" / snapshot.name
    damaged.write_bytes(b"\0" + damaged.read_bytes()[1:])
    assert not copy(stick, snapshot).there_before
    assert damaged.read_bytes() == snapshot.read_bytes()


def test_a_stick_that_gives_back_other_bytes_gets_no_copy(stick: Stick, tmp_path: Path) -> None:
    snapshot = make_snapshot(tmp_path / "snapshots")

    def spoil() -> None:
        (part,) = (stick.folder / "bank").glob(".*.part")
        with part.open("r+b") as file:
            file.seek(2 << 20)
            file.write(b"spoilt")

    with pytest.raises(StickError, match="gives back other bytes"):
        copy(stick, snapshot, at_chunk(4, spoil))  # three chunks are written, the fourth is read back
    assert stick.copies == []


def test_a_stick_without_room_is_not_begun(stick: Stick, tmp_path: Path) -> None:
    old = make_snapshot(tmp_path / "snapshots", "work-up-20260511T130000Z")
    copy(stick, old)
    before = stick.copies
    with pytest.raises(StickError, match=r"BLUE is full \(6\.6 MB are needed, .* are free\)"):
        copy(stick, make_snapshot(tmp_path / "snapshots", size=6 << 20))
    assert stick.copies == before


def test_a_stick_that_fills_up_in_the_middle_keeps_the_older_copy(stick: Stick, tmp_path: Path) -> None:
    old = make_snapshot(tmp_path / "snapshots", "work-up-20260511T130000Z", 1 << 20)
    copy(stick, old)

    def fill() -> None:
        with contextlib.suppress(OSError), (stick.place / "film").open("wb", buffering=0) as file:
            while file.write(bytes(65_536)):
                pass

    with pytest.raises(OSError, match="No space") as caught:
        copy(stick, make_snapshot(tmp_path / "snapshots"), at_chunk(2, fill))
    assert reason(caught.value, stick.mount).startswith("The stick BLUE is full")
    assert stick.copies == [f"bank/{old.stem}.json", f"bank/{old.name}"]
    assert (stick.folder / "bank" / old.name).read_bytes() == old.read_bytes()


def test_what_an_interrupted_copy_left_is_removed_by_the_next(stick: Stick, tmp_path: Path) -> None:
    snapshot = make_snapshot(tmp_path / "snapshots")
    (stick.folder / "bank").mkdir()
    (stick.folder / "bank" / ".older.sqlite.part").write_bytes(bytes(1000))
    copy(stick, snapshot)
    assert stick.copies == [f"bank/{snapshot.stem}.json", f"bank/{snapshot.name}"]


def test_a_stick_that_vanishes_leaves_nothing_on_the_stations_own_card(stick: Stick, tmp_path: Path) -> None:
    """The mount point becomes a folder of the card: what is written then must not land there."""
    with pytest.raises(StickGoneError):
        copy(stick, make_snapshot(tmp_path / "snapshots"), at_chunk(2, stick.pull_out))
    assert list(stick.place.iterdir()) == []


def test_a_stick_that_is_exchanged_in_the_middle_is_no_success(stick: Stick, tmp_path: Path) -> None:
    def exchange() -> None:
        stick.pull_out()
        stick.put_in()

    with pytest.raises(StickGoneError, match="exchanged"):
        copy(stick, make_snapshot(tmp_path / "snapshots"), at_chunk(2, exchange))
    assert stick.copies == []


def test_a_folder_where_nothing_is_mounted_is_no_stick(stick: Stick) -> None:
    first = stick.mount
    stick.pull_out()
    stick.folder.mkdir()
    with pytest.raises(StickGoneError), folder_of(first):
        pass


def test_a_stick_that_is_gone_says_so(stick: Stick) -> None:
    first = stick.mount
    stick.pull_out()
    with pytest.raises(StickGoneError, match="is gone"), folder_of(first):
        pass


def test_a_read_only_stick_is_named_as_one(tmp_path: Path) -> None:
    with stick_at(tmp_path / "media" / "LOCKED", image=True) as stick:
        stick.put_in()
        stick.pull_out()
        stick.put_in("ro")
        with pytest.raises(OSError, match="Read-only") as caught:
            copy(stick, make_snapshot(tmp_path / "snapshots"))
        assert "can only be read" in reason(caught.value, stick.mount)


def test_a_station_that_stops_leaves_no_half_copy(stick: Stick, tmp_path: Path) -> None:
    with pytest.raises(StoppedError), folder_of(stick.mount) as top:
        copy_snapshot(top, stick.mount, "bank", make_snapshot(tmp_path / "snapshots"), lambda: True)
    assert stick.copies == []


def rows_of(path: Path) -> Any:
    return json.loads(path.with_suffix(".json").read_text())["rows"]


def test_the_oldest_copies_go_and_never_one_with_more_in_it(stick: Stick, tmp_path: Path) -> None:
    """A database that was begun anew has fewer fish: the copies of the one before stay."""
    full = make_snapshot(tmp_path / "snapshots", "work-up-20260501T130000Z", 1000, fish=500)
    days = [
        make_snapshot(tmp_path / "snapshots", f"work-up-202605{day:02}T130000Z", 1000, fish=day)
        for day in range(2, 12)
    ]
    other = stick.folder / "bank" / "notes.json"
    for snapshot in [full, *days]:
        copy(stick, snapshot)
        other.write_text("[1]")
    kept = [full, *days[1 - KEEP - 1 :]]
    assert stick.copies == sorted(
        ["bank/notes.json", *(f"bank/{one.stem}{suffix}" for one in kept for suffix in (".json", ".sqlite"))]
    )
    assert rows_of(stick.folder / "bank" / full.name)["fish"] == 500


def test_copies_of_another_database_of_this_name_stay_however_big_the_new_one_is(
    stick: Stick, tmp_path: Path
) -> None:
    other = make_snapshot(tmp_path / "snapshots", "work-up-20260501T130000Z", 1000, fish=3, survey="theirs")
    copy(stick, other)
    for day in range(2, 12):
        copy(stick, make_snapshot(tmp_path / "snapshots", f"work-up-202605{day:02}T130000Z", 1000, fish=100))
    assert (stick.folder / "bank" / other.name).read_bytes() == other.read_bytes()
    assert len(stick.copies) == 2 * (KEEP + 1)


@pytest.mark.parametrize(
    ("number", "says"),
    [
        (errno.EIO, "was pulled out or is failing (Input/output error)"),
        (errno.EACCES, "may not be written by this user"),
        (errno.EDQUOT, "is full"),
    ],
)
def test_every_reason_says_what_to_do(stick: Stick, number: int, says: str) -> None:
    sentence = reason(OSError(number, os.strerror(number)), stick.mount)
    assert says in sentence
    assert sentence.startswith("The stick BLUE ")
    assert ": " in sentence
