"""The one thread that works: takes from the queue what readers, clients and the watch put there, in order."""

import logging
import queue
import threading
from collections import deque
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from time import monotonic, time
from typing import Any

from drivers.transport import Bytes, Delivery, Health, PortEvent, PortReader, PortSettings, PortState
from ingest.announce import Announcer, Tell, log, plain
from ingest.answers import Answers
from ingest.clock_watch import ClockWatch
from ingest.control import Ask, error
from ingest.frames import Frame, Header, rfc3339
from ingest.inbox import ArrivedFile, take_file
from ingest.recorder import Recorder
from ingest.records import Announcement, Sound
from ingest.resume import on_grid, take_config
from ingest.snapshots import Snapshots
from ingest.station import Station
from ingest.store import Store, StoreTrouble
from ingest.watch import KeptLast, Reloaded

LONGEST_WAIT_S = 1.0
FLUSH_S = 5.0  # frames that nothing was announced of are durable after this long
RESTART_S = 0.5
_DOORS = ("control", "page")  # where a command came from, beside the instruments: it stands in the journal
HUNG_S = 60.0  # longer than any network needs to refuse a connection

Inbox = queue.SimpleQueue[Delivery | Ask | Reloaded | KeptLast | ArrivedFile | Tell | None]
MakeReader = Callable[[str, PortSettings, Callable[[Delivery], None]], PortReader]


class StoppingError(Exception):
    """The station was told to stop while it could not read its database."""


class StationLoop:
    """Runs from `run` until `stop`. Everything but `stop` belongs to one thread."""

    def __init__(
        self,
        station: Station,
        store: Store,
        recorder: Recorder,
        header: Header,
        inbox: Inbox,
        announcer: Announcer,
        clock: ClockWatch,
        snapshots: Snapshots,
        *,
        make_reader: MakeReader = PortReader,
    ) -> None:
        self._station = station
        self._store = store
        self._recorder = recorder
        self._mono_s = header.mono or 0.0
        self._inbox = inbox
        self._announcer = announcer
        self._clock = clock
        self._snapshots = snapshots
        self._make_reader = make_reader
        self._readers: dict[str, tuple[PortSettings, PortReader]] = {}
        self._restarts: dict[str, float] = {}
        self._reload: Reloaded | None = None
        self._files: deque[ArrivedFile] = deque()
        self._flushed_s = monotonic()
        self._stop = threading.Event()
        self._answers = Answers(recorder, store, self._health)

    def stop(self) -> None:
        """Make `run` come to its end; may be called from a signal handler."""
        self._stop.set()
        self._inbox.put(None)

    @property
    def stopping(self) -> threading.Event:
        return self._stop

    def run(self) -> None:
        """Work until told to stop, then take in what has arrived, and stop the journal cleanly."""
        self._use_ports(self._station)
        while not self._stop.is_set():
            try:
                item = self._inbox.get(timeout=self._wait_s())
            except queue.Empty:
                self._nothing_came()
                continue
            self._take(item)
            self._now_and_then()
        self._finish()

    # --- what arrives ---------------------------------------------------------------------------------------

    def _take(self, item: Delivery | Ask | Reloaded | KeptLast | ArrivedFile | Tell | None) -> None:
        match item:
            case Bytes():
                self._take_bytes(item)
            case PortEvent():
                self._take_port_event(item)
            case Ask():
                item.reply(self._answer(item.request))
            case Reloaded():
                self._reload = item
            case ArrivedFile():
                self._files.append(item)
            case Tell():
                self._say([self._recorder.say(item.name, item.sound, item.sentence, **item.facts)])
            case KeptLast():
                self._say([self._recorder.say("config_refused", Sound.TROUBLE, item.sentence)])
            case None:
                pass

    def _take_bytes(self, item: Bytes) -> None:
        t_s = self._t_s(item.t_s)
        try:
            said = self._recorder.feed(Frame(0, t_s, "", item.name, item.data))
        except StoppingError:
            self._recorder.keep_unread(item.name, t_s)
            while not self._inbox.empty():
                later = self._inbox.get_nowait()
                if isinstance(later, Bytes):
                    self._recorder.keep_unread(later.name, self._t_s(later.t_s), later.data)
            raise
        self._say(said)

    def _take_port_event(self, event: PortEvent) -> None:
        if event.state is PortState.STOPPED:
            return
        log.log(
            logging.INFO if event.state is PortState.OPENED else logging.WARNING,
            event.sentence,
            extra={"said": {"port": event.name, "state": event.state.value}},
        )
        body = {"state": event.state.value, "sentence": event.sentence}
        self._say(self._recorder.feed(Frame(0, self._t_s(event.t_s), "", event.name, None, "port", body)))
        if event.state is PortState.WAITING:
            self._say([self._recorder.say("instrument_missing", Sound.TROUBLE, f"{event.sentence}.")])
        elif event.state is PortState.BROKEN:
            self._say([self._recorder.say("reader_broken", Sound.TROUBLE, f"{event.sentence}.")])
            self._restarts[event.name] = monotonic() + RESTART_S

    def _answer(self, request: Mapping[str, Any]) -> dict[str, object]:
        match request.get("ask"):
            case "command":
                return self._command(request)
            case "snapshot":
                return self._snapshot_now(unless_fresh=request.get("unless_fresh") is True)
            case "alive":
                return {"ok": True, "hung": self._hung()}
            case _:
                return self._read(request)

    def _read(self, request: Mapping[str, Any]) -> dict[str, object]:
        """What only reads cannot have harmed the records: a fault in it costs the answer, not the station."""
        try:
            return self._answers.to(request)
        except StoppingError:
            raise
        except Exception as bug:
            log.exception("a question could not be answered by a fault of this program")
            return error(f"The station cannot answer by a fault of this program ({type(bug).__name__}).")

    def _command(self, request: Mapping[str, Any]) -> dict[str, object]:
        text, bench = request.get("command"), request.get("bench")
        if not isinstance(text, str):
            return error('"command" is missing: give a command such as "next".')
        benches = self._recorder.engine.state.benches
        if bench is not None and (not isinstance(bench, str) or bench not in benches):
            return error(f"There is no bench {bench!r}; known are {', '.join(benches)}.")
        door = request.get("door", "control")
        if door not in _DOORS:
            return error(f"{door!r} is no door of commands; leave it out.")
        body = {"command": text} if bench is None else {"command": text, "bench": bench}
        said = self._recorder.feed(Frame(0, self._t_s(monotonic()), "", door, None, "command", body))
        return {"ok": True, "said": [plain(one) for one in self._say(said)]}

    def _snapshot_now(self, *, unless_fresh: bool = False) -> dict[str, object]:
        if self._recorder.queue.waiting:
            return error("The database is in trouble: no snapshot can be taken before it is cured.")
        try:
            fresh = self._snapshots.fresh(self._recorder.changed) if unless_fresh else None
            manifest = fresh or self._snapshots.take(
                monotonic(),
                self._recorder.changed,
                rfc3339(time()),
                self._station.name,
                self._recorder.engine.state.time.doubtful,
            )
        except (StoreTrouble, OSError) as failure:
            return error(f"The snapshot was not made: {failure}")
        return {
            "ok": True,
            "path": str(manifest.path),
            "sha256": manifest.sha256,
            "rows": dict(manifest.counts),
        }

    # --- when nothing arrives -------------------------------------------------------------------------------

    def _nothing_came(self) -> None:
        deadline_s, t_s = self._recorder.engine.next_deadline_s(), self._t_s(monotonic())
        if deadline_s is not None and deadline_s <= t_s:
            self._say(self._recorder.advance(t_s))
        self._now_and_then()
        if self._reload is not None and not self._recorder.queue.waiting:
            reload, self._reload = self._reload, None
            self._use(reload)
        if self._files and not self._recorder.queue.waiting:
            self._take_file()
        if self._snapshots.due(monotonic(), self._recorder.changed) and not self._recorder.queue.waiting:
            answer = self._snapshot_now()
            if not answer["ok"]:
                self._say([self._recorder.say("snapshot_failed", Sound.TROUBLE, str(answer["error"]))])

    def _take_file(self) -> None:
        try:
            said = take_file(
                self._recorder, self._store, self._files[0], self._t_s(monotonic()), self._station.zone
            )
        except StoreTrouble as trouble:
            log.warning("the files of the inbox wait: %s", trouble)
            return
        self._files.popleft()
        self._say(said)

    def _now_and_then(self) -> None:
        now_s = monotonic()
        retry_s = self._recorder.queue.retry_s
        if (retry_s is not None and retry_s <= now_s) or now_s - self._flushed_s >= FLUSH_S:
            self._flushed_s = now_s
            self._say(self._recorder.retry())
        now_s = monotonic()  # once more: a slow disk took its time, which is no step of the wall clock
        clock = self._clock.look(time(), now_s)
        if clock is not None:
            self._note_clock(clock, now_s)
        for name, due_s in list(self._restarts.items()):
            if due_s <= now_s:
                del self._restarts[name]
                if name in self._readers:
                    self._readers[name][1].stop()
                    self._readers[name][1].start()

    def _note_clock(self, body: Mapping[str, object], now_s: float) -> None:
        before = self._recorder.engine.state.time.doubtful
        self._say(
            self._recorder.feed(Frame(0, self._t_s(now_s), "", self._station.name, None, "clock", body))
        )
        step_s = body.get("step_s")
        if step_s is not None:
            log.warning("the wall clock stepped by %s s", step_s)
        if body.get("doubtful") and not before:
            sentence = "The clock of this computer is wrong: set it. Fish are recorded all the same, marked."
            self._say([self._recorder.say("clock_doubtful", Sound.TROUBLE, sentence)])

    def _wait_s(self) -> float:
        now_s = monotonic()
        waits = [LONGEST_WAIT_S]
        deadline_s = self._recorder.engine.next_deadline_s()
        if deadline_s is not None:
            waits.append(self._mono_s + deadline_s - now_s)
        if self._recorder.queue.retry_s is not None:
            waits.append(self._recorder.queue.retry_s - now_s)
        return max(0.001, min(waits))

    # --- configuration and ports ----------------------------------------------------------------------------

    def _use(self, reload: Reloaded) -> None:
        fixed = _needs_restart(self._station, reload.station)
        if fixed:
            sentence = f"A new {fixed} needs a restart of the station: the settings read before stay in use."
            self._say([self._recorder.say("config_refused", Sound.TROUBLE, sentence)])
            return
        try:
            said = take_config(self._recorder, self._store, reload.station, self._t_s(monotonic()))
        except StoreTrouble as trouble:
            self._reload = reload  # again when the database is well
            log.warning("the new settings wait: %s", trouble)
            return
        self._station = reload.station
        self._say(said)
        self._say(
            [
                *self._recorder.save_checkpoint(),
                self._recorder.say(
                    "config_taken",
                    Sound.NONE,
                    f"New settings are in use ({', '.join(sorted(reload.changed))}).",
                ),
            ]
        )
        self._use_ports(reload.station)

    def _use_ports(self, station: Station) -> None:
        wanted = {setup.name: setup.port for setup in station.instruments}
        for name, (settings, reader) in list(self._readers.items()):
            if wanted.get(name) != settings:
                reader.stop()
                del self._readers[name]
        for name, settings in wanted.items():
            if name not in self._readers:
                reader = self._make_reader(name, settings, self._inbox.put)
                self._readers[name] = settings, reader
                reader.start()

    def _health(self) -> dict[str, Health]:
        return {name: reader.health() for name, (_, reader) in self._readers.items()}

    def _hung(self) -> list[str]:
        """The instruments whose reader hangs, in the operating system or by a fault of this program."""
        return [
            name for name, one in self._health().items() if one.busy_s is not None and one.busy_s > HUNG_S
        ]

    # --- the end --------------------------------------------------------------------------------------------

    def _finish(self) -> None:
        for _, reader in self._readers.values():
            reader.stop()
        while True:
            try:
                item = self._inbox.get_nowait()
            except queue.Empty:
                break
            if isinstance(item, Bytes | PortEvent):
                self._take(item)
            elif isinstance(item, Ask):
                item.reply(error("The station stops."))
        t_s = self._t_s(monotonic())
        self._say(self._recorder.feed(Frame(0, t_s, "", self._station.name, None, "stop", {})))
        self._say(self._recorder.retry(at_once=True))
        self._say(self._recorder.save_checkpoint())
        if self._recorder.queue.waiting:
            sentence = (
                f"{self._recorder.queue.waiting} records are not in the database: they are put into it from "
                "the journal at the next start."
            )
            self._say([self._recorder.say("records_wait", Sound.TROUBLE, sentence)])

    def rescue(self, folders: Iterable[Path]) -> str | None:
        """After the run: keep elsewhere what no medium of the journal took; a sentence about it, if anything."""
        journal = self._recorder.journal
        rescued = None if journal is None else journal.rescue(folders)
        if journal is None or rescued is None:
            return None
        if rescued.path is None:
            return f"{rescued.frames} frames are lost, no medium took them. {journal.trouble}"
        return (
            f"{rescued.frames} frames are in {rescued.path} only: make room, move that file into "
            f"{self._station.journal}, and only then start again."
        )

    def close(self) -> None:
        """Stop what still reads, whatever ended the run."""
        for _, reader in self._readers.values():
            reader.stop()
        self._readers.clear()

    # --- small helpers --------------------------------------------------------------------------------------

    def _say(self, announcements: list[Announcement]) -> list[Announcement]:
        if announcements:
            self._announcer.say(announcements)
            if any(one.name == "survey_closed" for one in announcements):
                self._snapshots.want()
        return announcements

    def _t_s(self, mono_s: float) -> float:
        """Journal time of a monotonic time."""
        return on_grid(mono_s) - self._mono_s


def _needs_restart(old: Station, new: Station) -> str | None:
    for what in ("name", "database", "journal", "journal_mirror", "journal_mode", "log", "inbox"):
        if getattr(old.file.station, what) != getattr(new.file.station, what):
            return what
    for table in ("page", "sounds", "stick"):
        if getattr(old.file, table) != getattr(new.file, table):
            return table
    return None
