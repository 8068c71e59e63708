"""Answers to what the control door asks, given between two frames from the live state and the database."""

import sqlite3
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from time import time
from typing import Any

from drivers.tags import TagCodeError, parse_tag
from drivers.transport import Health
from ingest.assemble.bench import describe
from ingest.assemble.facts import missing_parts
from ingest.assemble.parts import OpenFish
from ingest.control import error
from ingest.recorder import Recorder
from ingest.scene_facts import SceneDesk, bench_context
from ingest.store import Store, StoreTrouble
from ingest.store.errors import translate
from ingest.store.history import animal_history

MOST_FISH = 1000
_FISH = "SELECT * FROM fish_all WHERE survey_id = coalesce(?1, survey_id) ORDER BY worked_up_at DESC LIMIT ?2"
_ONE_FISH = "SELECT * FROM fish_all WHERE fish_id = ?"
_READINGS = "SELECT * FROM reading WHERE fish_id = ? ORDER BY seq"
_FINDINGS = "SELECT * FROM finding_list WHERE fish_id = ?"
_AMENDMENTS = "SELECT * FROM amendment WHERE fish_id = ? ORDER BY seq"
_FRAMES = """SELECT frame.* FROM frame JOIN (SELECT DISTINCT journal_id, n FROM reading WHERE fish_id = ?)
    USING (journal_id, n) ORDER BY journal_id, n"""


@dataclass(slots=True)
class Answers:
    """Answers from the ingest thread. `ports` gives each port's health, `now_s` the wall clock."""

    recorder: Recorder
    store: Store
    ports: Callable[[], Mapping[str, Health]]
    now_s: Callable[[], float] = time
    _scenes: SceneDesk = field(init=False)

    def __post_init__(self) -> None:
        self._scenes = SceneDesk(self.recorder, self.store, self.ports, self.now_s)

    def to(self, request: Mapping[str, Any]) -> dict[str, object]:
        """The answer to a question that only reads."""
        questions = {
            "status": self._status,
            "fish": self._fish,
            "history": self._history,
            "trace": self._trace,
            "scene": self._scenes.answer,
        }
        question = questions.get(str(request.get("ask")))
        if question is None:
            possible = ", ".join([*questions, "alive", "command", "snapshot", "subscribe"])
            return error(f"{request.get('ask')!r} is no question; possible are: {possible}.")
        try:
            return question(request)
        except StoreTrouble as trouble:
            return error(str(trouble))

    def _status(self, request: Mapping[str, Any]) -> dict[str, object]:
        engine, queue = self.recorder.engine, self.recorder.queue
        state = engine.state
        survey = state.survey
        journal = self.recorder.journal
        return {
            "ok": True,
            "station": engine.station.name,
            "database": str(self.store.path),
            "sqlite": self.store.sqlite_version,
            "at": engine.at(state.t_s),
            "clock_doubtful": state.time.doubtful,
            "survey": survey
            and {
                "survey_id": survey.survey_id,
                "name": survey.name,
                "water": survey.water,
                "opened_at": survey.opened_at,
                "provisional": survey.provisional,
                "run_no": survey.run_no,
                "run_open": survey.run_open,
                "work_up_run": survey.work_up_run,
            },
            "benches": {name: self._bench(name) for name in state.benches},
            "instruments": self._instruments(),
            "waiting_commits": queue.waiting,
            "database_trouble": str(queue.trouble) if queue.trouble else None,
            "journal_trouble": journal.trouble if journal else None,
            "records_refused": len(self.recorder.refused),
        }

    def _bench(self, name: str) -> dict[str, object]:
        bench = self.recorder.engine.state.benches[name]
        parked = [fish for fish in bench.parked if not fish.questions]
        held = [fish for fish in (*bench.parked, bench.fish) if fish is not None and fish.questions]
        return {
            "species": bench.species,
            "in_hand": bench.fish and self._open_fish(name, bench.fish),
            "parked": [self._open_fish(name, fish) for fish in parked],
            "held": [self._open_fish(name, fish) for fish in held],
        }

    def _open_fish(self, bench: str, fish: OpenFish) -> dict[str, object]:
        length, weight = fish.used("length"), fish.used("weight")
        return {
            "fish_id": fish.fish_id,
            "says": describe(fish),
            "species": fish.species,
            "tag": fish.tag,
            "length_mm": length.value if length else None,
            "weight_g": weight.value if weight else None,
            "missing": sorted(part.value for part in self._missing(bench, fish)),
            "questions": [question.finding or question.kind for question in fish.questions],
        }

    def _missing(self, bench: str, fish: OpenFish) -> set[Any]:
        context = bench_context(self.recorder, self.store, bench)
        return set() if context is None else set(missing_parts(fish, context))

    def _instruments(self) -> dict[str, object]:
        state = self.recorder.engine.state
        ports = self.ports()
        shown: dict[str, object] = {}
        for name in {**state.instruments, **ports}:
            known, health = state.instruments.get(name), ports.get(name)
            shown[name] = {
                "port": health.state.value if health else (known.port if known else "unknown"),
                "quiet_s": round(health.quiet_s, 3) if health and health.quiet_s is not None else None,
                "opens": health.opens if health else None,
                "losses": health.losses if health else None,
                "bytes": health.received if health else None,
                "last_error": health.last_error if health else None,
                "silent": known.silent if known else False,
                "outcomes": dict(known.outcomes) if known else {},
            }
        return shown

    def _fish(self, request: Mapping[str, Any]) -> dict[str, object]:
        limit, survey = request.get("limit", 50), request.get("survey_id")
        if type(limit) is not int or not 0 < limit <= MOST_FISH:
            return error(f'"limit" is {limit!r}: give a whole number from 1 to {MOST_FISH}.')
        if survey is not None and not isinstance(survey, str):
            return error(f'"survey_id" is {survey!r}: give the id of a survey, or leave it out.')
        return {"ok": True, "fish": self._rows(_FISH, survey, limit)}

    def _history(self, request: Mapping[str, Any]) -> dict[str, object]:
        written = request.get("tag")
        if not isinstance(written, str):
            return error('"tag" is missing: give the code of a tag.')
        try:
            tag = parse_tag(written).text
        except TagCodeError as refused:
            return error(f"{refused}")
        return {"ok": True, "tag": tag, "captures": animal_history(self.store.lookup, tag)}

    def _trace(self, request: Mapping[str, Any]) -> dict[str, object]:
        fish_id = request.get("fish_id")
        if not isinstance(fish_id, str):
            return error('"fish_id" is missing: give the id of a fish.')
        found = self._rows(_ONE_FISH, fish_id)
        if not found:
            return error(f"There is no fish {fish_id} in the database.")
        return {
            "ok": True,
            "fish": found[0],
            "readings": self._rows(_READINGS, fish_id),
            "findings": self._rows(_FINDINGS, fish_id),
            "amendments": self._rows(_AMENDMENTS, fish_id),
            "frames": self._rows(_FRAMES, fish_id),
        }

    def _rows(self, query: str, *parameters: object) -> list[dict[str, object]]:
        try:
            cursor = self.store.connection.execute(query, parameters)
            rows = cursor.fetchall()  # at once: a cursor left open would hold a lock against the next commit
        except sqlite3.Error as failure:
            raise translate(failure, self.store.path) from failure
        names = [column[0] for column in cursor.description]
        return [dict(zip(names, map(_plain, row), strict=True)) for row in rows]


def _plain(value: object) -> object:
    return value.decode("latin-1") if isinstance(value, bytes) else value
