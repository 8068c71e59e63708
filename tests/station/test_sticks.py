"""Sticks that come and go while a real station works, on real small file systems."""

import json
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import pytest

from ingest.announce import Tell
from ingest.companions import Doors
from ingest.control import Ask
from ingest.station_config import load_station
from station.sticks.companion import start_sticks
from tests.ingest.daemon_tools import Child, quick_station, station_on, wait_for
from tests.ingest.packs_at_hand import packed
from tests.ingest.stations import length, tag
from tests.station.sticks import Stick, stick_at
from tests.station.test_stick_copying import make_snapshot

PROGRAM = (
    "import sys; from pathlib import Path; from ingest.daemon import run_station; "
    "from station.sticks.companion import start_sticks; "
    "sys.exit(run_station(Path(sys.argv[1]), companions=[start_sticks]))"
)


def with_roots(path: Path, media: Path, extra: str = "") -> Path:
    media.mkdir(exist_ok=True)
    text = path.read_text()
    if extra:
        text = text.replace('name = "bank"\n', f'name = "bank"\n{extra}\n', 1)
    path.write_text(f'{text}[stick]\nroots = ["{media}"]\n')
    return path


@pytest.fixture(scope="module")
def child(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Child]:
    """One station for all tests that do not stop it: each has sticks and fish of its own."""
    folder = tmp_path_factory.mktemp("station")
    with station_on(with_roots(quick_station(folder), folder / "media"), program=PROGRAM) as child:
        yield child


@contextmanager
def stick_for(child: Child, name: str, size: str = "8m", *, image: bool = True) -> Iterator[Stick]:
    with stick_at(child.folder / "media" / name, size, image=image) as stick:
        yield stick


@pytest.fixture
def stick(tmp_path: Path) -> Iterator[Stick]:
    with stick_at(tmp_path / "media" / "BLUE", image=True) as stick:
        yield stick


def wait_said(child: Child, text: str, times: int = 1) -> None:
    wait_for(lambda: child.said().count(text) >= times, f"{times} x {text!r} in {child.said()}")


def fish_on(stick: Stick) -> set[str]:
    """The tags in the newest copy on the stick, read with sqlite3 from what its manifest names."""
    newest = max((stick.folder / "bank").glob("*.json"))
    figures = json.loads(newest.read_text())
    with closing(sqlite3.connect(f"file:{newest.with_name(figures['file'])}?mode=ro", uri=True)) as copy:
        return {tag for (tag,) in copy.execute("SELECT tag FROM fish")}


def test_a_stick_gets_the_day_and_again_when_the_survey_is_closed(child: Child) -> None:
    with stick_for(child, "AGAIN") as stick:
        child.work_up("999000000000011")
        n = len(child.fish())  # other tests may have been at the station before
        stick.put_in()
        wait_said(
            child,
            f"The day is on the stick AGAIN ({n} fish, read back and compared): it is safe to pull out.",
        )
        assert fish_on(stick) == {one["tag"] for one in child.fish()}
        child.work_up("999000000000012")
        with child.client() as client:
            client.command("survey close")
        wait_said(child, f"The day is on the stick AGAIN ({n + 1} fish, ")
        assert fish_on(stick) == {one["tag"] for one in child.fish()}
        before = stick.copies
        stick.pull_out()
        wait_said(child, "The stick AGAIN was pulled out.")
        stick.put_in()  # the same stick once more: nothing is new, and the crew hears that it is whole
        wait_said(child, f"The day is on the stick AGAIN ({n + 1} fish, ", 2)
        assert stick.copies == before


def test_a_stick_without_the_folder_is_left_alone_until_it_has_one(child: Child) -> None:
    with stick_for(child, "BARE", image=False) as stick:
        stick.put_in(folder=False)
        with stick_for(child, "NEXT") as noticed:  # noticed after it, so the bare one was looked at
            noticed.put_in()
            wait_said(child, "The day is on the stick NEXT")
        assert "BARE" not in child.said()
        stick.folder.mkdir()
        wait_said(child, "The day is on the stick BARE")


def test_two_sticks_both_get_the_day(child: Child) -> None:
    with stick_for(child, "RED") as red, stick_for(child, "GREEN") as green:
        red.put_in()
        green.put_in()
        wait_said(child, "The day is on the stick RED")
        wait_said(child, "The day is on the stick GREEN")
        assert red.copies
        assert red.copies == green.copies


def test_a_full_stick_is_said_once_and_the_station_works_on(child: Child) -> None:
    with stick_for(child, "SMALL", "256k") as small:
        small.put_in()
        wait_said(child, "The stick SMALL is full (")
        before = len(child.fish())
        child.work_up("999000000000013")
        assert len(child.fish()) == before + 1
        assert child.said().count("SMALL is full") == 1
        assert small.copies == []


def test_a_locked_stick_is_said(child: Child) -> None:
    with stick_for(child, "LOCKED") as stick:
        stick.put_in("ro")
        wait_said(child, "The stick LOCKED can only be read")


def test_while_a_fish_is_in_hand_the_stick_waits(child: Child) -> None:
    with stick_for(child, "WAITS") as stick:
        child.send("reader", tag("999000000000014"), "TagSeen")
        stick.put_in()
        wait_said(child, "The day is being written on the stick WAITS: leave it in.")
        child.send("board", length(312), "LengthSeen")
        assert stick.copies == []
        child.send("scale", b"+   512.0 g\r\n", "WeightSettled")
        wait_said(child, "The day is on the stick WAITS")
        assert "999000000000014" in fish_on(stick)


def test_a_stick_that_the_station_works_on_is_never_called_safe(tmp_path: Path) -> None:
    media = tmp_path / "media"
    with stick_at(media / "BLUE", image=True) as stick:
        stick.put_in()
        mirror = f'journal_mirror = "{stick.place}/journal"'
        with station_on(with_roots(quick_station(tmp_path), media, mirror), program=PROGRAM) as child:
            wait_said(child, "The station works on this stick: leave it in.")
            assert "safe to pull out" not in child.said()
            assert child.signal() == 0


def bring(stick: Stick, pack: bytes) -> None:
    """Put it in with this history pack; its folder appears with everything in it."""
    stick.put_in(folder=False)
    (stick.place / "new" / "pack").mkdir(parents=True)
    (stick.place / "new" / "pack" / "history-pack-x.zip").write_bytes(pack)
    (stick.place / "new").rename(stick.folder)


def test_a_history_pack_on_a_stick_is_taken_once_and_an_older_one_never(child: Child) -> None:
    with stick_for(child, "PACK", image=False) as stick:
        bring(stick, packed("2026-05-11T08:00:00.000Z"))
        wait_said(child, "History pack of 2026-05-11 taken")
        wait_said(child, "The day is on the stick PACK")
        stick.pull_out()
        wait_said(child, "The stick PACK was pulled out.")
        bring(stick, packed("2026-04-11T08:00:00.000Z"))
        wait_said(child, "The history pack on the stick PACK was made on 2026-04-11 08:00 UTC")
        wait_said(child, "The day is on the stick PACK", 2)
        assert child.said().count("History pack of 2026-05-11 taken") == 1


def test_a_damaged_history_pack_is_said_and_the_day_is_written_all_the_same(child: Child) -> None:
    with stick_for(child, "DAMAGED", image=False) as stick:
        bring(stick, packed()[:-40])
        wait_said(child, "DAMAGED/tallywell/pack/history-pack-x.zip is damaged or no history pack")
        wait_said(child, "The day is on the stick DAMAGED")


# --- what a real station does too quickly to be caught at it ------------------------------------------------------


class Told:
    """The doors of a station that has one snapshot, and what it was told; `meanwhile` happens when it is asked."""

    def __init__(self, snapshot: Path) -> None:
        self.snapshot = snapshot
        self.told: list[Tell] = []
        self.answer: dict[str, object] = {"ok": True, "path": str(snapshot)}
        self.meanwhile: Callable[[], object] = lambda: None

    def deliver(self, item: Ask | Tell) -> None:
        if isinstance(item, Tell):
            self.told.append(item)
        elif item.request["ask"] == "status":
            item.reply({"ok": True, "benches": {}})
        else:
            self.meanwhile()
            item.reply(self.answer)

    @property
    def names(self) -> list[str]:
        return [one.name for one in self.told]

    @contextmanager
    def watching(self, folder: Path) -> Iterator[Any]:
        file = with_roots(quick_station(folder), folder / "media")
        companion = start_sticks(Doors(load_station(file), self.deliver, None, file))
        try:
            yield companion
        finally:
            companion.close()


def test_a_stick_pulled_out_early_is_said_and_holds_what_it_held(stick: Stick, tmp_path: Path) -> None:
    old = make_snapshot(tmp_path / "snapshots", "work-up-20260511T130000Z")
    told = Told(old)
    with told.watching(tmp_path) as companion:
        stick.put_in()
        wait_for(lambda: "stick_written" in told.names, "the first copy")
        told.answer = {"ok": True, "path": str(make_snapshot(tmp_path / "snapshots", size=1 << 20))}
        told.meanwhile = stick.pull_out
        companion.hear({"name": "survey_closed"})
        wait_for(lambda: "stick_pulled_early" in told.names, "the word about it")
        assert list(stick.place.iterdir()) == []
        told.meanwhile = lambda: None
        stick.put_in()
        assert f"bank/{old.name}" in stick.copies
        assert (stick.folder / "bank" / old.name).read_bytes() == old.read_bytes()
        wait_for(lambda: told.names.count("stick_written") == 2, "the second copy")
    assert "what it held before is as it was" in told.told[told.names.index("stick_pulled_early")].sentence


def test_a_station_in_trouble_is_asked_again_and_said_once(
    stick: Stick, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("station.sticks.companion.POLL_S", 0.02)
    told = Told(make_snapshot(tmp_path / "snapshots"))
    whole, told.answer = told.answer, {"ok": False, "error": "The database is in trouble."}
    asked: list[int] = []
    told.meanwhile = lambda: asked.append(1)
    with told.watching(tmp_path):
        stick.put_in()
        wait_for(lambda: len(asked) > 3, "another try")
        told.answer = whole
        wait_for(lambda: "stick_written" in told.names, "the copy")
    assert told.names == ["stick_found", "stick_failed", "stick_written"]


def test_sticks_that_are_switched_off_are_not_looked_for(tmp_path: Path) -> None:
    path = quick_station(tmp_path)
    path.write_text(path.read_text() + "[stick]\non = false\n")
    silent = start_sticks(Doors(load_station(path), lambda item: pytest.fail(str(item)), None, path))
    silent.hear({"name": "survey_closed"})
    silent.close()
