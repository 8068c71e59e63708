"""The folder of snapshots: which are kept, whatever the clock shows."""

from pathlib import Path

from ingest.snapshots import Snapshots
from tests.ingest.builders import ready


def test_the_snapshot_just_taken_stays_where_the_clock_was_set_back(tmp_path: Path) -> None:
    with ready(tmp_path / "bank.sqlite") as store:
        snapshots = Snapshots(store, tmp_path / "snapshots", 0.0, keep=3)
        for hour in range(5):
            snapshots.take(0.0, hour, f"2026-05-12T1{hour}:00:00.000Z", "bank")
        for minute in range(2):
            taken = snapshots.take(0.0, 9, f"1970-01-01T00:0{minute}:10.000Z", "bank", True)
            assert taken.path.exists()
            assert taken.path.with_suffix(".json").exists()
            assert snapshots.fresh(9) == taken
    assert sorted(path.stem for path in (tmp_path / "snapshots").glob("*.sqlite")) == [
        "bank-19700101T000110.000Z",
        "bank-20260512T130000.000Z",
        "bank-20260512T140000.000Z",
    ]


def test_snapshots_of_one_second_or_one_moment_do_not_replace_each_other(tmp_path: Path) -> None:
    old = tmp_path / "snapshots" / "bank-20260512T120000Z.sqlite"  # as names were before
    old.parent.mkdir()
    old.touch()
    with ready(tmp_path / "bank.sqlite") as store:
        snapshots = Snapshots(store, old.parent, 0.0, keep=4)
        taken = [
            snapshots.take(0.0, number, f"2026-05-12T13:00:00.{ms}Z", "bank").path
            for number, ms in enumerate(("997", "998", "998", "998"))
        ]
    assert [path.name for path in taken] == sorted(path.name for path in taken)
    assert [path.name for path in taken][2:] == [
        "bank-20260512T130000.999Z.sqlite",
        "bank-20260512T130001.000Z.sqlite",
    ]
    assert all(path.exists() and path.with_suffix(".json").exists() for path in taken)
    assert not old.exists()  # the oldest goes, whatever its name looks like
