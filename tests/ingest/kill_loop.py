"""Kill the station at random moments while its instruments keep sending; afterwards nothing may be wrong.

`python -m tests.ingest.kill_loop FOLDER KILLS [SEED]` for a long run; the quick suite makes a few.
"""

import re
import signal
import sqlite3
import sys
import threading
import time
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

from ingest.rebuild import rebuild
from tests.ingest.daemon_tools import PATIENCE_S, Child, quick_station, wait_for, weighing
from tests.ingest.stations import length, tag

_SAVED = re.compile(r'"name": "fish_saved".*?"fish_id": "([0-9a-f-]{36})"')


@dataclass(slots=True)
class Tally:
    """What the loop saw. `wrong` is empty if all is well."""

    kills: int = 0
    sent: int = 0
    announced: set[str] = field(default_factory=set)
    stored: int = 0
    wrong: list[str] = field(default_factory=list)


class _Crew(threading.Thread):
    """Works up fish after fish as fast as the ports take it, whether a station listens or not."""

    def __init__(self, child: Child) -> None:
        super().__init__(daemon=True)
        self.sent = 0
        self._child = child
        self._stop_now = threading.Event()

    def run(self) -> None:
        while not self._stop_now.is_set():
            code = f"98512{self.sent:010d}"
            for name, data in (
                ("reader", tag(code)),
                ("board", length(250 + self.sent % 150)),
                ("scale", weighing(300.0 + self.sent % 97)),
            ):
                port = self._child.ports[name]
                if port.plugged and not port.unread:  # a wire keeps nothing for a station that is not there
                    port.send(data)
                if self._stop_now.wait(0.004):  # the rhythm of a crew
                    return
            self.sent += 1

    def stop(self) -> None:
        self._stop_now.set()
        self.join()


def kill_loop(folder: Path, kills: int, seed: int = 0) -> Tally:
    """So many kills of a station in `folder`, then a clean stop and every comparison."""
    rng, tally = Random(seed), Tally()
    child = Child(quick_station(folder))
    crew = _Crew(child)
    try:
        child.start()
        crew.start()
        for _ in range(kills):
            _wait_for_news(child, tally)
            time.sleep(rng.uniform(0.0, 0.25))  # the moment of the kill
            child.signal(signal.SIGKILL)
            tally.kills += 1
            _note_announced(child.folder, tally)
            child.start(ready=False)
            wait_for(child.answers, "an answer after a kill", child.process)
        _wait_for_news(child, tally)
        crew.stop()
        if child.signal() != 0:
            tally.wrong.append(f"the last stop was not clean: {child.said()[-500:]}")
    finally:
        if crew.is_alive():
            crew.stop()
        child.close()
    tally.sent = crew.sent
    _note_announced(child.folder, tally)
    _compare(child.database, tally)
    return tally


def _wait_for_news(child: Child, tally: Tally) -> None:
    """Until this run of the station has announced a fish: a kill before it would prove little."""
    known = len(tally.announced)

    def news() -> bool:
        _note_announced(child.folder, tally)
        return len(tally.announced) > known

    wait_for(news, "a fish announced", child.process)


def _note_announced(folder: Path, tally: Tally) -> None:
    for path in folder.glob("tallywell.log*"):
        tally.announced.update(_SAVED.findall(path.read_text(errors="replace")))


def _compare(database: Path, tally: Tally) -> None:
    with closing(sqlite3.connect(database)) as reader:
        check = reader.execute("PRAGMA integrity_check").fetchone()[0]
        stored = {one for (one,) in reader.execute("SELECT fish_id FROM fish")}
        twice = reader.execute(
            "SELECT n, count(*) FROM reading WHERE role = 'used' AND kind <> 'command' "
            "GROUP BY journal_id, n, kind HAVING count(DISTINCT fish_id) > 1"
        ).fetchall()
        left = reader.execute("SELECT fish_id, status FROM fish WHERE closed = 0").fetchall()
    tally.stored = len(stored)
    if check != "ok":
        tally.wrong.append(f"integrity: {check}")
    if missing := tally.announced - stored:
        tally.wrong.append(f"announced and not in the database: {sorted(missing)}")
    if twice:
        tally.wrong.append(f"readings used by two fish: {twice}")
    if strange := [one for one in left if one[1] not in ("parked", "held")]:
        tally.wrong.append(f"open fish that are neither parked nor held: {strange}")
    report = rebuild(database)
    if report.differences or report.refused or report.lost_configs:
        tally.wrong += report.lines()[:20]


if __name__ == "__main__":
    began_s = time.monotonic()
    done = kill_loop(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]) if len(sys.argv) > 3 else 0)
    print(
        f"{done.kills} kills, {len(done.announced)} fish announced, {done.stored} stored, {done.sent} sent,"
    )
    print(
        f"{time.monotonic() - began_s:.0f} s of at most {PATIENCE_S:.0f} s a wait; wrong: {done.wrong or 'nothing'}"
    )
    sys.exit(bool(done.wrong))
