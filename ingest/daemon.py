"""The station's program: opens everything in order, works, and closes everything in order."""

import os
import signal
import sqlite3
import threading
import time
from collections.abc import Sequence
from contextlib import ExitStack
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from queue import SimpleQueue
from tempfile import gettempdir

from ingest.announce import Announcer, Terminal, log, log_to, stop_logging
from ingest.checkpoints import UnreadableStateError
from ingest.clock_watch import ClockWatch
from ingest.commits import FIRST_RETRY_S, CommitQueue, TooManyWaitingError
from ingest.companions import Doors, StartCompanion, start_companions
from ingest.control import ControlServer, StationClient, StationError, socket_path
from ingest.disk import is_network_filesystem
from ingest.frames import parse_rfc3339
from ingest.inbox_watch import InboxWatch
from ingest.loop import Inbox, StationLoop, StoppingError
from ingest.overlay import OverlayLookup, PatientLookup
from ingest.records import Announcement, Sound
from ingest.resume import Now, Start, Started
from ingest.service import Heartbeat, notify, watchdog_s
from ingest.snapshots import Snapshots
from ingest.station_config import load_station
from ingest.store import DatabaseInUse, JournalMode, Store, StoreTrouble
from ingest.toml_file import ConfigError
from ingest.watch import StationWatch

EXIT_CONFIG = 2
EXIT_IN_USE = 3
EXIT_DATABASE = 4
EXIT_BUG = 70
EXIT_LATER = 75
_TELL_AGAIN_S = 10.0
_JUST_NOW_S = 5.0
_ALIVE_S = 20.0  # a commit on a slow card may take that long
_BUSY_MS = 100  # the ingest thread waits no longer for another program's lock; the queue tries again
_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


def run_station(
    path: Path,
    *,
    force_network: bool = False,
    quiet: bool = False,
    companions: Sequence[StartCompanion] = (),
) -> int:
    """Run the station of this file until SIGTERM, SIGINT or SIGHUP; the exit code.

    0 stopped cleanly, 2 configuration, 3 the database is another station's, 4 the database or the journal
    cannot be used, 70 a fault of this program, 75 stopped by a fault of a medium. `force_network`: use a
    database on a network share all the same; `quiet`: nothing on the terminal; `companions`: what else runs in this
    process and hears what is announced, such as the page.
    """
    with ExitStack() as closing:
        terminal = None if quiet else Terminal()
        if terminal is not None:
            closing.callback(terminal.close)

        def failed(code: int, said: str) -> int:
            log.error(said)
            if terminal is not None:
                terminal.line(said)
            return code

        try:
            loop = _opened(path, closing, terminal, force_network, companions)
        except ConfigError as error:
            return failed(EXIT_CONFIG, str(error))
        except DatabaseInUse as error:
            return failed(EXIT_IN_USE, str(error))
        except (StoreTrouble, UnreadableStateError, NetworkShareError) as error:
            return failed(EXIT_DATABASE, str(error))
        except OSError as error:
            return failed(EXIT_DATABASE, f"The station cannot start: {error}.")
        code = 0
        try:
            loop.run()
        except (TooManyWaitingError, StoppingError) as error:
            code = failed(EXIT_LATER, str(error))
        except Exception as bug:
            log.exception("the station stopped by a fault of this program")
            code = failed(
                EXIT_BUG,
                f"The station stopped by a fault of this program ({type(bug).__name__}: {bug}). What arrived is in "
                "the journal: start again, and report the log.",
            )
        left_over = loop.rescue([Path(os.path.expanduser("~")), Path(gettempdir())])
        if left_over is not None:
            code = failed(code or EXIT_LATER, left_over)
    return code


class NetworkShareError(Exception):
    """The database lies where locks and syncs are not sure. One sentence."""


def _opened(
    path: Path,
    closing: ExitStack,
    terminal: Terminal | None,
    force_network: bool,
    companions: Sequence[StartCompanion],
) -> StationLoop:
    """Everything that the loop needs, open and started; `closing` closes it in the reverse order."""
    station = load_station(path)
    closing.callback(stop_logging, log_to(station.log))
    for place in (station.database.parent, station.journal):
        place.mkdir(parents=True, exist_ok=True)
        if is_network_filesystem(place) and not force_network:
            raise NetworkShareError(
                f"{place} lies on a network share, where records are not safe: use a local disk, or force it."
            )
    mode = JournalMode(station.file.station.journal_mode)
    store = closing.enter_context(Store.open(station.database, journal_mode=mode, busy_timeout_ms=_BUSY_MS))
    log.info(
        "SQLite %s, journal mode %s, schema %s, tallywell %s",
        sqlite3.sqlite_version,
        store.pragmas["journal_mode"],
        store.schema_version,
        _version(),
    )
    announcer = Announcer(terminal)
    inbox: Inbox = SimpleQueue()
    queue = CommitQueue(store, time.monotonic)
    patience = _Patience(announcer)
    lookup = OverlayLookup(PatientLookup(store.lookup, patience), queue.unstored)
    facts = {"version": _version(), "sqlite": sqlite3.sqlite_version, "pid": os.getpid()}
    now = Now(time.time(), time.monotonic(), _boot_id())
    started = Start(station, store, queue, lookup, **facts).run(now)
    if started.recorder.journal is not None:
        closing.callback(started.recorder.journal.close)
    loop = StationLoop(
        station,
        store,
        started.recorder,
        started.header,
        inbox,
        announcer,
        _clock(started, now),
        Snapshots(store, station.database.parent / "snapshots", now.mono_s),
    )
    patience.stop = loop.stopping
    closing.callback(loop.close)
    # A terminal that is closed ends the station cleanly too; started with nohup it goes on.
    kept = signal.getsignal(signal.SIGHUP) is signal.SIG_IGN
    for number in (signal.SIGTERM, signal.SIGINT, *([] if kept else [signal.SIGHUP])):
        before = signal.signal(number, lambda *_: loop.stop())
        closing.callback(signal.signal, number, before)
    server = ControlServer(socket_path(station.database), inbox.put)
    closing.callback(server.close)
    announcer.listeners.append(server.publish)
    watch = StationWatch(path, station, inbox.put)
    closing.callback(watch.stop)
    watch.start()
    if station.inbox is not None:
        station.inbox.mkdir(parents=True, exist_ok=True)
        files = InboxWatch(station.inbox, inbox.put)
        closing.callback(files.stop)
        files.start()
    for problem in station.problems:
        log.warning("%s", problem)
    heartbeat = Heartbeat(lambda: _trouble(station.database, patience), loop.stopping, watchdog_s())
    closing.callback(heartbeat.close)
    heartbeat.start()
    closing.callback(notify, "STOPPING=1")
    show = terminal.line if terminal is not None and terminal.is_a_screen else None
    start_companions(companions, Doors(station, inbox.put, show, path), announcer, closing)
    announcer.say(started.announcements)
    announcer.say(
        [started.recorder.say("station_ready", Sound.NONE, f"The station {station.name} is ready.")]
    )
    notify("READY=1", f"STATUS=The station {station.name} is ready.")
    return loop


def _trouble(database: Path, patience: "_Patience") -> str | None:
    """What of the station hangs: asked at its own control door, so that door and ingest thread answer for themselves."""
    try:
        with StationClient(database, _ALIVE_S) as client:
            hung = client.ask("alive")["hung"]
    except StationError as error:
        if patience.waits:
            return None  # it waits on purpose, and what waits in memory would be lost by a restart
        return f"The station does not answer at its own door: {error}"
    return f"The reader of {', '.join(hung)} hangs." if hung else None


class _Patience:
    """Waits while the database cannot even be read, tells the crew once, and gives up when told to stop."""

    def __init__(self, announcer: Announcer) -> None:
        self.stop = threading.Event()
        self._announcer = announcer
        self._told_s = self._waited_s = float("-inf")

    @property
    def waits(self) -> bool:
        """Whether the ingest thread waits here, or did a moment ago."""
        return time.monotonic() - self._waited_s < _JUST_NOW_S

    def __call__(self, trouble: StoreTrouble) -> None:
        self._waited_s = time.monotonic()
        if self._waited_s - self._told_s > _TELL_AGAIN_S:
            sentence = f"The database cannot be read: {trouble} What the instruments send waits in memory."
            self._announcer.say([Announcement("database_waits", Sound.TROUBLE, sentence, None, "")])
        self._told_s = self._waited_s
        if self.stop.wait(FIRST_RETRY_S):
            raise StoppingError(
                f"Stopped while the database could not be read ({trouble}) What had arrived is kept in the "
                "journal, unread."
            )


def _clock(started: Started, now: Now) -> ClockWatch:
    engine = started.recorder.engine
    mono_s = engine.state.t_s - engine.state.time.boot_s  # each boot begins its monotonic clock anew
    built_s = Path(__file__).stat().st_mtime  # a clock that shows less is wrong: the program was not there
    not_before_s = max(built_s, started.last_wall_s or built_s)
    wall_s = parse_rfc3339(engine.at(engine.state.t_s))
    return ClockWatch(wall_s, mono_s, not_before_s, engine.state.time.doubtful)


def _boot_id() -> str:
    return _BOOT_ID.read_text(encoding="ascii").strip()


def _version() -> str:
    try:
        return version("tallywell")
    except PackageNotFoundError:
        return "unknown"
