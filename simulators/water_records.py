"""From an invented animal in the crew's hands to the changes that a station would store for it."""

import json
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from random import Random
from typing import Literal

from fishery.single import Relation, fit_length_weight, relative_weight, standard_weight_g
from ingest.catch_records import BatchReading, BatchRecord, SaveBatch
from ingest.checks import FishFacts, Limits, check_fish, too_coarse
from ingest.records import (
    AddSighting,
    Amend,
    Change,
    Finding,
    FishRecord,
    Observation,
    PriorCapture,
    ReadingRecord,
    ReadingRole,
    SaveFish,
    Severity,
    Status,
    TagRole,
    TagStatus,
    derived_id,
    fish_id,
    individual_id,
)
from ingest.species import Species
from ingest.store import FrameRow
from simulators.water_life import Animal
from simulators.water_plan import Plan, Population, StockSeen

MARK, MARK_CODE = "left pelvic clip", "LP"
CONTAINER_G = 850.0
_LIMITS = Limits()
_ODD_SHARE = 0.35  # of the weight that the fish should have: far below relative weight 40
_RELATION_FISH = 200
_NO_LINE = (-5.0, 3.1)  # a fish of middling shape (our choice), for species without a standard weight
_OFFICE = "invented office"


@dataclass(slots=True)
class Desk:
    """Where the records of one survey are written, run by run. `changes` and `frames` are what came since the last
    `take`."""

    plan: Plan
    rng: Random
    species: Mapping[str, Species | None]
    tags: Iterator[str]
    journal_id: str
    survey_id: str
    year: float
    stocks: dict[str, StockSeen]
    pairs: dict[str, list[tuple[float, float]]]
    now: datetime
    n: int = 1
    run_no: int | None = None
    pass_no: int = 1
    pace_s: float = 20.0
    fish: int = 0
    void: int = 0
    in_batches: dict[str, int] = field(default_factory=dict)
    new_tags: list[str] = field(default_factory=list)
    animal_of: dict[str, int] = field(default_factory=dict)
    changes: list[Change] = field(default_factory=list)
    frames: list[FrameRow] = field(default_factory=list)
    _relations: dict[str, Relation | None] = field(default_factory=dict)
    _withdrawal: str | None = None

    def __post_init__(self) -> None:
        if self.plan.treatment is not None:
            last = self.now.date() + timedelta(days=self.plan.treatment[1])
            self._withdrawal = date.isoformat(last)

    @property
    def at(self) -> str:
        """The time now, RFC 3339 UTC. strftime takes four times as long, and each fish asks for it several times."""
        now = self.now
        return (
            f"{now.year}-{now.month:02d}-{now.day:02d}T{now.hour:02d}:{now.minute:02d}:{now.second:02d}"
            f".{now.microsecond // 1000:03d}Z"
        )

    def take(self) -> tuple[list[Change], list[FrameRow]]:
        taken = self.changes, self.frames
        self.changes, self.frames = [], []
        return taken

    def step(self) -> int:
        self.n += 1
        return self.n

    def work_up(self, animals: Sequence[Animal]) -> None:
        """The catch of one run: measured fish one by one, the others counted or weighed together by species."""
        together: dict[str, list[Animal]] = {}
        for animal in animals:
            seen = self.stocks[animal.stock.species]
            seen.caught += 1
            seen.by_pass[self.pass_no] = seen.by_pass.get(self.pass_no, 0) + 1
            seen.recaptured += animal.last is not None
            if animal.stock.handling == "measured":
                self._measured(animal, seen)
            else:
                together.setdefault(animal.stock.species, []).append(animal)
            if animal.stock.fate != "released":
                animal.alive = False
                seen.removed += 1
        for group in together.values():
            self._together(group)

    def _measured(self, animal: Animal, seen: StockSeen) -> None:
        flaws, rng = self.plan.flaws, self.rng
        hand = _Hand(self, animal)
        drawn = rng.random()
        if animal.tag is not None and drawn < flaws.escaped:
            hand.escaped()
            return
        hand.tag(seen, missed=rng.random() < flaws.missed_scan)
        if rng.random() < flaws.odd:
            hand.weight_share = _ODD_SHARE
        hand.measure(missed_weighing=rng.random() < flaws.missed_weighing)
        if animal.stock.fate == "released" and rng.random() < flaws.died:
            hand.fate = "died"
            animal.alive = False
            seen.died += 1
        hand.save(amended=rng.random() < flaws.amended)
        if animal.tag is not None and hand.tag_read and rng.random() < flaws.twice:
            again = _Hand(self, animal)
            again.tag_repeat()
            again.measure(missed_weighing=False)
            again.fate = hand.fate
            again.save(amended=False)
        if rng.random() < flaws.void:
            touch = _Hand(self, animal)
            touch.tag_status = TagStatus.NONE_FOUND
            touch.measure(missed_weighing=False)
            touch.void()

    def relation(self, slug: str) -> Relation | None:
        """This water's own relation as it was known before the survey, from the newest fish."""
        if slug not in self._relations:
            pairs = self.pairs.get(slug, [])[-_RELATION_FISH:]
            one = self.species.get(slug)
            prior = one.recommended if one else None
            self._relations[slug] = fit_length_weight([mm for mm, _ in pairs], [g for _, g in pairs], prior)
        return self._relations[slug]

    def read_length(self, length_mm: float) -> float:
        said = self.rng.gauss(length_mm, self.plan.length_sd_mm)
        return round(round(said / 2.54) * 2.54, 6) if self.plan.unit == "in" else float(round(said))

    def read_weight(self, weight_g: float) -> float:
        step = self.plan.scale_step_g
        return round(max(1, round(weight_g / step)) * step, 7)

    def true_weight(self, stock: Population, length_mm: float, share: float = 1.0) -> float:
        one = self.species.get(stock.species)
        line = one.recommended if one else None
        a, b, c = (line.log10_a, line.b, line.c) if line else (*_NO_LINE, 0.0)
        x = math.log10(length_mm)
        log_g = self.rng.gauss(a + b * x + c * x * x, stock.wr_sd_log10)
        return float(10**log_g) * share * stock.wr / 100

    def reading(
        self,
        kind: Literal["tag", "length", "weight"],
        said: tuple[float | None, str | None],
        role: ReadingRole = "used",
    ) -> ReadingRecord | None:
        """A part of a fish comes in; its reading and frame if the plan keeps where values come from."""
        n = self.step()
        if not self.plan.provenance:
            return None
        value, text = said
        plan = self.plan
        instrument, raw = "reader", f"{text}\r\n"
        unit: str | None = None
        division: float | None = None
        if kind == "length" and value is not None:
            inch = plan.unit == "in"
            words = f"{value / 25.4:.1f} in" if inch else f"{value:.0f} mm"
            instrument, raw, unit, division = "board", f"{words}\r\n", plan.unit, 2.54 if inch else 1.0
        elif kind == "weight" and value is not None:
            raw = f"ST,+{value / _GRAMS[plan.scale_unit]:08.3f} {plan.scale_unit}\r\n"
            instrument, unit, division = "scale", plan.scale_unit, plan.scale_step_g
        self.frames.append(FrameRow(self.journal_id, n, self.at, instrument, raw.encode()))
        return ReadingRecord(
            kind, role, self.journal_id, n, self.at, instrument, raw.encode(), value, text, unit, division,
            n if kind == "weight" else None, 0.0 if kind == "weight" else None,
        )  # fmt: skip

    def _together(self, animals: Sequence[Animal]) -> None:
        stock, n = animals[0].stock, self.step()
        self.now += timedelta(seconds=10)
        batched = stock.handling == "batched"
        readings: list[BatchReading] = []
        total = None
        if batched:
            true = [(animal.length_mm(self.year)) for animal in animals]
            total = self.read_weight(sum(self.true_weight(stock, mm) for mm in true))
            lengths = [self.read_length(mm) for mm in true[:10]]
            parts: list[tuple[Literal["length", "gross", "container"], float, str, str]] = [
                ("container", CONTAINER_G, "g", "scale"),
                ("gross", CONTAINER_G + total, "g", "scale"),
                *(("length", mm, self.plan.unit, "board") for mm in lengths),
            ]
            for kind, value, unit, instrument in parts:
                raw = f"{value:g}\r\n".encode()
                readings.append(
                    BatchReading(kind, value, unit, self.journal_id, self.step(), self.at, instrument, raw)
                )
        self.in_batches[stock.species] = self.in_batches.get(stock.species, 0) + len(animals)
        record = BatchRecord(
            derived_id("batch", self.journal_id, n), self.journal_id, n, "main", self.survey_id, self.run_no,
            self.at, "batch" if batched else "count", stock.species, len(animals), total,
            CONTAINER_G if batched else None, stock.fate, None, True, tuple(readings),
        )  # fmt: skip
        self.changes.append(SaveBatch(record))


_GRAMS = {"g": 1.0, "kg": 1000.0, "lb": 453.59237, "oz": 28.349523125}


class _Hand:
    """One animal in hand, up to its record."""

    def __init__(self, desk: Desk, animal: Animal) -> None:
        self.desk, self.animal = desk, animal
        desk.now += timedelta(seconds=desk.pace_s)
        self.opened_at, self.opened_n = desk.at, desk.n + 1
        self.fate: str = animal.stock.fate
        self.tag_status = TagStatus.NONE_FOUND
        self.tag_read: str | None = None
        self.weight_share = 1.0
        self.length_mm: float | None = None
        self.weight_g: float | None = None
        self.marks: list[Finding] = []
        self.missing = False
        self.rule = "complete"
        self.readings: list[ReadingRecord | None] = []
        self.prior: tuple[PriorCapture, ...] = ()

    def tag(self, seen: StockSeen, *, missed: bool) -> None:
        animal, stock, desk = self.animal, self.animal.stock, self.desk
        before = animal.length_mm(desk.year)
        wanted = animal.tag is not None or (stock.tag_from_mm is not None and before >= stock.tag_from_mm)
        if not wanted:
            return
        if missed:
            seen.not_scanned += 1
            self.tag_status, self.missing, self.rule = TagStatus.NOT_SCANNED, True, "other_value_opens_next"
            self.marks.append(
                _notice("tag_not_read", "The tag of this fish was not read before the crew went on.")
            )
            return
        if animal.tag is None:
            if desk.rng.random() >= stock.tag_share:
                return
            animal.tag = next(desk.tags)
            animal.known_by = individual_id(animal.tag)
            animal.second_mark = animal.second_mark or desk.rng.random() < stock.second_mark
            seen.newly_tagged += 1
            desk.new_tags.append(animal.tag)
            self.tag_status = TagStatus.NEW
        else:
            self.tag_status = TagStatus.RECAPTURE
            self.prior = (animal.last,) if animal.last else ()
        self._read_tag()

    def tag_repeat(self) -> None:
        self.tag_status = TagStatus.REPEAT
        self.prior = (self.animal.last,) if self.animal.last else ()
        self._read_tag()
        said = f"Tag {self.tag_read} was already saved in this survey."
        self.marks.append(_notice("already_done", said, tag=str(self.tag_read)))

    def _read_tag(self) -> None:
        self.tag_read = self.animal.tag
        self.readings.append(self.desk.reading("tag", (None, self.tag_read)))

    def escaped(self) -> None:
        self.tag_status, self.fate, self.missing, self.rule = TagStatus.RECAPTURE, "escaped", True, "escaped"
        self.prior = (self.animal.last,) if self.animal.last else ()
        self._read_tag()
        self.save(amended=False)

    def measure(self, *, missed_weighing: bool) -> None:
        desk, stock = self.desk, self.animal.stock
        true_mm = self.animal.length_mm(desk.year)
        self.length_mm = max(desk.read_length(true_mm), 25.4)
        self.readings.append(desk.reading("length", (self.length_mm, None)))
        if stock.weighed < 1 and desk.rng.random() >= stock.weighed:
            return
        if missed_weighing:
            self.missing, self.rule = True, "next"
            return
        self.weight_g = desk.read_weight(desk.true_weight(stock, true_mm, self.weight_share))
        desk.now += timedelta(seconds=6)

    def save(self, *, amended: bool) -> None:
        desk, weight_g = self.desk, self.weight_g
        low, slip = self._slip()
        outcome = desk.rng.random()  # of a slip: half are mended at the bench, a quarter by the office
        mended = slip is not None and outcome < 0.5
        status = Status.INCOMPLETE if self.missing else Status.SAVED
        if slip is not None:
            self.readings.append(desk.reading("weight", (low, None), "replaced" if mended else "used"))
        if slip is not None and mended:
            said = f"weight slip: {low:g} g became {weight_g:g} g by a new measure."
            numbers = {"first": low, "then": weight_g or 0.0}
            self.marks += [
                replace(slip, suspects=(), proposes={}, settled=True),
                Finding("weight_mended", Severity.NOTICE, said, {**numbers, "why": "agrees_with_proposal"}),
            ]
        elif slip is not None:
            self.weight_g, status, self.rule = low, Status.QUERIED, "other_value_opens_next"
        if weight_g is not None and (slip is None or mended):
            self.readings.append(desk.reading("weight", (weight_g, None)))
        found = list(self._findings(self.weight_g))
        if slip is None and any(one.severity is Severity.SERIOUS for one in found):
            status = Status.QUERIED if self.missing else Status.CONFIRMED
            if status is Status.CONFIRMED:
                found = [replace(one, settled=one.severity is Severity.SERIOUS) for one in found]
        record = self._record(status, found)
        desk.changes.append(SaveFish(record))
        desk.fish += 1
        if desk.plan.provenance:
            desk.animal_of[record.fish_id] = self.animal.number
        if slip is not None and outcome >= 0.75:
            right = {"weight_g": weight_g, "status": "saved"}
            self._amend(record, right, "compared with the field sheet", "office")
        elif amended and self.length_mm is not None and slip is None:
            right = {"length_mm": desk.read_length(self.length_mm + 4)}
            self._amend(record, right, "measured again", "crew")
        self._remember(record)

    def _slip(self) -> tuple[float, Finding | None]:
        """A tenth of the weight, as a slipped decimal shows it, and what the check says; mostly there is none."""
        desk, weight_g = self.desk, self.weight_g
        if weight_g is None or weight_g < 100 or self.missing or desk.rng.random() >= desk.plan.flaws.slipped:
            return 0.0, None
        low = desk.read_weight(weight_g / 10)
        serious = (one for one in self._findings(low) if one.severity is Severity.SERIOUS)
        return low, next(serious, None)

    def void(self) -> None:
        record = self._record(Status.SAVED, list(self._findings(self.weight_g)))
        self.desk.changes.append(SaveFish(record))
        self.desk.fish += 1
        self.desk.void += 1
        self._amend(record, {"void": "1"}, "a hand on the board", "crew")

    def _findings(self, weight_g: float | None) -> tuple[Finding, ...]:
        desk, slug = self.desk, self.animal.stock.species
        if self.length_mm is None and weight_g is None and not self.prior:
            return ()
        one = desk.species.get(slug)
        line = one.recommended if one else None
        ws_g = standard_weight_g(line, self.length_mm) if line and self.length_mm else None
        facts = FishFacts(
            one, self.length_mm, weight_g, desk.plan.scale_step_g, ws_g, desk.relation(slug), self.tag_read, self.prior,
            False, desk.at, line,
        )  # fmt: skip
        return check_fish(facts, _LIMITS)

    def _wr(self, length_mm: float | None, weight_g: float | None) -> float | None:
        one = self.desk.species.get(self.animal.stock.species)
        line = one.recommended if one else None
        ws_g = standard_weight_g(line, length_mm) if line and length_mm else None
        if ws_g is None or weight_g is None or too_coarse(weight_g, self.desk.plan.scale_step_g, _LIMITS):
            return None
        return round(relative_weight(weight_g, ws_g), 1)

    def _record(self, status: Status, found: list[Finding]) -> FishRecord:
        desk, animal = self.desk, self.animal
        seen = []
        if animal.second_mark and self.tag_status is not TagStatus.NOT_SCANNED:
            seen.append(Observation("mark", MARK, MARK_CODE))
        if animal.stocked and self.length_mm is not None:
            seen.append(Observation("mark", animal.stock.stocked_mark))
        quality: Literal["measured", "too_coarse", "not_weighed"] = "not_weighed"
        if self.weight_g is not None:
            coarse = too_coarse(self.weight_g, desk.plan.scale_step_g, _LIMITS)
            quality = "too_coarse" if coarse else "measured"
        tags: tuple[tuple[str, TagRole], ...] = ((self.tag_read, "primary"),) if self.tag_read else ()
        return FishRecord(
            fish_id=fish_id(desk.journal_id, self.opened_n),
            journal_id=desk.journal_id,
            opened_n=self.opened_n,
            station=desk.plan.station,
            bench="main",
            survey_id=desk.survey_id,
            run_no=desk.run_no,
            opened_at=self.opened_at,
            worked_up_at=desk.at,
            species=animal.stock.species,
            species_from="history" if self.prior else "selected",
            tag=self.tag_read,
            tag_status=self.tag_status,
            tags=tags,
            individual_id=animal.known_by if self.tag_read else None,
            length_mm=self.length_mm,
            length_type=None if self.length_mm is None else "TL",
            length_unit=None if self.length_mm is None else desk.plan.unit,
            weight_g=self.weight_g,
            weight_quality=quality,
            relative_weight=self._wr(self.length_mm, self.weight_g),
            fate=self.fate,
            status=status,
            closed=True,
            rule=self.rule,
            note=None,
            observations=tuple(seen),
            readings=tuple(one for one in self.readings if one is not None),
            findings=(*found, *self.marks),
            withdrawal_until=desk._withdrawal,
        )

    def _amend(self, record: FishRecord, new: Mapping[str, float | str | None], why: str, who: str) -> None:
        desk, n = self.desk, self.desk.step()
        changed = dict(new)
        if "void" not in changed:
            length = changed.get("length_mm", record.length_mm)
            weight = changed.get("weight_g", record.weight_g)
            assert not isinstance(length, str)
            assert not isinstance(weight, str)
            changed["relative_weight"] = self._wr(length, weight)
        journal_id = desk.journal_id if who == "crew" else derived_id(_OFFICE, desk.journal_id, 0)
        for index, (name, value) in enumerate(changed.items()):
            old = "0" if name == "void" else _text(getattr(record, name))
            if old == _text(value):
                continue
            reason = "follows the correction" if name == "relative_weight" else why
            amendment_id = derived_id("amendment", journal_id, n, index)
            desk.changes.append(
                Amend(
                    amendment_id, record.fish_id, desk.at, who, reason, name, old, _text(value), journal_id, n
                )
            )

    def _remember(self, record: FishRecord) -> None:
        desk, animal = self.desk, self.animal
        if record.tag is not None:
            animal.last = PriorCapture(
                record.worked_up_at, desk.plan.water, desk.survey_id, record.species,
                record.length_mm, record.weight_g, record.fate, record.individual_id, record.fish_id,
            )  # fmt: skip
        if (
            record.length_mm
            and record.weight_g
            and record.weight_quality == "measured"
            and record.status is Status.SAVED
        ):
            pairs = desk.pairs.setdefault(animal.stock.species, [])
            pairs.append((record.length_mm, record.weight_g))
            if len(pairs) > 4 * _RELATION_FISH:
                del pairs[:-_RELATION_FISH]


def sighting(desk: Desk, tag: str) -> AddSighting:
    """A tag that a reader beside the bench saw."""
    n = desk.step()
    return AddSighting(
        derived_id(f"sighting {tag}", desk.journal_id, n), desk.survey_id, tag, desk.at, "release reader",
        "looked up", desk.journal_id, n,
    )  # fmt: skip


def journal_of(plan: Plan, seed: int, number: int) -> str:
    """The journal of one survey of an invented water."""
    return derived_id("invented journal", json.dumps([plan.water, plan.station, seed]), number)


def _notice(name: str, sentence: str, **numbers: float | str) -> Finding:
    return Finding(name, Severity.NOTICE, sentence, numbers)


def _text(value: float | str | None) -> str | None:
    return value if value is None or isinstance(value, str) else f"{value:.10g}"
