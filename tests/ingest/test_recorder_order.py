"""The one right order: journal, database, announcement; and what happens when one of them fails."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from ingest.journal_reading import journal_files, read_journal
from ingest.records import Sound
from ingest.store import Store
from tests.ingest.stations import Live, fish, write_station

FIRST, SECOND = "985120000000101", "985120000000102"


@pytest.fixture
def live(tmp_path: Path) -> Iterator[Live]:
    station = Live(write_station(tmp_path), 100.0)
    yield station
    station.kill()


def names(live: Live) -> list[str]:
    return [one.name for one in live.heard]


def stored_fish(path: Path) -> list[tuple[str, float]]:
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as reader:
        return reader.execute("SELECT tag, weight_g FROM worked_fish ORDER BY worked_up_at").fetchall()


def test_a_fish_is_announced_when_journal_and_database_have_it(live: Live) -> None:
    fish(live, 110.0, FIRST)
    assert names(live).count("fish_saved") == 1
    assert stored_fish(live.station.database) == [(FIRST, 412.0)]
    frames = [entry.item for path in journal_files(live.station.journal) for entry in read_journal(path)]
    assert any(getattr(frame, "data", None) == FIRST.encode() + b"\r" for frame in frames)


def test_while_another_program_locks_the_database_fish_wait_and_are_saved_afterwards(live: Live) -> None:
    fish(live, 110.0, FIRST)
    with closing(sqlite3.connect(live.station.database, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        heard = len(live.heard)
        later_s = fish(live, 200.0, SECOND)
        said = live.heard[heard:]
        assert [one.name for one in said].count("database_trouble") == 1
        assert "fish_saved" not in [one.name for one in said]
        kept = [one for one in said if one.name == "fish_kept"]
        assert len(kept) == 1
        assert SECOND[-4:] in kept[0].sentence
        # Work goes on: what waits is known, and the trouble is not told twice.
        live.hear(later_s + 5, "reader", SECOND.encode() + b"\r\n")
        assert names(live).count("database_trouble") == 1
        assert live.queue.waiting > 0
        other.execute("ROLLBACK")
    healed = live.retry()
    assert [one.name for one in healed][:2] == ["database_back", "fish_saved"]
    assert live.queue.waiting == 0
    assert [code for code, _ in stored_fish(live.station.database)] == [FIRST, SECOND]


def test_a_tag_that_waits_for_the_database_counts_as_done(live: Live) -> None:
    with closing(sqlite3.connect(live.station.database, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        later_s = fish(live, 110.0, FIRST)
        later_s = fish(live, later_s + 30, SECOND)
        live.hear(later_s + 60, "reader", FIRST.encode() + b"\r\n")
        assert "already_done" in names(live)
        other.execute("ROLLBACK")
    live.retry()


def test_retries_wait_longer_and_longer_up_to_two_seconds(live: Live) -> None:
    with closing(sqlite3.connect(live.station.database, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        fish(live, 110.0, FIRST)
        waits = []
        for _ in range(6):
            due_s = live.queue.retry_s
            assert due_s is not None
            waits.append(round(due_s - live.clock_s, 3))
            live.clock_s = due_s
            live.recorder.retry()
        other.execute("ROLLBACK")
    assert waits == [0.2, 0.4, 0.8, 1.6, 2.0, 2.0]
    live.clock_s += 1.0  # too early: nothing is tried
    assert live.recorder.retry() == []
    live.clock_s += 1.0
    assert "fish_saved" in [one.name for one in live.recorder.retry()]


def test_a_held_fish_asks_its_question_at_once_even_without_a_database(live: Live) -> None:
    with closing(sqlite3.connect(live.station.database, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        fish(live, 110.0, FIRST, mm=312, grams=41.2)
        held = [one for one in live.heard if one.sound is Sound.HELD]
        other.execute("ROLLBACK")
    assert held


def test_a_record_that_contradicts_the_database_is_said_and_stops_nobody(live: Live) -> None:
    later_s = fish(live, 110.0, FIRST)
    saved = next(one.fish_id for one in live.heard if one.name == "fish_saved")
    # Somebody edits the file behind the station's back: the fish in it is not the one that was saved.
    live.store.connection.execute("DROP TRIGGER fish_no_update")
    live.store.connection.execute("UPDATE fish SET closed = 0 WHERE fish_id = ?", (saved,))
    live.event(later_s + 5, "control", "command", command="void")
    assert "record_refused" in names(live)
    fish(live, later_s + 20, SECOND)
    assert (SECOND, 412.0) in stored_fish(live.station.database)
    assert live.recorder.refused


def test_nothing_of_the_database_is_lost_when_the_file_is_moved_away_and_put_back(live: Live) -> None:
    path = live.station.database
    away = path.with_name("away.sqlite")
    path.rename(away)
    fish(live, 110.0, FIRST)
    assert "database_trouble" in names(live)
    assert "fish_saved" not in names(live)
    away.rename(path)
    live.retry()
    assert [code for code, _ in stored_fish(path)] == [FIRST]


def test_a_new_database_gets_back_what_the_journal_has(tmp_path: Path) -> None:
    toml = write_station(tmp_path)
    first = Live(toml, 100.0)
    fish(first, 110.0, FIRST)
    first.kill()
    first.station.database.unlink()
    second = Live(toml, 300.0)
    assert "read_from_journal" in names(second)
    assert [code for code, _ in stored_fish(second.station.database)] == [FIRST]
    second.kill()


def test_an_older_copy_of_the_database_is_healed_from_the_journal(tmp_path: Path) -> None:
    toml = write_station(tmp_path)
    first = Live(toml, 100.0)
    later_s = fish(first, 110.0, FIRST)
    first.kill()
    older = first.station.database.read_bytes()
    second = Live(toml, later_s + 10)
    later_s = fish(second, later_s + 20, SECOND)
    second.kill()
    third = Live(toml, 20.0, boot="boot-2", wall_s=1_778_590_800.0 + 3600)
    fish(third, 30.0, "985120000000103")
    third.kill()
    third.station.database.write_bytes(older)
    fourth = Live(toml, 90.0, boot="boot-2", wall_s=1_778_590_800.0 + 3600)
    assert "read_from_journal" in names(fourth)
    assert [code for code, _ in stored_fish(fourth.station.database)] == [FIRST, SECOND, "985120000000103"]
    fourth.kill()


def test_a_database_whose_journal_is_gone_says_so_and_works_on(tmp_path: Path) -> None:
    toml = write_station(tmp_path)
    first = Live(toml, 100.0)
    fish(first, 110.0, FIRST)
    first.kill()
    for path in journal_files(first.station.journal):
        path.unlink()
    second = Live(toml, 300.0)
    assert "journal_missing" in names(second)
    fish(second, 310.0, SECOND)
    assert [code for code, _ in stored_fish(second.station.database)] == [FIRST, SECOND]
    second.kill()


def test_a_fish_in_hand_goes_on_over_a_restart_of_the_program(tmp_path: Path) -> None:
    toml = write_station(tmp_path)
    first = Live(toml, 100.0)
    first.hear(110.0, "reader", FIRST.encode() + b"\r\n")
    first.hear(111.0, "board", b"312 mm\r\n")
    first.hear(111.5, "scale", b"ST,+041")  # a line is half in when the program is killed
    first.kill()
    second = Live(toml, 115.0)
    for name in ("reader", "board", "scale"):
        second.event(115.2, name, "port", state="opened")
        second.hear(115.3, name, b"\r\n")
    for step in range(30):
        second.hear(116.0 + step / 10, "scale", b"ST,+%06.1f g\r\n" % (0.0 if step < 10 else 412.0))
    assert stored_fish(second.station.database) == [(FIRST, 412.0)]
    second.kill()


def test_the_journal_goes_on_within_a_boot_and_a_new_one_names_it_after_the_next(tmp_path: Path) -> None:
    toml = write_station(tmp_path)
    ids = []
    for mono_s, boot in ((100.0, "boot-1"), (200.0, "boot-1"), (20.0, "boot-2")):
        live = Live(toml, mono_s, boot)
        ids.append(live.started.header.journal_id)
        live.kill()
    assert ids[0] == ids[1] != ids[2]


def test_the_database_can_be_read_alone_after_a_kill(tmp_path: Path) -> None:
    live = Live(write_station(tmp_path), 100.0)
    fish(live, 110.0, FIRST)
    live.kill()
    with Store.open(live.station.database) as store:
        assert store.lookup.checkpoint() is not None


def test_a_mirror_on_the_medium_of_the_journal_is_said_at_the_start(tmp_path: Path) -> None:
    alone = Live(write_station(tmp_path / "alone"), 100.0)
    mirrored = Live(write_station(tmp_path / "both", journal_mirror="mirror"), 100.0)
    assert "mirror_on_same_medium" not in names(alone)
    (told,) = [one for one in mirrored.heard if one.name == "mirror_on_same_medium"]
    assert "name a folder on another medium" in told.sentence
    alone.kill()
    mirrored.kill()
