"""Pulling from a station at work, and pulls that are killed."""

import json
import os
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from contextlib import closing
from itertools import pairwise
from pathlib import Path

import pytest

from office.database import OfficeDatabase
from office.manifest import PullRefusedError
from office.pull import find_source, pull
from tests.cli.command_line import call_program
from tests.ingest.daemon_tools import PATIENCE_S, Child, quick_station, station_on, wait_for
from tests.office.pulling import dump, ids, nothing, pull_one, station, write_snapshot
from tests.station.page_tools import page_on

KILLED = """
import os, signal, sys, time
from pathlib import Path
from office.database import OfficeDatabase
from office import pull as pulling

def dies(*_):
    os.kill(os.getpid(), signal.SIGKILL)

where, office, source = sys.argv[1:]
if where == "noted":
    pulling._note = dies
with OfficeDatabase.open(Path(office)) as opened:
    if where.isdigit():
        left = [int(where)]
        def count():
            left[0] -= 1
            if left[0] <= 0:
                dies()
            return 0
        opened.connection.set_progress_handler(count, 2000)
    progress = dies if where == "copying" else lambda *_: None
    pulling.pull(opened, pulling.find_source(source, opened.path), time.time(), progress)
"""


def tag_of(number: int) -> str:
    return f"985120{number:09}"


def work_up(child: Child, first: int, count: int) -> None:
    for number in range(first, first + count):
        child.work_up(tag_of(number))


def tags(office: OfficeDatabase) -> set[str]:
    return {tag for (tag,) in office.connection.execute("SELECT tag FROM worked_fish")}


def test_a_station_that_keeps_working_loses_nothing_over_several_pulls(tmp_path: Path) -> None:
    with (
        OfficeDatabase.open(tmp_path / "office.sqlite") as office,
        station_on(quick_station(tmp_path / "bank")) as child,
    ):
        crew = threading.Thread(target=work_up, args=(child, 101, 8))
        crew.start()
        seen: list[set[str]] = []
        while crew.is_alive():
            pulled = pull_one(office, child.database)
            assert pulled.conflicts == ()
            assert office.connection.execute("PRAGMA foreign_key_check").fetchall() == []
            seen.append(tags(office))
        crew.join()
        wait_for(lambda: len(child.fish()) == 8, "all fish")
        assert all(before <= after for before, after in pairwise(seen))
        pull_one(office, child.database)
        assert tags(office) == {tag_of(number) for number in range(101, 109)}
        frames = (
            "SELECT count(*) FROM reading AS r LEFT JOIN frame AS f USING (journal_id, n) WHERE f.n IS NULL"
        )
        assert office.connection.execute(frames).fetchone() == (0,)
        assert child.signal(signal.SIGTERM) == 0
        before = dump(office.connection)
        stopped = pull_one(office, child.database)  # now the file itself, by SQLite's backup
        assert stopped.added.keys() <= {"survey"}
        assert ids(office.connection)
        assert [line for line in dump(office.connection) if "survey" not in line] == [
            line for line in before if "survey" not in line
        ]


def test_the_page_of_a_real_station_gives_the_day_for_its_code(tmp_path: Path) -> None:
    with (
        OfficeDatabase.open(tmp_path / "office.sqlite") as office,
        page_on(tmp_path / "bank", "network = true") as (child, address),
    ):
        child.work_up(tag_of(1))
        wait_for(lambda: len(child.fish()) == 1, "the fish")
        with pytest.raises(PullRefusedError, match="does not know this office"):
            pull_one(office, address)
        shown = call_program(
            "station", "pair", "--config", "station.toml", "--json", folder=tmp_path / "bank"
        )
        source = find_source(address, office.path, json.loads(shown.stdout)["code"])
        (pulled,) = pull(office, source, time.time(), nothing).pulled
        assert pulled.added["fish"] == 1
        assert pulled.notices == ()
        assert pull_one(office, address, time.time()).added == {}


def run_killed(where: str, office: Path, source: Path) -> int:
    done = subprocess.run(
        [sys.executable, "-c", KILLED, where, str(office), str(source)],
        timeout=PATIENCE_S,
        check=False,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
    )
    return done.returncode


@pytest.mark.parametrize("where", ["copying", "1", "8", "20", "noted"])
def test_a_pull_that_is_killed_leaves_the_office_as_it_was(tmp_path: Path, where: str) -> None:
    path = tmp_path / "office.sqlite"
    with station(tmp_path / "bank.sqlite", 300) as store:
        snapshot = write_snapshot(store, tmp_path / "s")
    with OfficeDatabase.open(path) as office:
        before = dump(office.connection)
    assert run_killed(where, path, snapshot) == -signal.SIGKILL
    with OfficeDatabase.open(path) as office:
        assert dump(office.connection) == before
        pull_one(office, snapshot)
        assert len(ids(office.connection)) == 300
        assert not list(tmp_path.glob("*.pulls"))
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert json.loads(connection.execute("SELECT added FROM pull").fetchone()[0])["fish"] == 300
