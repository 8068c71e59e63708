"""Files change while the daemon runs: real files, the real observer; only the wait is injected where it matters."""

import os
import queue
import shutil
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from watchdog.events import FileModifiedEvent, FileMovedEvent, FileOpenedEvent

from ingest.shipped import shipped_config
from ingest.station_config import load_station
from ingest.watch import KeptLast, Reloaded, StationWatch
from ingest.watch_shell import thread_timer

STATION = """\
[station]
name = "bank"
species = "species"
protocol = "spring.toml"

[[instrument]]
name = "board"
use = "board.toml"
port = "/dev/board"

[commands.tags]
"999000000000901" = "void"
"""
DEADLINE_S = 60.0


class HandTimer:
    """A timer that fires when the test says so."""

    def __init__(self) -> None:
        self.calls: list[tuple[float, Callable[[], None], HandTimer.Call]] = []

    class Call:
        cancelled = False

        def cancel(self) -> None:
            self.cancelled = True

    def __call__(self, delay_s: float, call: Callable[[], None]) -> "HandTimer.Call":
        handle = HandTimer.Call()
        self.calls.append((delay_s, call, handle))
        return handle

    def waiting(self, delay_s: float) -> list[Callable[[], None]]:
        return [call for delay, call, handle in self.calls if delay == delay_s and not handle.cancelled]

    def fire(self, delay_s: float) -> None:
        """Fire the one call that waits for this delay, once there is one."""
        until(lambda: bool(self.waiting(delay_s)))
        (due,) = [entry for entry in self.calls if entry[0] == delay_s and not entry[2].cancelled]
        due[2].cancel()
        due[1]()


def until(condition: Callable[[], bool]) -> None:
    deadline = time.monotonic() + DEADLINE_S
    while not condition():
        assert time.monotonic() < deadline, "the condition never came true"
        threading.Event().wait(0.005)


def put(path: Path, text: str) -> None:
    """Exchange the whole file at once: a busy computer may look at one that is being written."""
    beside = path.with_name(f".{path.name}.new~")
    beside.write_text(text)
    beside.rename(path)


class Watched:
    """A station's folder with a running watch; `news` is what it delivered."""

    def __init__(
        self, folder: Path, timer: HandTimer | None = None, quiet_s: float = 0.05, *, start: bool = True
    ) -> None:
        shipped = shipped_config()
        self.folder = folder
        (folder / "inventory").mkdir()
        (folder / "species").mkdir()
        shutil.copy(shipped / "species" / "bluegill.toml", folder / "species")
        shutil.copy(shipped / "instruments" / "board_mm.toml", folder / "board.toml")
        shutil.copy(shipped / "protocol" / "all_parts.toml", folder / "spring.toml")
        (folder / "inventory" / "box.csv").write_text("tag\n999000000000101\n")
        self.path = folder / "STATION.toml"
        self.path.write_text(STATION)
        self.news: queue.Queue[Reloaded | KeptLast] = queue.Queue()
        self.watch = StationWatch(
            self.path,
            load_station(self.path),
            self.news.put,
            quiet_s=quiet_s,
            poll_s=3600.0,
            timer=timer or thread_timer,
        )
        if start:
            self.watch.start()

    def rest(self, timer: HandTimer) -> None:
        """Let the wait end as often as it takes: an event may still be on its way when it ends first."""

        def delivered() -> bool:
            for call in timer.waiting(0.5):
                call()
            return not self.news.empty()

        until(delivered)

    def next(self) -> Reloaded | KeptLast:
        return self.news.get(timeout=DEADLINE_S)

    def reloaded(self) -> Reloaded:
        news = self.next()
        assert isinstance(news, Reloaded), news
        return news

    def kept(self) -> str:
        news = self.next()
        assert isinstance(news, KeptLast), news
        return news.sentence


@pytest.fixture
def watched(tmp_path: Path) -> Iterator[Watched]:
    watched = Watched(tmp_path)
    yield watched
    watched.watch.stop()


def test_a_changed_inventory_is_handed_over(watched: Watched) -> None:
    put(watched.folder / "inventory" / "box.csv", "tag\n999000000000101\n999000000000102\n")
    news = watched.reloaded()
    assert news.changed == {"inventory"}
    assert [row.tag for row in news.station.inventory] == ["999000000000101", "999000000000102"]


def test_a_new_file_is_handed_over(watched: Watched) -> None:
    put(watched.folder / "inventory" / "second.csv", "tag\n999000000000102\n")
    assert [row.tag for row in watched.reloaded().station.inventory] == ["999000000000101", "999000000000102"]


@pytest.mark.parametrize(
    ("name", "old", "new", "changed"),
    [
        ("species/bluegill.toml", 'common = "', 'common = "Our ', "species"),
        ("spring.toml", 'name = "', 'name = "our ', "protocol"),
        ("board.toml", "ruler_max_mm = 1000", "ruler_max_mm = 700", "instrument"),
        ("STATION.toml", '"void"', '"next"', "station"),
    ],
)
def test_a_file_that_an_editor_replaces_by_renaming_is_handed_over(
    watched: Watched, name: str, old: str, new: str, changed: str
) -> None:
    path = watched.folder / name
    text = path.read_text()
    assert old in text
    put(path, text.replace(old, new))
    assert watched.reloaded().changed == {changed}


def test_what_cannot_be_used_is_said_with_its_place_and_the_last_good_one_stays(watched: Watched) -> None:
    species = watched.folder / "species" / "bluegill.toml"
    good = species.read_text()
    put(species, good + "\nfavourite = true\n[")
    sentence = watched.kept()
    assert "bluegill.toml, line " in sentence
    assert sentence.endswith("The settings read before stay in use.")
    put(species, good.replace('common = "', 'common = "Our '))
    assert watched.reloaded().changed == {"species"}


def test_a_command_tag_that_comes_into_the_inventory_is_refused(watched: Watched) -> None:
    put(watched.folder / "inventory" / "box.csv", "tag\n999000000000901\n")
    assert "so a fish may carry it" in watched.kept()


def test_rows_that_a_spreadsheet_damaged_do_not_replace_the_good_ones(watched: Watched) -> None:
    put(watched.folder / "inventory" / "box.csv", "tag\n9.99E+14\n")
    assert 'line 2, `tag`: "9.99E+14" is what a spreadsheet makes of a long number' in watched.kept()


def test_a_deleted_file_is_said_and_its_tags_stay_in_use(watched: Watched) -> None:
    box = watched.folder / "inventory" / "box.csv"
    box.unlink()
    assert "inventory/box.csv is gone; the settings read before stay in use." in watched.kept()
    put(box, "tag\n999000000000103\n")
    assert [row.tag for row in watched.reloaded().station.inventory] == ["999000000000103"]


def test_a_renamed_file_is_not_gone(watched: Watched) -> None:
    box = watched.folder / "inventory" / "box.csv"
    box.rename(box.with_name("box-1.csv"))
    assert [row.tag for row in watched.reloaded().station.inventory] == ["999000000000101"]


@pytest.fixture
def by_hand(tmp_path: Path) -> Iterator[tuple[Watched, HandTimer]]:
    timer = HandTimer()
    watched = Watched(tmp_path, timer, quiet_s=0.5)
    yield watched, timer
    watched.watch.stop()


def test_a_half_written_file_is_read_only_when_it_rests(tmp_path: Path) -> None:
    """Without the observer: its events would come whenever they come, here they come when they are called."""
    timer = HandTimer()
    watched = Watched(tmp_path, timer, quiet_s=0.5, start=False)
    box = tmp_path / "inventory" / "box.csv"
    box.write_text("tag\n9990000")
    watched.watch.on_event(FileModifiedEvent(str(box)))
    box.write_text("tag\n999000000000107\n99900000")
    timer.fire(0.5)  # no event since, but the file has grown
    assert watched.news.empty()
    box.write_text("tag\n999000000000107\n999000000000108\n")
    watched.watch.on_event(FileModifiedEvent(str(box)))
    timer.fire(0.5)
    tags = [row.tag for row in watched.reloaded().station.inventory]
    assert tags == ["999000000000107", "999000000000108"]


def test_a_file_that_was_only_touched_is_no_news(tmp_path: Path) -> None:
    timer = HandTimer()
    watched = Watched(tmp_path, timer, quiet_s=0.5, start=False)
    box = tmp_path / "inventory" / "box.csv"
    os.utime(box, (1, 1))
    watched.watch.on_event(FileModifiedEvent(str(box)))
    timer.fire(0.5)
    assert watched.news.empty()


def test_what_the_station_itself_writes_starts_no_wait(tmp_path: Path) -> None:
    timer = HandTimer()
    watched = Watched(tmp_path, timer, quiet_s=0.5, start=False)
    for name in ("work-up.sqlite", "work-up.sqlite-journal", "tallywell.log", "inventory/box.csv.tmp"):
        watched.watch.on_event(FileModifiedEvent(str(tmp_path / name)))
    watched.watch.on_event(FileOpenedEvent(str(tmp_path / "inventory" / "box.csv")))  # our own reading
    assert timer.calls == []
    watched.watch.on_event(FileMovedEvent(str(tmp_path / "new~"), str(tmp_path / "inventory" / "box.csv")))
    assert len(timer.waiting(0.5)) == 1


def test_a_change_that_no_event_tells_of_is_found_by_the_poll(by_hand: tuple[Watched, HandTimer]) -> None:
    watched, timer = by_hand
    timer.fire(3600.0)  # the first look compares with nothing
    timer.fire(0.5)
    assert watched.news.empty()
    (watched.folder / "history").mkdir()  # was not there, so nobody watched it
    (watched.folder / "history" / "old.csv").write_text("tag,at\n999000000000101,2025-05-12\n")
    timer.fire(3600.0)
    watched.rest(timer)
    assert [row.tag for row in watched.reloaded().station.history] == ["999000000000101"]
    (watched.folder / "history" / "older.csv").write_text("tag,at\n999000000000102,2025-05-12\n")
    watched.rest(timer)  # from now on by event
    assert len(watched.reloaded().station.history) == 2


def test_after_stop_nothing_is_delivered(by_hand: tuple[Watched, HandTimer]) -> None:
    watched, timer = by_hand
    (watched.folder / "inventory" / "box.csv").write_text("tag\n999000000000102\n")
    until(lambda: bool(timer.waiting(0.5)))
    (due,) = timer.waiting(0.5)
    watched.watch.stop()
    due()
    assert watched.news.empty()
    assert timer.waiting(0.5) == timer.waiting(3600.0) == []
