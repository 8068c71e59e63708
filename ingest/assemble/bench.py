"""One bench, one fish at a time: whose is this reading?

`Bench` holds the state of one bench and what one step of it gives out. The rules themselves stand in
`tag_rules`, `measure_rules`, `hold_rules`, `command_rules` (one module a part of the job); each rule has a name, and the
record says which rule closed it. Every rule prefers a question now to a silent mix-up.
"""

from dataclasses import dataclass, field

from ingest.assemble.closing import final_status, fish_record
from ingest.assemble.context import Context
from ingest.assemble.facts import missing_parts, recapture_facts, value_findings, zero_finding
from ingest.assemble.habits import note_order
from ingest.assemble.parts import (
    BenchState,
    Mark,
    Measure,
    MeasureKind,
    OpenFish,
    Question,
    Ref,
    SavedFish,
    TagRead,
)
from ingest.records import (
    AddSighting,
    Announcement,
    AttachReading,
    Change,
    Finding,
    FishRecord,
    Part,
    ReadingRecord,
    SaveFish,
    Severity,
    Sound,
    Status,
    derived_id,
    fish_id,
)

BEFORE = "_before"  # ends the name of a notice about a part that failed before the fish was in hand


@dataclass(slots=True)
class Bench:
    """The state of one bench during one step, with what the step gives out, in order."""

    state: BenchState
    context: Context
    step: Ref
    changes: list[Change] = field(default_factory=list)
    announcements: list[Announcement] = field(default_factory=list)

    # --- saying ---------------------------------------------------------------------------------------------

    def say(self, name: str, sound: Sound, sentence: str, at: str, **facts: object) -> None:
        fish = self.state.fish
        self.announcements.append(
            Announcement(name, sound, sentence, self.state.name, at, fish.fish_id if fish else None, facts)
        )

    def say_of(self, of_fish: str, name: str, sound: Sound, sentence: str, at: str, **facts: object) -> None:
        self.announcements.append(Announcement(name, sound, sentence, self.state.name, at, of_fish, facts))

    def say_measure(self, kind: MeasureKind, measure: Measure) -> None:
        word, unit = ("Length", "mm") if kind == "length" else ("Weight", "g")
        sentence = f"{word} {measure.value:g} {unit}."
        self.say("part_taken", Sound.PART, sentence, measure.ref.at, part=kind, value=measure.value)

    # --- the fish in hand -----------------------------------------------------------------------------------

    def open_fish(self, ref: Ref) -> OpenFish:
        """A new fish in hand, opened by this reading. The caller fills in the part."""
        state = self.state
        fish = OpenFish(
            fish_id=fish_id(ref.journal_id, ref.n),
            opened=ref,
            last=ref,
            last_t_s=ref.t_s,
            species=state.species,
            species_from="selected" if state.species else "none",
            run_no=self.context.survey.work_up_run,
            untagged=state.untagged_next,
            reader_lost=not self.context.reader_healthy,
        )
        for failed in state.failed_before:  # a scan that failed just now was this fish's
            if ref.t_s - failed.t_s <= self.context.rules.remeasure_s:
                self.mark(fish, f"{failed.name}{BEFORE}", failed.sentence)
        state.failed_before = []
        state.fish = fish
        state.again = None
        state.done_tag = None
        state.untagged_next = False
        state.grace_until_s = None
        return fish

    def touch(self, fish: OpenFish, ref: Ref) -> None:
        fish.last = ref
        fish.last_t_s = ref.t_s

    def ask(self, fish: OpenFish, question: Question, at: str) -> None:
        """Hold the fish with a question: durable, with its own sound."""
        fish.questions.append(question)
        self.store_unclosed(fish, Status.HELD, question.finding or question.kind)
        self.say(
            "fish_held",
            Sound.HELD,
            question.sentence,
            at,
            question=question.kind,
            finding=question.finding,
            suspects=[part.value for part in question.suspects],
            proposes=dict(question.proposes),
        )

    def store_unclosed(self, fish: OpenFish, status: Status, rule: str) -> None:
        fish.stored = True
        self.changes.append(
            SaveFish(fish_record(fish, self.context, self.state.name, status, rule, closed=False))
        )

    # --- looking at it again after every change ---------------------------------------------------------------

    def review(self, fish: OpenFish, ref: Ref) -> None:
        """Run the checks on what is there; hold, wait for a late tag, or save when nothing is missing."""
        state = self.state
        self._sync_questions(fish, value_findings(fish, self.context), ref)
        if fish.questions:
            self.store_unclosed(fish, Status.HELD, fish.questions[0].finding or fish.questions[0].kind)
            return
        if missing_parts(fish, self.context):
            if fish.stored:
                self.store_unclosed(fish, Status.PARKED, "in_hand")
            return
        if self._may_wait_for_tag(fish):
            if state.grace_until_s is None:
                state.grace_until_s = ref.t_s + self.context.rules.tag_grace_s
            return
        self.close(fish, "complete", ref)

    def _may_wait_for_tag(self, fish: OpenFish) -> bool:
        if fish.tag is not None or fish.untagged or self.context.rules.tags == "first":
            return False
        return self.context.protocol.may_tag(fish.species)

    def _sync_questions(self, fish: OpenFish, findings: tuple[Finding, ...], ref: Ref) -> None:
        serious = {f.name: f for f in findings if f.severity is Severity.SERIOUS and not f.settled}
        fish.questions = [q for q in fish.questions if q.kind != "finding" or q.finding in serious]
        asked = {q.finding for q in fish.questions}
        for finding in serious.values():
            if finding.name not in asked:
                question = Question(
                    "finding",
                    ref.t_s,
                    finding.sentence,
                    finding.name,
                    dict(finding.numbers),
                    finding.suspects,
                    dict(finding.proposes),
                )
                self.ask(fish, question, ref.at)

    # --- closing ------------------------------------------------------------------------------------------------

    def close(self, fish: OpenFish, rule: str, ref: Ref, *, status: Status | None = None) -> None:
        """Close the fish in hand for good: one durable record, then the announcement. `ref` is what closed it."""
        state = self.state
        state.empty_high, off_zero = zero_finding(fish, state.empty_high, self.context)
        if off_zero is not None:
            self.mark(fish, off_zero.name, off_zero.sentence, **off_zero.numbers)
            self.say("scale_not_zeroed", Sound.REMINDER, off_zero.sentence, ref.at)
        note_order(self, fish)
        if status is None:
            status = final_status(fish, self.context)
        record = fish_record(fish, self.context, state.name, status, rule, closed=True)
        self.changes.append(SaveFish(record))
        for read in fish.tags:
            if read.tag not in (fish.tag, fish.second_tag):
                self.sighting(read, "read while another fish was in hand", ref)
        if status is not Status.VOID:
            self._count(fish)
        self._remember(fish, record, ref)
        if state.fish is fish:
            state.fish = None
            state.grace_until_s = None
        self._say_closed(fish, record.status, rule, ref)
        if status is Status.VOID:
            state.saved = None  # it is nobody's echo: the same fish may now be worked up anew

    def _count(self, fish: OpenFish) -> None:
        """Protocols that weigh every n-th fish, or the first of a length class, count the fish before."""
        length = fish.used("length")
        keys = self.context.protocol.weighing_class(
            fish.species, length.value if length else None, fish.used("weight") is not None
        )
        weighed = self.context.survey.weighed
        for key in keys:
            weighed[key] = weighed.get(key, 0) + 1

    def _remember(self, fish: OpenFish, record: FishRecord, ref: Ref) -> None:
        state = self.state
        length, weight = fish.used("length"), fish.used("weight")
        newest = max((m for m in fish.weights if m.load is not None), key=lambda m: m.ref.t_s, default=None)
        state.saved = SavedFish(
            record=record,
            saved_t_s=ref.t_s,
            tags=tuple(tag for tag in (fish.tag, fish.second_tag) if tag),
            length_mm=length.value if length else None,
            weight_g=weight.value if weight else None,
            weight_division_g=weight.division if weight else 1.0,
            load=newest.load if newest else None,
            scale=newest.ref.instrument if newest else None,
            tag_t_s=max((read.last_t_s for read in fish.tags), default=None),
            last_kind=_last_kind(length, weight),
        )

    def _say_closed(self, fish: OpenFish, status: Status, rule: str, ref: Ref) -> None:
        saved = self.state.saved
        assert saved is not None
        record = saved.record
        what = describe(fish)
        facts: dict[str, object] = {
            "status": status.value,
            "rule": rule,
            "species": record.species,
            "tag": record.tag,
            "tag_status": record.tag_status.value,
            "length_mm": record.length_mm,
            "weight_g": record.weight_g,
            "relative_weight": record.relative_weight,
            "fate": record.fate,
            "findings": [f.name for f in record.findings],
        }
        facts.update(recapture_facts(fish))
        if record.withdrawal_until is not None:
            facts["drug_treated_until"] = record.withdrawal_until
            what += f"; drug-treated, not to be eaten before {record.withdrawal_until}"
        if status is Status.VOID:
            self.say_of(fish.fish_id, "fish_void", Sound.NONE, f"Void: {what}.", ref.at, **facts)
        elif status is Status.QUERIED:
            self.say_of(
                fish.fish_id, "fish_saved", Sound.SAVED, f"Saved with a query: {what}.", ref.at, **facts
            )
        elif status is Status.INCOMPLETE:
            missing = ", ".join(part.value for part in missing_parts(fish, self.context))
            said = f"Saved without {missing}: {what}." if missing else f"Saved as far as it got: {what}."
            self.say_of(fish.fish_id, "fish_saved", Sound.SAVED, said, ref.at, missing=missing, **facts)
        else:
            self.say_of(fish.fish_id, "fish_saved", Sound.SAVED, f"Saved: {what}.", ref.at, **facts)

    def close_as_it_is(self, fish: OpenFish, rule: str, ref: Ref) -> None:
        """The crew went on: close this fish as far as it got, with a reminder where its tag was never read."""
        missing = missing_parts(fish, self.context)
        if Part.TAG in missing and not fish.tags:
            self.mark(fish, "tag_not_read", "The tag of this fish was not read before the crew went on.")
        self.close(fish, rule, ref)
        if Part.TAG in missing and not fish.tags:
            self.say_of(
                fish.fish_id,
                "tag_not_read",
                Sound.REMINDER,
                "The fish before went back without a tag read.",
                ref.at,
            )

    def release_candidates(self, fish: OpenFish, rule: str, ref: Ref) -> OpenFish:
        """The doubtful new values were the next fish's: close the held fish, open the next one with them."""
        candidates = [(kind, m) for kind, m in fish.measures() if m.role == "candidate"]
        candidates.sort(key=lambda pair: (pair[1].ref.t_s, pair[1].ref.n))
        fish.lengths = [m for m in fish.lengths if m.role != "candidate"]
        fish.weights = [m for m in fish.weights if m.role != "candidate"]
        self.close_as_it_is(fish, rule, ref)
        first = candidates[0][1].ref
        follower = self.open_fish(first)
        for kind, measure in candidates:
            measure.role = "used"
            for older in follower.trail(kind):
                older.role = "replaced"
            follower.trail(kind).append(measure)
            self.touch(follower, measure.ref)
        if rule != "next":
            values = ", ".join(f"{m.value:g} {'mm' if kind == 'length' else 'g'}" for kind, m in candidates)
            self.mark(
                follower,
                "began_with_doubtful_value",
                f"{values} was measured while the fish before was held, and was given to this fish.",
            )
        return follower

    def park(self, fish: OpenFish, rule: str, ref: Ref) -> None:
        """Take a fish off the bench without closing it: durable, listed, waiting for its tag or `resume`."""
        state = self.state
        held = bool(fish.questions)
        self.store_unclosed(fish, Status.HELD if held else Status.PARKED, rule)
        state.parked.append(fish)
        if state.fish is fish:
            state.fish = None
            state.grace_until_s = None
        self.say_of(
            fish.fish_id,
            "fish_parked",
            Sound.REMINDER,
            f"Parked: {describe(fish)}. Scan its tag or give 'resume' to go on with it.",
            ref.at,
            rule=rule,
        )

    # --- small helpers ----------------------------------------------------------------------------------------

    def mark(self, fish: OpenFish, name: str, sentence: str, **numbers: float | str) -> None:
        """Leave a notice on the fish, once."""
        if all(mark.name != name for mark in fish.marks):
            fish.marks.append(Mark(name, Severity.NOTICE, sentence, dict(numbers)))

    def part_failed(self, name: str, sentence: str) -> None:
        """Leave a notice on the fish in hand that goes away when the part comes after all."""
        fish = self.state.fish
        if fish is not None:
            self.mark(fish, name, sentence)
        else:
            self.state.note_failure(name, sentence, self.step.t_s)

    def part_came(self, fish: OpenFish, failure: str) -> None:
        """What failed before has come: nothing is left to say (`failure` begins the names of its notices)."""
        fish.marks = [mark for mark in fish.marks if not mark.name.startswith(failure)]

    def attach(self, of_fish: str, reading: ReadingRecord) -> None:
        self.changes.append(AttachReading(of_fish, reading))

    def sighting(self, read: TagRead, why: str, ref: Ref) -> None:
        self.changes.append(
            AddSighting(
                derived_id(f"sighting {read.tag}", read.ref.journal_id, read.ref.n),
                self.context.survey.survey_id,
                read.tag,
                read.ref.at,
                read.ref.instrument,
                why,
                read.ref.journal_id,
                read.ref.n,
            )
        )


def _last_kind(length: Measure | None, weight: Measure | None) -> MeasureKind | None:
    if length is None or weight is None:
        return None
    return "length" if length.ref.t_s > weight.ref.t_s else "weight"


def describe(fish: OpenFish) -> str:
    """The fish in a few words: `largemouth bass 312 mm, 412 g, tag ...9012`."""
    length, weight = fish.used("length"), fish.used("weight")
    parts = [
        f"{length.value:g} mm" if length else None,
        f"{weight.value:g} g" if weight else None,
        f"tag ...{fish.tag[-4:]}" if fish.tag else None,
    ]
    name = (fish.species or "species not chosen").replace("_", " ")
    values = ", ".join(part for part in parts if part)
    return f"{name} {values}" if values else name
