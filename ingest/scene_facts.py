"""What a screen beside a bench needs to know, in one answer: the question "scene" of the ingest thread.

Facts only, in mm, g and RFC 3339 UTC; what the crew reads is made of them elsewhere. A screen asks after every
announcement, so nothing here reads the survey's fish anew unless their records have changed.
"""

import shutil
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

from drivers.transport import Health
from fishery.single import days_between, growth_between, relative_weight
from ingest.assemble.batch_rules import describe as describe_batch
from ingest.assemble.bench import describe
from ingest.assemble.context import Context
from ingest.assemble.facts import fish_findings, missing_parts, needs_of, prior_of, standard_weight_of
from ingest.assemble.parts import BenchState, Measure, OpenFish, SavedFish, TagRead, Tally
from ingest.assemble.settings import BenchRules
from ingest.commands import Verb
from ingest.control import error
from ingest.frames import rfc3339
from ingest.recorder import Recorder
from ingest.records import Finding, PriorCapture, Severity, TagStatus
from ingest.store import Store, StoreTrouble

MOST_CAPTURES = 12  # of one animal, newest first to stay
"""More than a screen can show at reading distance; how many were left out is said."""
LAST_FISH = 5
MOST_CHOICES = 12  # species that a crew may want to pick at this station


@dataclass(slots=True)
class SceneDesk:
    """Answers "scene" from the live state. Belongs to the ingest thread.

    `ports` gives each port's health, `now_s` the wall clock (seconds since 1970).
    """

    recorder: Recorder
    store: Store
    ports: Callable[[], Mapping[str, Health]]
    now_s: Callable[[], float]
    _counted: tuple[object, ...] = ()
    _tally: dict[str, object] = field(default_factory=dict)

    def answer(self, request: Mapping[str, Any]) -> dict[str, object]:
        """All facts for the bench that the request names (`"bench"`), or for the first one."""
        engine = self.recorder.engine
        benches = list(engine.state.benches)
        name = request.get("bench") or benches[0]
        if not isinstance(name, str) or name not in engine.state.benches:
            return error(f"There is no bench {name!r}; known are {', '.join(benches)}.")
        bench = engine.state.benches[name]
        so_far = self._so_far()
        context = bench_context(self.recorder, self.store, name)
        now = datetime.fromtimestamp(self.now_s(), engine.station.zone)
        offset = now.utcoffset()
        rules = _rules(self.recorder, name)
        facts: dict[str, object] = {
            "ok": True,
            "station": engine.station.name,
            "bench": name,
            "benches": benches,
            "flow": rules.flow,
            "tags": rules.tags,
            "now": rfc3339(now.timestamp()),
            "utc_offset_s": int(offset.total_seconds()) if offset else 0,
            "clock_doubtful": engine.state.time.doubtful,
            "survey": self._survey(),
            "survey_configured": engine.station.file.survey is not None,
            "species": self._species(bench.species),
            "choices": self._choices(bench.species),
            "instruments": self._instruments(),
            "disk_free_bytes": self._disk_free(),
            "waiting_commits": self.recorder.queue.waiting,
            "database_trouble": _text(self.recorder.queue.trouble),
            "journal_trouble": self.recorder.journal.trouble if self.recorder.journal else None,
            "records_refused": len(self.recorder.refused),
        }
        facts |= self._on_the_bench(bench, context)
        return facts | so_far

    # --- the bench ----------------------------------------------------------------------------------------------

    def _on_the_bench(self, bench: BenchState, context: Context | None) -> dict[str, object]:
        parked = [fish for fish in bench.parked if not fish.questions]
        held = [fish for fish in bench.parked if fish.questions]
        slip = bench.line.slip
        return {
            "in_hand": self._fish(bench.fish, context),
            "parked": [self._fish(fish, context) for fish in parked],
            "held": [self._fish(fish, context) for fish in held],
            "between": [
                {"number": fish.line_no, "says": describe(fish), "fish_id": fish.fish_id}
                for fish in bench.line.queue
            ],
            "owed": len(bench.line.owed),
            "line_slip": slip and {"sentence": slip.sentence, "kind": slip.kind, "number": slip.number},
            "saved": self._saved(bench.saved, context),
            "done": self._done(bench.done_tag, context),
            "batch": _batch(bench.batch),
            "counted": _batch(bench.tally),
            "again": bench.again is not None or bench.line.again is not None,
            "untagged_next": bench.untagged_next,
            "waits_for_tag": bench.grace_until_s is not None,
        }

    def _fish(self, fish: OpenFish | None, context: Context | None) -> dict[str, object] | None:
        if fish is None:
            return None
        length, weight = fish.used("length"), fish.used("weight")
        read = fish.tag_read(fish.tag)
        facts: dict[str, object] = {
            "fish_id": fish.fish_id,
            "line_no": fish.line_no,
            "opened_at": fish.opened.at,
            "last_at": fish.last.at,
            "says": describe(fish),
            "species": self._species(fish.species),
            "species_from": fish.species_from,
            "run_no": fish.run_no,
            "tag": fish.tag,
            "tag_status": read.status.value if read else None,
            "second_tag": fish.second_tag,
            "tags_seen": [seen.tag for seen in fish.tags],
            "length_mm": length.value if length else None,
            "weight_g": weight.value if weight else None,
            "candidates": {
                "length": _value(fish.candidate("length")),
                "weight": _value(fish.candidate("weight")),
            },
            "untagged": fish.untagged,
            "no_weight": fish.no_weight,
            "fate": fish.fate,
            "note": fish.note,
            "observations": [[one.kind, one.text] for one in fish.observations],
            "questions": [
                {
                    "kind": question.kind,
                    "finding": question.finding,
                    "sentence": question.sentence,
                    "suspects": [part.value for part in question.suspects],
                    "proposes": dict(question.proposes),
                    "numbers": dict(question.numbers),
                }
                for question in fish.questions
            ],
            "missing": [],
            "needs": [],
            "findings": [],
            "relative_weight": None,
            "captures": [],
            "captures_left_out": 0,
            "growth": None,
        }
        if context is not None:
            needs = needs_of(fish, context)
            facts["needs"] = [part for part in ("tag", "length", "weight") if getattr(needs, part)]
            facts["missing"] = sorted(part.value for part in missing_parts(fish, context))
            facts["findings"] = [_finding(one) for one in _notices(fish, context)]
            facts["relative_weight"] = _condition(fish.species, _value(length), _value(weight), context)
            facts |= self._history(prior_of(fish), fish, context)
        return facts

    def _history(
        self, prior: tuple[PriorCapture, ...], fish: OpenFish | None, context: Context
    ) -> dict[str, object]:
        """Earlier captures, oldest first, with the growth from each to the next, and to the fish in hand."""
        if not prior:
            return {}
        rows = [
            self._capture(one, before, context)
            for before, one in zip((None, *prior), prior, strict=False)  # each with the one before it
        ][-MOST_CAPTURES:]
        facts: dict[str, object] = {"captures": rows, "captures_left_out": len(prior) - len(rows)}
        if fish is not None:
            facts["growth"] = _growth(
                prior[-1], fish.last.at, _value(fish.used("length")), _value(fish.used("weight"))
            )
        return facts

    def _capture(self, one: PriorCapture, before: PriorCapture | None, context: Context) -> dict[str, object]:
        condition: float | None = None
        try:
            condition = self.store.lookup.relative_weight(one.fish_id)
        except StoreTrouble:
            pass  # the history is known all the same
        if condition is None:
            condition = _condition(one.species, one.length_mm, one.weight_g, context)
        return {
            "at": one.at,
            "water": one.water,
            "species": self._species(one.species),
            "length_mm": one.length_mm,
            "weight_g": one.weight_g,
            "fate": one.fate,
            "relative_weight": condition,
            "withdrawal_until": one.withdrawal_until,
            "growth": _growth(before, one.at, one.length_mm, one.weight_g) if before else None,
        }

    def _saved(self, saved: SavedFish | None, context: Context | None) -> dict[str, object] | None:
        if saved is None:
            return None
        record = saved.record
        history: dict[str, object] = {}
        if context is not None and record.tag is not None and record.tag_status is TagStatus.RECAPTURE:
            try:
                prior = self.store.lookup.captures(record.tag, context.survey.opened_at)
            except StoreTrouble:
                prior = ()
            if prior:
                history = self._history(prior, None, context)
                history["growth"] = _growth(prior[-1], record.worked_up_at, saved.length_mm, saved.weight_g)
        return {
            "fish_id": record.fish_id,
            "at": self.recorder.engine.at(saved.saved_t_s),
            "species": self._species(record.species),
            "tag": record.tag,
            "tag_status": record.tag_status.value,
            "length_mm": saved.length_mm,
            "weight_g": saved.weight_g,
            "relative_weight": record.relative_weight,
            "fate": record.fate,
            "status": record.status.value,
            "rule": record.rule,
            "withdrawal_until": record.withdrawal_until,
            "findings": [_finding(one) for one in record.findings if not one.settled],
            "captures": [],
            "captures_left_out": 0,
            "growth": None,
        } | history

    def _done(self, read: TagRead | None, context: Context | None) -> dict[str, object] | None:
        """A tag that was saved earlier in this survey, read with no fish in hand, and that record."""
        if read is None or context is None:
            return None
        facts: dict[str, object] = {"tag": read.tag, "at": read.ref.at, "fish": None}
        try:
            fish_id = self.store.lookup.in_survey(context.survey.survey_id, read.tag)
            facts["fish"] = self._row(fish_id) if fish_id else None
        except StoreTrouble:
            pass
        return facts | self._history(read.prior, None, context)

    # --- the survey so far ----------------------------------------------------------------------------------------

    def _so_far(self) -> dict[str, object]:
        """Counts by species and the last fish of the survey, as stored; read again only after a change."""
        survey = self.recorder.engine.state.survey
        key = (
            survey and survey.survey_id,
            self.recorder.changed,
            self.recorder.queue.waiting,
            self.recorder.engine.station.species,
        )
        if key[0] is None:
            self._counted, self._tally = (), {"counts": [], "total": 0, "last": []}
        elif key != self._counted:
            try:
                tally = self.store.lookup.survey_tally(str(key[0]), LAST_FISH)
            except StoreTrouble:
                return self._tally or {"counts": [], "total": 0, "last": []}
            counts = [{"species": self._species(slug), "n": n} for slug, n in tally.counts]
            last = [{**row, "species": self._species(row["species"])} for row in tally.last]
            self._tally = {"counts": counts, "total": sum(n for _, n in tally.counts), "last": last}
            self._counted = key
        return self._tally

    def _row(self, fish_id: str) -> dict[str, object] | None:
        row = self.store.lookup.fish_row(fish_id)
        return row and {**row, "species": self._species(row["species"])}

    def _survey(self) -> dict[str, object] | None:
        survey = self.recorder.engine.state.survey
        if survey is None:
            return None
        return {
            "survey_id": survey.survey_id,
            "name": survey.name,
            "water": survey.water,
            "opened_at": survey.opened_at,
            "provisional": survey.provisional,
            "run_no": survey.run_no,
            "run_open": survey.run_open,
            "run_started_at": survey.run_started_at,
            "run_area": survey.run_method.area,
            "work_up_run": survey.work_up_run,
            "withdrawal_until": survey.withdrawal_until(survey.work_up_run),
        }

    def _species(self, slug: str | None) -> dict[str, str] | None:
        return None if slug is None else self._named(slug)

    def _named(self, slug: str) -> dict[str, str]:
        known = self.recorder.engine.station.species.get(slug)
        return {"slug": slug, "common": known.common if known else slug.replace("_", " ")}

    def _choices(self, selected: str | None) -> list[dict[str, str]]:
        """The species that this crew is likely to pick: those of its cards and keys, of this survey, of this bench."""
        engine = self.recorder.engine
        commands = [
            *engine.station.tag_commands.values(),
            *(command for setup in engine.station.instruments for command in setup.keys.values()),
        ]
        slugs = [command.argument for command in commands if command.verb is Verb.SPECIES]
        slugs += [one.species for one in engine.station.benches.values()]
        slugs += [selected, *_seen(self._tally)]
        known = (engine.station.species.find(slug) for slug in slugs if slug)
        chosen = dict.fromkeys(one.slug for one in known if one is not None)
        return [self._named(slug) for slug in list(chosen)[:MOST_CHOICES]]

    # --- the station ------------------------------------------------------------------------------------------------

    def _instruments(self) -> list[dict[str, object]]:
        engine, ports = self.recorder.engine, self.ports()
        shown: list[dict[str, object]] = []
        for setup in engine.station.instruments:
            known, health = engine.state.instruments.get(setup.name), ports.get(setup.name)
            shown.append(
                {
                    "name": setup.name,
                    "kind": setup.declaration.kind,
                    "role": setup.role,
                    "bench": setup.bench,
                    "benches": sorted({setup.bench, *setup.antennas.values()}),
                    "port": health.state.value if health else (known.port if known else "unknown"),
                    "lost": known is not None and known.port == "lost",
                    "silent": known is not None and known.silent,
                    "bytes": health.received if health else None,
                    "last_error": health.last_error if health else None,
                }
            )
        return shown

    def _disk_free(self) -> int | None:
        """Of the fuller of the two places where records and journal lie."""
        station = self.recorder.engine.station
        try:
            return min(shutil.disk_usage(place).free for place in (station.database.parent, station.journal))
        except OSError:
            return None


def bench_context(recorder: Recorder, store: Store, bench: str) -> Context | None:
    """What the rules of this bench would know now, to be asked and never to be changed; None without a survey."""
    engine = recorder.engine
    survey = engine.state.survey
    if survey is None:
        return None
    configured = engine.station.benches.get(bench)
    # A question must not freeze a relation of its own: only the engine's steps may, or a replay would differ.
    frozen: dict[str, Any] = {**dict.fromkeys(engine.station.species.by_slug), **survey.relations}
    return Context(
        station=engine.station.name,
        rules=_rules(recorder, bench),
        limits=engine.station.limits,
        survey=replace(survey, relations=frozen),
        protocol=engine.station.protocol,
        book=engine.station.species,
        lookup=store.lookup,
        length_type=configured.length_type if configured else "TL",
        reader_healthy=True,
        clock_doubtful=engine.state.time.doubtful,
    )


def _rules(recorder: Recorder, bench: str) -> BenchRules:
    configured = recorder.engine.station.benches.get(bench)
    return configured.rules if configured else BenchRules()


def _notices(fish: OpenFish, context: Context) -> list[Finding]:
    found = fish_findings(fish, context)
    return [one for one in found if one.severity is Severity.NOTICE and not one.settled]


def _finding(finding: Finding) -> dict[str, object]:
    return {
        "name": finding.name,
        "severity": finding.severity.value,
        "sentence": finding.sentence,
        "numbers": dict(finding.numbers),
    }


def _condition(
    slug: str | None, length_mm: float | None, weight_g: float | None, context: Context
) -> float | None:
    """Relative weight (%) by the equation in use now; a capture's length counts as of this bench's type."""
    ws_g = standard_weight_of(slug, length_mm, context)
    if ws_g is None or weight_g is None or weight_g <= 0:
        return None
    return round(relative_weight(weight_g, ws_g), 1)


def _growth(
    before: PriorCapture, at: str, length_mm: float | None, weight_g: float | None
) -> dict[str, float | None] | None:
    try:
        days = days_between(before.at, at)
    except ValueError:  # an imported capture may bear a date that is none
        return None
    grown = growth_between(days, before.length_mm, length_mm, before.weight_g, weight_g)
    return {
        "days": grown.days,
        "mm": grown.length_mm,
        "g": grown.weight_g,
        "mm_per_30_days": grown.mm_per_30_days,
        "g_per_30_days": grown.g_per_30_days,
    }


def _batch(tally: Tally | None) -> dict[str, object] | None:
    if tally is None:
        return None
    record = tally.record
    return {
        "batch_id": record.batch_id,
        "kind": record.kind,
        "says": describe_batch(record),
        "species": record.species,
        "n": record.n,
        "awaits": list(tally.awaits),
        "lengths": tally.lengths,
        "measured": sum(reading.kind == "length" for reading in record.readings),
        "total_weight_g": record.total_weight_g,
    }


def _seen(tally: Mapping[str, Any]) -> list[str | None]:
    return [one["species"] and one["species"]["slug"] for one in tally.get("counts", ())]


def _value(measure: Measure | None) -> float | None:
    return measure.value if measure else None


def _text(trouble: object) -> str | None:
    return None if trouble is None else str(trouble)
