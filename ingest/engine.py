"""The pure pipeline: frames in, records and announcements out.

`Engine` is a fold: the state after a frame depends on the state before and the frame, and on nothing else but the
look-ups that it is given. Time comes with the frames; timers fire in journal time, before any frame with a later time.
So a day replays to the same records as it gave live, at any speed, and a restarted daemon goes on from a checkpoint.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from math import ulp
from typing import Any

from drivers.instrument import Instrument
from drivers.outcomes import (
    Damage,
    Damaged,
    KeySeen,
    LengthSeen,
    NotMine,
    Outcome,
    PanEmpty,
    Piece,
    PositionSeen,
    ScaleTrouble,
    TagRefused,
    TagSeen,
    TemperatureSeen,
    Trouble,
    WeightSeen,
    WeightSettled,
)
from ingest.assemble.antennas import mark_antenna
from ingest.assemble.bench import Bench
from ingest.assemble.command_rules import no_fish_for
from ingest.assemble.context import Context, Lookup
from ingest.assemble.facts import frozen_relations
from ingest.assemble.flows import FLOWS, Flow
from ingest.assemble.look_up import look_up
from ingest.assemble.parts import BenchState, Measure, Ref
from ingest.assemble.settings import BenchRules
from ingest.assemble.timer_rules import next_deadline_s
from ingest.commands import Command, CommandError, Verb, parse_command
from ingest.engine_state import EngineState, InstrumentState, TimeBase, dump_state
from ingest.frames import Frame, Header, parse_rfc3339, rfc3339
from ingest.inbox_rules import inbox_changes
from ingest.records import Announcement, Change, Sound
from ingest.station import Station, StationInstrument, no_bench_at
from ingest.step_lookup import StepLookup
from ingest.surveys import OPENING_VERBS, STATION_VERBS, ensure_survey, on_survey_command, run_went_on

FORGOTTEN_S = 12 * 3600.0  # a survey left open for longer belongs to another day
WITNESS_S = 5.0  # two reads of a free-running reader further apart are not one presentation
GARBLED_LINES = 3
BETWEEN_BOOTS_S = 24 * 3600.0  # nothing before a boot is near in time to what comes after it
LONG_S = 1e6  # longer than any wait of a framer

_TROUBLE_SENTENCES = {
    Trouble.OVERLOAD: "Scale overload: take the fish off, it is too heavy for this scale.",
    Trouble.UNDERLOAD: "Scale underload: empty the pan and re-zero the scale.",
    Trouble.UNSETTLED: "The weight does not settle: hold the fish still, or shield the scale from wind.",
    Trouble.NOT_EMPTIED: "The pan was not empty in between: empty it, then put this fish on alone.",
    Trouble.NO_VALUE: "The scale gives no weight: look at its display.",
}


@dataclass(slots=True)
class Step:
    """What one call gave: frames for the journal, changes for the store, announcements for the crew, in order."""

    frames: list[Frame] = field(default_factory=list)
    changes: list[Change] = field(default_factory=list)
    announcements: list[Announcement] = field(default_factory=list)


class Engine:
    """One station's pipeline. Not thread-safe: one caller, one frame at a time.

    All times that callers give and get are journal time: seconds since the start of the journal that
    `begin_journal` named.
    """

    def __init__(self, station: Station, lookup: Lookup, state: EngineState | None = None) -> None:
        self.state = state or EngineState()
        self._lookup = StepLookup(lookup)
        self._begin_step()
        self._configure(station)

    def reconfigure(self, station: Station) -> Step:
        """Use these settings from the next frame on. What is in hand, and what the decoders saw, stays.

        A bench that is no longer there closes what it has in hand, by the rules that it was worked with.
        """
        self._begin_step()
        self._keep_decoders()
        ref = self._timer_ref(self.state.t_s, "config")
        for name in [name for name in self.state.benches if name not in station.benches]:
            self._close_bench(name, "bench_removed", ref)
            del self.state.benches[name]
        self._configure(station)
        return self._step

    def _configure(self, station: Station) -> None:
        self.station = station
        self._instruments: dict[str, Instrument] = {}
        self._setup: dict[str, StationInstrument] = {}
        self._commands: dict[str, Command] = dict(station.tag_commands)
        self._observations = station.observations
        for setup in station.instruments:
            instrument = Instrument(setup.name, setup.declaration)
            known = self.state.instruments.setdefault(setup.name, InstrumentState())
            if known.decoder:
                try:
                    instrument.restore(known.decoder)
                except (ValueError, KeyError):  # it is declared as another kind of instrument now
                    known.decoder = {}
            self._instruments[setup.name] = instrument
            self._setup[setup.name] = setup
        for name, bench in station.benches.items():
            self.state.benches.setdefault(name, BenchState(name, bench.species))

    def checkpoint(self) -> str:
        """The state as JSON, ready to be stored with the records that it belongs to."""
        self._keep_decoders()
        return dump_state(self.state)

    def begin_journal(self, header: Header) -> Step:
        """Frames from now on belong to this journal; their numbers start at 1.

        Within one boot everything goes on. After another boot nobody knows whose the next reading is: the fish in
        hand is parked. After more than half a day the survey was forgotten: it is closed.
        """
        self._begin_step()
        state = self.state
        same_boot = header.boot is not None and header.boot == state.boot
        ref = Ref(header.journal_id, 0, header.started, state.t_s, "station", b"")
        if state.journal_id and not same_boot:
            last_s = state.time.started_s + state.time.step_s + state.t_s - state.time.t0_s
            away_s = abs(parse_rfc3339(header.started) - last_s)
            if state.survey is not None and away_s > FORGOTTEN_S:
                self._close_survey(
                    Ref(state.journal_id, state.last_n, rfc3339(last_s), state.t_s, "station", b"")
                )
            else:
                for name in state.benches:
                    self._bench_step(name, ref, self._flow(name).on_restart, open_survey=False)
            self._forget_boot()
        mono_s = header.mono or 0.0
        boot_s = state.time.boot_s
        if state.journal_id and not same_boot:
            boot_s = state.t_s + BETWEEN_BOOTS_S - mono_s
        t0_s = boot_s + mono_s
        state.t_s = max(state.t_s, t0_s)
        state.time = TimeBase(t0_s, parse_rfc3339(header.started), 0.0, state.time.doubtful, boot_s)
        state.journal_id, state.boot, state.last_n = header.journal_id, header.boot, 0
        return self._step

    def feed(self, frame: Frame) -> Step:
        """One frame: bytes of an instrument, or an event.

        The step's frames are what the journal shall hold: whole lines, numbered here (never below `frame.n`).
        """
        self._begin_step()
        t_s = max(self.state.time.t0_s + frame.t_s, self.state.t_s)
        self._advance(t_s)
        self.state.t_s = t_s
        if self._step.changes and frame.n == 0:
            # These bytes may be half a line that the journal never sees: it must know all the same that the time of a
            # timer had come.
            self._journal_event("timer", "timer", {}, t_s, 0)
        if frame.data is not None:
            self._on_bytes(frame.source, frame.data, t_s, frame.n)
        else:
            self._on_event(frame, t_s)
        return self._step

    def advance(self, t_s: float) -> Step:
        """Time passed and nothing arrived."""
        self._begin_step()
        now_s = max(self.state.time.t0_s + t_s, self.state.t_s)
        self._advance(now_s)
        self.state.t_s = now_s
        return self._step

    def next_deadline_s(self) -> float | None:
        """When `advance` must be called at the latest; None while nothing waits."""
        deadline_s = self._next_deadline_s()
        if deadline_s is None:
            return None
        t_s = deadline_s - self.state.time.t0_s
        # A difference may be rounded down: `advance` would then come too early, again and again.
        return t_s if self.state.time.t0_s + t_s >= deadline_s else t_s + ulp(deadline_s)

    def at(self, t_s: float) -> str:
        """The wall time (RFC 3339 UTC) of an engine time."""
        time = self.state.time
        return rfc3339(time.started_s + time.step_s + t_s - time.t0_s)

    def _begin_step(self) -> None:
        self._step = Step()
        self._lookup.changes = self._step.changes

    # --- time ---------------------------------------------------------------------------------------------------

    def _next_deadline_s(self) -> float | None:
        deadlines = [instrument.next_deadline_s() for instrument in self._instruments.values()]
        for name, bench in self.state.benches.items():
            waits = (bench.fish, bench.grace_until_s, bench.again, bench.batch)
            if any(one is not None for one in waits):
                deadlines.append(next_deadline_s(bench, self._rules(name)))
        for name, setup in self._setup.items():
            if setup.declaration.silence_s is not None:
                deadlines.append(self._silence_deadline_s(name, self.state.instruments[name]))
        return min((deadline for deadline in deadlines if deadline is not None), default=None)

    def _silence_deadline_s(self, name: str, known: InstrumentState) -> float | None:
        setup = self._setup.get(name)
        if setup is None or setup.declaration.silence_s is None or known.silent or known.port == "lost":
            return None
        return None if known.last_t_s is None else known.last_t_s + setup.declaration.silence_s

    def _advance(self, t_s: float) -> None:
        """Fire everything that is due up to `t_s`, in the order of its time."""
        while (deadline_s := self._next_deadline_s()) is not None and deadline_s <= t_s:
            self.state.t_s = max(self.state.t_s, deadline_s)
            self._fire(deadline_s)

    def _fire(self, deadline_s: float) -> None:
        for name, instrument in self._instruments.items():
            due_s = instrument.next_deadline_s()
            if due_s is not None and due_s <= deadline_s:
                for piece in instrument.tick(deadline_s):
                    self._on_piece(name, piece, 0)
                ref = self._timer_ref(deadline_s, name)
                for outcome in instrument.settle_tick(deadline_s):
                    self._on_outcome(name, outcome, ref)
            known = self.state.instruments[name]
            silence_s = self._silence_deadline_s(name, known)
            if silence_s is not None and silence_s <= deadline_s:
                known.silent = True
                self._say(
                    "instrument_silent",
                    Sound.TROUBLE,
                    f"The {name} has said nothing for {self._setup[name].declaration.silence_s:g} s: "
                    "look at its power and its cable.",
                    self.at(deadline_s),
                    name,
                )
        for name, bench in self.state.benches.items():
            due_s = next_deadline_s(bench, self._rules(name))
            if due_s is not None and due_s <= deadline_s:
                self._bench_step(name, self._timer_ref(deadline_s, "timer"), self._flow(name).on_time)

    def _timer_ref(self, t_s: float, source: str) -> Ref:
        return Ref(self.state.journal_id, self.state.last_n, self.at(t_s), t_s, source, b"")

    # --- bytes --------------------------------------------------------------------------------------------------

    def _on_bytes(self, source: str, data: bytes, t_s: float, n: int) -> None:
        known = self.state.instruments.setdefault(source, InstrumentState())
        first = known.last_t_s is None
        known.last_t_s = t_s
        if known.silent:
            known.silent = False
            self._say("instrument_back", Sound.NONE, f"The {source} speaks again.", self.at(t_s), source)
        instrument = self._instruments.get(source)
        if instrument is None:
            self._journal(source, data, t_s, n, self.at(t_s))
            if first:
                self._say(
                    "instrument_unknown",
                    Sound.TROUBLE,
                    f"Bytes came from '{source}', which is not configured: they are kept, name it in the station's file.",
                    self.at(t_s),
                    source,
                )
            return
        for piece in instrument.cut(data, t_s):
            self._on_piece(source, piece, n)

    def _on_piece(self, source: str, piece: Piece, n: int) -> None:
        """One piece of an instrument's stream: into the journal first, then decoded."""
        now_s = self.state.t_s
        at = self.at(now_s)
        if piece.t_s == now_s and not self._cut_by_what_follows(source, piece):
            frame_n = self._journal(source, piece.data, now_s, n, at)
        else:
            # It did not end by its last byte: the journal must know when that byte came, and that this was all.
            body = {"data": piece.data.decode("latin-1"), "t": piece.t_s - self.state.time.t0_s}
            frame_n = self._journal_event(source, "piece", body, now_s, n)
        ref = Ref(self.state.journal_id, frame_n, at, now_s, source, piece.data)
        for outcome in self._instruments[source].decode(piece):
            self._on_outcome(source, outcome, ref)

    def _cut_by_what_follows(self, source: str, piece: Piece) -> bool:
        """Whether it ends where an STX begins the next message: alone, read back, it would wait for more."""
        rule = self._setup[source].declaration.frame
        return rule.end == "STX-ETX" and not piece.ended and len(piece.data) < rule.max_bytes

    def _on_recorded_piece(self, frame: Frame) -> None:
        """A piece that ended by waiting, read back from a journal."""
        instrument = self._instruments.get(frame.source)
        data, t_s = frame.body.get("data"), frame.body.get("t")
        if instrument is None or not isinstance(data, str) or not isinstance(t_s, int | float):
            self._journal_event(frame.source, "piece", frame.body, self.state.t_s, frame.n)
            return
        born_s = self.state.time.t0_s + t_s
        pieces = instrument.cut(data.encode("latin-1", "replace"), born_s) + instrument.tick(born_s + LONG_S)
        if not pieces:  # a rest without content, such as the LF of the last CR LF: only a hang-up ends it
            pieces = instrument.hang_up(born_s)
        for piece in pieces:
            self._on_piece(frame.source, piece, frame.n)

    def _journal(self, source: str, data: bytes, t_s: float, n: int, at: str) -> int:
        number = max(self.state.last_n + 1, n)
        self.state.last_n = number
        self._step.frames.append(Frame(number, t_s - self.state.time.t0_s, at, source, data))
        return number

    def _journal_event(self, source: str, event: str, body: Mapping[str, object], t_s: float, n: int) -> int:
        number = max(self.state.last_n + 1, n)
        self.state.last_n = number
        self._step.frames.append(
            Frame(number, t_s - self.state.time.t0_s, self.at(t_s), source, None, event, dict(body))
        )
        return number

    # --- what the bytes say ---------------------------------------------------------------------------------------

    def _on_outcome(self, source: str, outcome: Outcome, ref: Ref) -> None:
        known = self.state.instruments[source]
        counts = known.outcomes
        if isinstance(outcome, Damaged):
            name = f"Damaged {outcome.damage}"
        else:
            name = type(outcome).__name__
            known.garbled = 0
        counts[name] = counts.get(name, 0) + 1
        if isinstance(outcome, WeightSeen):
            return
        bench = self._setup[source].bench
        flow = self._flow(bench)
        match outcome:
            case TagSeen():
                self._on_tag(source, self._bench_at(source, outcome, ref), outcome, ref)
            case LengthSeen():
                measure = Measure(outcome.length_mm, outcome.unit, outcome.division_mm, ref)
                self._bench_step(bench, ref, lambda b, r: flow.on_measure(b, "length", measure))
            case WeightSettled():
                measure = Measure(
                    outcome.weight_g,
                    outcome.unit,
                    outcome.division_g,
                    ref,
                    load=outcome.load,
                    empty_before_g=outcome.empty_before_g,
                )
                self._bench_step(bench, ref, lambda b, r: flow.on_measure(b, "weight", measure))
            case PanEmpty():
                fish = self.state.benches[bench].fish
                for weight in fish.weights if fish is not None else ():
                    if weight.load == outcome.load and weight.ref.instrument == source:
                        weight.empty_after_g = outcome.empty_g
            case PositionSeen():
                around = self.state.around
                around.lat_deg, around.lon_deg, around.fix_t_s = outcome.lat_deg, outcome.lon_deg, ref.t_s
                self._step.changes.extend(run_went_on(self.state, ref.t_s))
            case TemperatureSeen():
                self.state.around.water_c, self.state.around.water_t_s = outcome.temperature_c, ref.t_s
                self._step.changes.extend(run_went_on(self.state, ref.t_s))
            case KeySeen():
                self._on_key(source, bench, outcome.key, ref)
            case ScaleTrouble():
                trouble = _TROUBLE_SENTENCES[outcome.trouble]
                self._say("scale_trouble", Sound.TROUBLE, trouble, ref.at, source, bench)
                self._note(bench, ref, f"scale_{outcome.trouble.value}", trouble)
            case TagRefused():
                self._say("tag_refused", Sound.TROUBLE, f"Scan again: {outcome.why}", ref.at, source, bench)
                self._note(bench, ref, "tag_refused", outcome.why)
            case Damaged():
                self._on_damage(source, known, outcome, ref)
            case NotMine():
                pass

    def _note(self, bench: str, ref: Ref, name: str, sentence: str) -> None:
        """An instrument could not say a part of the fish in hand: should the part never come, the fish tells why."""
        if self._setup[ref.instrument].role == "lookup":
            return  # what it cannot read belongs to no fish
        if self.state.survey is None:  # so no fish is in hand: the first one of the day tells why
            self.state.benches[bench].note_failure(name, sentence, ref.t_s)
            return
        self._bench_step(bench, ref, lambda b, r: b.part_failed(name, sentence))

    def _on_damage(self, source: str, known: InstrumentState, damaged: Damaged, ref: Ref) -> None:
        if damaged.damage is not Damage.SPEED:
            return
        known.garbled += 1
        if known.garbled == GARBLED_LINES:  # one line is a spark, several in a row are a setting
            self._say("speed_or_cable", Sound.TROUBLE, f"{source}: {damaged.detail}", ref.at, source)

    def _on_tag(self, source: str, bench: str, seen: TagSeen, ref: Ref) -> None:
        command = self._commands.get(seen.tag)
        if command is not None:
            last_s = self.state.command_seen.get(seen.tag)
            self.state.command_seen[seen.tag] = ref.t_s
            absent_s = self._rules(bench).command_absent_s
            if last_s is None or ref.t_s - last_s >= absent_s:
                self._do(command, bench, ref)
            return
        if not self._witnessed_twice(source, seen, ref):
            return
        if self._setup[source].role == "lookup":
            self._on_look_up(source, bench, seen, ref)
            return
        if not self.state.said_no_inventory and not self._lookup.inventory_loaded():
            self.state.said_no_inventory = True
            self._say(
                "no_inventory",
                Sound.NONE,
                "No tag inventory is loaded: every unknown tag counts as new.",
                ref.at,
            )
        setup = self._setup[source]
        checked = seen.checked or setup.declaration.witness == "repeat"
        self._bench_step(bench, ref, lambda b, r: self._flow(bench).on_tag(b, seen.tag, checked, r))
        if setup.bench_at(seen.antenna) is None:
            said = no_bench_at(setup, seen.antenna)
            self._bench_step(bench, ref, lambda b, r: mark_antenna(b, seen.tag, said, r))

    def _on_look_up(self, source: str, bench: str, seen: TagSeen, ref: Ref) -> None:
        """A reader beside the benches: what is known of the tag, once for each time that it is held there."""
        known, absent_s = self.state.instruments[source], self._rules(bench).command_absent_s
        known.looked_up = {tag: t_s for tag, t_s in known.looked_up.items() if ref.t_s - t_s < absent_s}
        still_there = seen.tag in known.looked_up
        known.looked_up[seen.tag] = ref.t_s
        if not still_there:
            self._bench_step(bench, ref, lambda b, r: look_up(b, seen.tag, r))

    def _bench_at(self, source: str, seen: TagSeen, ref: Ref) -> str:
        """The bench whose antenna read this tag; one that no bench has is said once."""
        setup, known = self._setup[source], self.state.instruments[source]
        bench = setup.bench_at(seen.antenna)
        if bench is None and (seen.antenna or "") not in known.strange_antennas:
            known.strange_antennas.append(seen.antenna or "")
            self._say(
                "antenna_unmapped",
                Sound.TROUBLE,
                no_bench_at(setup, seen.antenna),
                ref.at,
                source,
                setup.bench,
            )
        return bench or setup.bench

    def _witnessed_twice(self, source: str, seen: TagSeen, ref: Ref) -> bool:
        """A free-running reader must say a tag twice before it counts (its declaration says `witness = "repeat"`)."""
        if self._setup[source].declaration.witness != "repeat" or seen.checked:
            return True
        known = self.state.instruments[source]
        known.read_once = {tag: t_s for tag, t_s in known.read_once.items() if ref.t_s - t_s <= WITNESS_S}
        again = seen.tag in known.read_once
        known.read_once[seen.tag] = ref.t_s
        return again

    def _on_key(self, source: str, bench: str, key: str, ref: Ref) -> None:
        command = self._setup[source].keys.get(key) or _written(key)
        if command is None:
            self._say(
                "key_unknown",
                Sound.TROUBLE,
                f"Key {key} of the {source} has no command.",
                ref.at,
                source,
                bench,
            )
            return
        self._do(command, bench, ref)

    # --- events -----------------------------------------------------------------------------------------------------

    def _on_event(self, frame: Frame, t_s: float) -> None:
        if frame.event == "piece":
            self._on_recorded_piece(frame)
            return
        if frame.event == "stop" or (frame.event == "port" and frame.source in self._instruments):
            for name in self._instruments if frame.event == "stop" else (frame.source,):
                for piece in self._instruments[name].hang_up(t_s):
                    self._on_piece(name, piece, 0)
        number = self._journal_event(frame.source, frame.event or "", frame.body, t_s, frame.n)
        ref = Ref(self.state.journal_id, number, self.at(t_s), t_s, frame.source, b"")
        match frame.event:
            case "command":
                self._on_command_event(frame, ref)
            case "port":
                self._on_port(frame, ref)
            case "clock":
                step_s, doubtful = frame.body.get("step_s"), frame.body.get("doubtful")
                if isinstance(step_s, int | float):
                    self.state.time.step_s += step_s
                if isinstance(doubtful, bool):
                    self.state.time.doubtful = doubtful
            case "stop":
                for name in self.state.benches:
                    self._bench_step(name, ref, self._flow(name).on_stop, open_survey=False)
            case "sightings":
                self._on_sightings(frame, ref)
            case _:
                pass  # start, config, note: they matter to the shell and to people, and stay in the journal

    def _on_sightings(self, frame: Frame, ref: Ref) -> None:
        if self.state.survey is None:
            self._ensure_survey(ref)
        assert self.state.survey is not None
        try:
            changes, said = inbox_changes(frame.body, self.state.survey.survey_id, ref)
        except (ValueError, TypeError) as error:
            self._say("inbox_refused", Sound.TROUBLE, f"A file of the inbox cannot be used: {error}.", ref.at)
            return
        self._step.changes.extend(changes)
        self._say("inbox_taken", Sound.NONE, f"Taken from the inbox: {said}", ref.at)

    def _on_command_event(self, frame: Frame, ref: Ref) -> None:
        text, bench = frame.body.get("command"), frame.body.get("bench")
        name = (
            bench
            if isinstance(bench, str) and bench in self.state.benches
            else next(iter(self.state.benches))
        )
        try:
            command = parse_command(text if isinstance(text, str) else "")
        except CommandError as error:
            self._say("command_refused", Sound.TROUBLE, str(error), ref.at, frame.source, name)
            return
        if bench is None and len(self.state.benches) > 1 and command.verb not in STATION_VERBS:
            said = f"'{command.verb}' is for one bench: say for which of {', '.join(self.state.benches)}."
            self._say("command_refused", Sound.TROUBLE, said, ref.at, frame.source)
            return
        self._do(command, name, ref)

    def _on_port(self, frame: Frame, ref: Ref) -> None:
        known = self.state.instruments.setdefault(frame.source, InstrumentState())
        state, sentence = frame.body.get("state"), frame.body.get("sentence")
        before = known.port
        known.port = state if isinstance(state, str) else "unknown"
        known.garbled = 0
        if known.port == "opened":
            known.last_t_s, known.silent = ref.t_s, False
            if frame.source in self._instruments:
                self._instruments[frame.source].opened(ref.t_s)
            if before == "lost":
                self._say(
                    "instrument_found", Sound.NONE, f"The {frame.source} is back.", ref.at, frame.source
                )
        elif known.port == "lost" and before != "lost":
            why = (
                f": {sentence.removeprefix(f'{frame.source}: ')}"
                if isinstance(sentence, str) and sentence
                else ""
            )
            self._say(
                "instrument_lost", Sound.TROUBLE, f"The {frame.source} is lost{why}.", ref.at, frame.source
            )
            for name, bench in self.state.benches.items():
                if bench.fish is not None and not self._reader_healthy(name):
                    bench.fish.reader_lost = True

    def _do(self, command: Command, bench: str, ref: Ref) -> None:
        if self.state.survey is None and command.verb in OPENING_VERBS:
            self._ensure_survey(ref)
        if command.verb in STATION_VERBS:
            if command.verb is Verb.SURVEY_CLOSE and self.state.survey is not None:
                self._close_survey(ref)
                return
            answer = on_survey_command(command, self.state, self.station, ref)
            self._step.changes.extend(answer.changes)
            sound = Sound.PART if answer.done else Sound.TROUBLE
            self._say(
                "command_done" if answer.done else "command_refused",
                sound,
                answer.sentence,
                ref.at,
                ref.instrument,
            )
            return
        self._bench_step(
            bench, ref, lambda b, r: self._flow(bench).on_command(b, command, r), open_survey=False
        )
        if self.state.survey is None:
            self._say(
                "command_refused",
                Sound.TROUBLE,
                no_fish_for(command),
                ref.at,
                None,
                bench,
            )

    def _close_survey(self, ref: Ref) -> None:
        for name in self.state.benches:
            self._close_bench(name, "survey_closed", ref)
        answer = on_survey_command(Command(Verb.SURVEY_CLOSE), self.state, self.station, ref)
        self._step.changes.extend(answer.changes)
        self._say("survey_closed", Sound.PART, answer.sentence, ref.at)

    # --- benches ------------------------------------------------------------------------------------------------------

    def _bench_step(
        self, name: str, ref: Ref, rule: Callable[[Bench, Ref], None], *, open_survey: bool = True
    ) -> None:
        if self.state.survey is None:
            if not open_survey:
                return
            self._ensure_survey(ref)
        rules = self._rules(name)
        context = self._context(name, rules)
        bench = FLOWS[rules.flow].bench(self.state.benches[name], context, ref)
        rule(bench, ref)
        self._step.changes.extend(frozen_relations(context))
        self._step.changes.extend(bench.changes)
        self._step.announcements.extend(bench.announcements)

    def _close_bench(self, name: str, rule: str, ref: Ref) -> None:
        close = self._flow(name).close_all
        self._bench_step(name, ref, lambda b, r: close(b, rule, r), open_survey=False)

    def _ensure_survey(self, ref: Ref) -> None:
        opened = ensure_survey(self.state, self.station, ref)
        self._step.changes.extend(opened.changes)
        self._say("survey_opened", Sound.NONE, opened.sentence, ref.at)

    def _context(self, name: str, rules: BenchRules) -> Context:
        assert self.state.survey is not None
        bench = self.station.benches.get(name)
        return Context(
            station=self.station.name,
            rules=rules,
            limits=self.station.limits,
            survey=self.state.survey,
            protocol=self.station.protocol,
            book=self.station.species,
            lookup=self._lookup,
            length_type=bench.length_type if bench is not None else "TL",
            reader_healthy=self._reader_healthy(name),
            clock_doubtful=self.state.time.doubtful,
            observations=self._observations,
            relations=self.station.relations,
        )

    def _rules(self, name: str) -> BenchRules:
        bench = self.station.benches.get(name)
        return bench.rules if bench is not None else BenchRules()

    def _flow(self, name: str) -> Flow[Any]:
        return FLOWS[self._rules(name).flow]

    def _reader_healthy(self, bench: str) -> bool:
        """Whether a tag reader of this bench is there and not known to be lost."""
        return any(
            bench in setup.benches
            and setup.declaration.kind == "tag_reader"
            and self.state.instruments[setup.name].port != "lost"
            for setup in self._setup.values()
        )

    def _forget_boot(self) -> None:
        """Another boot: decoders, loads and presentations start anew."""
        self.state.command_seen.clear()
        for known in self.state.instruments.values():
            known.decoder, known.read_once, known.last_t_s, known.silent, known.port = (
                {},
                {},
                None,
                False,
                "unknown",
            )
        for bench in self.state.benches.values():
            if bench.saved is not None:
                bench.saved.load = None
            for fish in bench.parked:
                for weight in fish.weights:
                    weight.load = None  # the scale counts its loads from 1 again
        self._instruments = {name: Instrument(name, setup.declaration) for name, setup in self._setup.items()}

    def _keep_decoders(self) -> None:
        for name, instrument in self._instruments.items():
            self.state.instruments[name].decoder = dict(instrument.state())

    def _say(
        self,
        name: str,
        sound: Sound,
        sentence: str,
        at: str,
        instrument: str | None = None,
        bench: str | None = None,
    ) -> None:
        facts = {"instrument": instrument} if instrument else {}
        self._step.announcements.append(Announcement(name, sound, sentence, bench, at, None, facts))


def _written(key: str) -> Command | None:
    """A printed card may hold the command itself (`count +1`) instead of a key of the station's file."""
    try:
        return parse_command(key)
    except CommandError:
        return None
