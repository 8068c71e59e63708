"""The inbox: complete files only, each content once, sightings and never a fish, the same after a rebuild."""

import json
import os
import queue
import signal
import sqlite3
from contextlib import closing
from pathlib import Path

from ingest.inbox import MOST_BYTES, ArrivedFile, take_file
from ingest.inbox_watch import InboxWatch
from ingest.kept_content import content
from ingest.rebuild import rebuild
from ingest.records import Announcement
from tests.ingest.daemon_tools import quick_station, station_on, wait_for
from tests.ingest.stations import Live, write_station
from tests.ingest.test_watch import HandTimer, until

ONE, TWO, THREE = (f"98512000000010{number}" for number in (1, 2, 3))


class Folder:
    """An inbox with its watch, a timer and a clock in the test's hands."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.timer = HandTimer()
        self.now_s = 0.0
        self.files: list[ArrivedFile] = []
        self.watch = InboxWatch(folder, self.files.append, timer=self.timer, clock=lambda: self.now_s)

    def look(self, after_s: float = 2.0) -> list[ArrivedFile]:
        """What a look after this time hands over."""
        self.now_s += after_s
        before = len(self.files)
        self.watch.look()
        return self.files[before:]


def test_a_file_is_taken_when_it_has_rested_and_once(tmp_path: Path) -> None:
    folder = Folder(tmp_path)
    (tmp_path / "wand.txt").write_text(ONE)
    assert folder.look() == []
    assert folder.look(after_s=1.0) == []
    assert folder.look(after_s=1.0) == [ArrivedFile("wand.txt", ONE.encode())]
    assert folder.look() == []


def test_a_file_that_still_grows_is_not_taken(tmp_path: Path) -> None:
    folder = Folder(tmp_path)
    path = tmp_path / "wand.txt"
    with path.open("w") as slow:
        for number in range(5):
            slow.write(f"98512000000010{number}\n")
            slow.flush()
            assert folder.look() == []
    (taken,) = folder.look()
    assert taken.data == path.read_bytes()


def test_a_file_rewritten_within_the_same_size_is_looked_at_anew(tmp_path: Path) -> None:
    folder = Folder(tmp_path)
    path = tmp_path / "wand.txt"
    path.write_text(ONE)
    folder.look()
    folder.look()
    path.write_text(TWO)
    os.utime(path, ns=(10**18, 10**18))
    assert folder.look() == []
    assert [one.data for one in folder.look()] == [TWO.encode()]


def test_what_is_not_finished_or_no_file_is_passed_over(tmp_path: Path) -> None:
    folder = Folder(tmp_path)
    for name in (".hidden", "a.part", "b.TMP", "c~"):
        (tmp_path / name).write_text(ONE)
    (tmp_path / "empty.txt").touch()
    (tmp_path / "folder").mkdir()
    folder.look()
    assert folder.look() == []
    assert folder.timer.calls == []  # and nothing waits for a second look


def test_a_file_too_big_for_the_journal_is_said_and_not_read(tmp_path: Path) -> None:
    folder = Folder(tmp_path)
    (tmp_path / "big.txt").write_bytes(b"x" * (MOST_BYTES + 1))
    folder.look()
    assert folder.look() == [ArrivedFile("big.txt", None)]


def test_a_folder_that_is_not_there_yet_is_found_by_the_poll(tmp_path: Path) -> None:
    folder = Folder(tmp_path / "later")
    try:
        folder.watch.start()
        (tmp_path / "later").mkdir()
        (tmp_path / "later" / "wand.txt").write_text(ONE)
        folder.timer.fire(10.0)
        folder.now_s += 2.0
        folder.timer.fire(2.0)
        assert [one.name for one in folder.files] == ["wand.txt"]
    finally:
        folder.watch.stop()


def test_an_event_hastens_the_look(tmp_path: Path) -> None:
    folder = Folder(tmp_path)
    try:
        folder.watch.start()
        (tmp_path / "wand.txt").write_text(ONE)
        until(lambda: bool(folder.timer.waiting(2.0)))
    finally:
        folder.watch.stop()


def test_real_timers_bring_a_file(tmp_path: Path) -> None:
    arrived: queue.SimpleQueue[ArrivedFile] = queue.SimpleQueue()
    watch = InboxWatch(tmp_path, arrived.put, quiet_s=0.02, poll_s=0.05)
    try:
        watch.start()
        (tmp_path / "wand.txt").write_text(ONE)
        assert arrived.get(timeout=20) == ArrivedFile("wand.txt", ONE.encode())
    finally:
        watch.stop()


# --- taking a file into the records -----------------------------------------------------------------------


def take(live: Live, mono_s: float, name: str, data: bytes | None) -> list[Announcement]:
    file = ArrivedFile(name, data)
    return take_file(live.recorder, live.store, file, live.t_s(mono_s), live.station.zone)


def sightings(database: Path) -> list[tuple[str, str, str]]:
    with closing(sqlite3.connect(database)) as connection:
        return connection.execute("SELECT tag, at, why FROM sighting ORDER BY at, tag").fetchall()


def test_a_file_becomes_sightings_and_no_fish_and_a_rebuild_agrees(tmp_path: Path) -> None:
    live = Live(write_station(tmp_path), 10.0)
    data = f"{ONE},2026-05-12T09:00:00Z\n{TWO}\nnonsense\n".encode()
    (said,) = [one for one in take(live, 20.0, "wand.txt", data) if one.name == "inbox_taken"]
    assert said.sentence.startswith(
        "Taken from the inbox: wand.txt: 2 sightings, 1 line refused, the first of them line 3: "
    )
    live.stop(30.0)
    why = "file of a hand reader: wand.txt"
    assert sightings(live.station.database) == [
        (ONE, "2026-05-12T09:00:00.000Z", why),
        (TWO, "2026-05-12T13:00:20.000Z", why),
    ]
    with closing(sqlite3.connect(live.station.database)) as connection:
        ((sha256, refused),) = connection.execute("SELECT sha256, refused FROM inbox_file").fetchall()
        assert connection.execute("SELECT count(*) FROM fish").fetchall() == [(0,)]
    assert content(live.station.journal, sha256) == data
    assert [(line, text) for line, text, _ in json.loads(refused)] == [(3, "nonsense")]
    report = rebuild(live.station.database)
    assert report.agrees, "\n".join(report.lines())


def test_the_same_content_counts_once_whatever_its_name_also_after_a_restart(tmp_path: Path) -> None:
    toml = write_station(tmp_path)
    live = Live(toml, 10.0)
    assert take(live, 20.0, "wand.txt", ONE.encode())
    assert take(live, 21.0, "copy.txt", ONE.encode()) == []
    live.kill()
    again = Live(toml, 40.0)
    assert take(again, 50.0, "wand.txt", ONE.encode()) == []
    assert take(again, 51.0, "more.txt", f"{ONE}\n{TWO}".encode())
    again.stop(60.0)
    assert [tag for tag, _, _ in sightings(again.station.database)] == [ONE, ONE, TWO]


def test_the_same_tag_twice_in_a_file_is_two_sightings(tmp_path: Path) -> None:
    live = Live(write_station(tmp_path), 10.0)
    take(live, 20.0, "wand.txt", f"{ONE}\n{ONE}\n".encode())
    live.stop(30.0)
    assert len(sightings(live.station.database)) == 2


def test_of_very_many_refused_lines_the_first_hundred_are_listed(tmp_path: Path) -> None:
    live = Live(write_station(tmp_path), 10.0)
    take(live, 20.0, "noise.txt", b"x\n" * (MOST_BYTES // 2))
    live.stop(30.0)
    with closing(sqlite3.connect(live.station.database)) as connection:
        ((refused,),) = connection.execute("SELECT refused FROM inbox_file").fetchall()
    assert json.loads(refused)[-1] == [
        101,
        "",
        f"{MOST_BYTES // 2 - 100} more lines are refused from here on.",
    ]


def test_a_file_of_the_most_sightings_fits_into_the_journal(tmp_path: Path) -> None:
    live = Live(write_station(tmp_path), 10.0)
    number = MOST_BYTES // 16
    take(live, 20.0, "many.txt", b"".join(b"985%012d\n" % one for one in range(number)))
    live.stop(30.0)
    assert len(sightings(live.station.database)) == number
    assert rebuild(live.station.database).agrees


def test_an_event_of_another_form_is_said_and_changes_nothing(tmp_path: Path) -> None:
    live = Live(write_station(tmp_path), 10.0)
    for body in ({}, {"file": "a", "sha256": "b"}, {"file": "a", "sha256": "b", "seen": [1], "refused": []}):
        said = live.event(20.0, "inbox", "sightings", **body)
        assert [one.name for one in said if one.name != "survey_opened"] == ["inbox_refused"]
    live.stop(30.0)
    assert sightings(live.station.database) == []


def test_a_running_station_takes_files_that_are_left_in_its_inbox(tmp_path: Path) -> None:
    toml = quick_station(tmp_path)
    toml.write_text(toml.read_text().replace('name = "bank"', 'name = "bank"\ninbox = "inbox"', 1))
    with station_on(toml) as station:
        (tmp_path / "inbox" / "wand.txt").write_text(f"{ONE}\n{TWO}\n")
        wait_for(lambda: "wand.txt: 2 sightings." in station.said(), "the file", station.process)
        assert station.fish() == []
        assert station.signal(signal.SIGTERM) == 0
    assert [tag for tag, _, _ in sightings(station.database)] == [ONE, TWO]
