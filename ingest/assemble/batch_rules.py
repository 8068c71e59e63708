"""Fish that nobody measures one by one: counted, or weighed together in a container with a subsample measured.

The batch in hand takes what its command asked for: the next weight (first the empty container, then all of it), the
lengths of the board. It ends when its weight is in, with `next`, with the tag of a fish, or after `open_limit_s`.
What was counted last may be corrected as long as nothing else came: `void`, and, with no fish in hand, `species-once`,
`fate`, `note`.
"""

from dataclasses import replace
from typing import TYPE_CHECKING, Literal

from ingest.assemble.facts import local_relation
from ingest.assemble.parts import BatchWeight, Measure, MeasureKind, Ref, Tally
from ingest.catch_records import AmendBatch, BatchReading, BatchRecord, SaveBatch
from ingest.commands import FROM_BOARD, FROM_SCALE, Command, Verb
from ingest.records import Sound, derived_id

if TYPE_CHECKING:
    from ingest.assemble.bench import Bench


def takes_command(bench: "Bench", command: Command, ref: Ref) -> bool:
    """Whether this command is about a batch or a count; if so it is carried out."""
    state = bench.state
    if command.verb in (Verb.COUNT, Verb.BATCH):
        _begin(bench, command, ref)
        return True
    target = state.tally or state.batch
    if command.verb is Verb.VOID and target is not None:
        _void(bench, target, ref)
    elif command.verb is Verb.NEXT and state.batch is not None and state.fish is None:
        end_batch(bench, ref)
    elif command.verb in _FIELDS and target is not None and state.fish is None and not state.line.queue:
        _correct(bench, target, command, ref)
    else:
        state.tally = None
        return False
    return True


def takes_measure(bench: "Bench", kind: MeasureKind, measure: Measure) -> bool:
    """Whether this length or weight is the batch's. If not, the crew went on and the batch ends as far as it got."""
    ref = measure.ref
    state = bench.state
    batch = state.batch
    if batch is not None and kind == "length" and batch.lengths:
        _read(batch, "length", measure)
        n = sum(reading.kind == "length" for reading in batch.record.readings)
        sentence = f"Length {measure.value:g} mm, {n} of the subsample."
        bench.say("part_taken", Sound.PART, sentence, ref.at, part="length", value=measure.value)
        _save(bench, batch)
        return True
    if batch is not None and kind == "weight" and batch.awaits:
        _weigh(bench, batch, measure)
        return True
    if kind == "weight" and state.tally is not None and _is_echo(bench, state.tally, measure):
        return True
    end_batch(bench, ref)
    state.tally = None
    return False


def end_batch(bench: "Bench", ref: Ref) -> None:
    """The batch in hand, if there is one, is closed as far as it got."""
    batch = bench.state.batch
    if batch is None:
        return
    batch.record = replace(batch.record, closed=True)
    bench.state.batch, bench.state.tally = None, batch
    _save(bench, batch)
    missing = " without its weight" if batch.awaits else ""
    bench.say(
        "batch_saved",
        Sound.REMINDER if missing else Sound.SAVED,
        f"Saved{missing}: {describe(batch.record)}.",
        ref.at,
        **_facts(batch.record),
    )


def before_tag(bench: "Bench", tag: str, ref: Ref) -> None:
    """A tag is a single fish, unless it is that of the fish saved last, which still lies by the antenna."""
    state = bench.state
    if state.fish is None and state.saved is not None and tag in state.saved.tags:
        return
    over(bench, ref)


def over(bench: "Bench", ref: Ref) -> None:
    """Something else began, such as a single fish with its tag: the batch in hand is over."""
    end_batch(bench, ref)
    bench.state.tally = None


def describe(record: BatchRecord) -> str:
    """The batch in a few words: `batch of 40 bluegill, 1300 g`."""
    name = (record.species or "fish, species not chosen").replace("_", " ")
    parts = [f"batch of {record.n} {name}" if record.kind == "batch" else f"{record.n} {name} counted"]
    if record.total_weight_g is not None:
        parts.append(f"{record.total_weight_g:g} g")
    lengths = sum(reading.kind == "length" for reading in record.readings)
    if lengths:
        parts.append(f"{lengths} measured")
    return ", ".join(parts)


def on_time(bench: "Bench", ref: Ref) -> None:
    """The batch in hand was left: it must not take what the next fish weighs."""
    batch = bench.state.batch
    if batch is not None and batch.last_t_s + bench.context.rules.open_limit_s <= ref.t_s:
        end_batch(bench, ref)


def _begin(bench: "Bench", command: Command, ref: Ref) -> None:
    state, context = bench.state, bench.context
    options = command.options()
    written = command.species()
    species = context.book.find(written) if written else None
    if written and species is None:
        _refuse(bench, f"No species '{written}' is known: look at its name in config/species.", ref)
        return
    slug = species.slug if species else state.species
    lengths = options.get("lengths", "")
    awaits: list[BatchWeight] = []
    if options.get("container") == FROM_SCALE:
        awaits.append("container")
    if options.get("weight") == FROM_SCALE:
        awaits.append("gross")
    if (awaits or lengths == FROM_BOARD) and (state.fish is not None or state.line.queue or state.line.owed):
        _refuse(bench, "A fish is in hand: finish it first, then give the batch that is to be measured.", ref)
        return
    n = command.number()
    record = BatchRecord(
        batch_id=derived_id("batch", ref.journal_id, ref.n),
        journal_id=ref.journal_id,
        opened_n=ref.n,
        bench=state.name,
        survey_id=context.survey.survey_id,
        run_no=context.survey.work_up_run,
        at=ref.at,
        kind="batch" if n is None else "count",
        species=slug,
        n=int(options["count"]) if n is None else n,
        total_weight_g=None,
        container_g=None,
        fate=options.get("fate") or context.protocol.fate(slug),
        note=options.get("note"),
        closed=False,
        readings=tuple(
            _typed("length", float(mm), ref) for mm in lengths.split(",") if mm and mm != FROM_BOARD
        )
        + tuple(
            _typed(kind, float(options[key]), ref)
            for kind, key in _TYPED
            if options.get(key, FROM_SCALE) != FROM_SCALE
        ),
    )
    record = _summed(record, awaits)
    if record.total_weight_g is not None and record.total_weight_g <= 0:
        _refuse(bench, "The batch weighs no more than its container: look at both weights.", ref)
        return
    if record.kind == "batch":
        end_batch(bench, ref)
    tally = Tally(record, ref.t_s, awaits, lengths == FROM_BOARD)
    if awaits or tally.lengths:
        state.batch, state.tally = tally, None
        _save(bench, tally)
        bench.say("batch_begun", Sound.PART, f"{_asks(tally)}: {describe(record)}.", ref.at, **_facts(record))
        return
    tally.record = replace(record, closed=True)
    state.tally = tally
    _save(bench, tally)
    name = "batch_saved" if record.kind == "batch" else "fish_counted"
    bench.say(name, Sound.SAVED, f"Saved: {describe(record)}.", ref.at, **_facts(record))


def _weigh(bench: "Bench", batch: Tally, measure: Measure) -> None:
    ref = measure.ref
    kind = batch.awaits[0]
    _read(batch, kind, measure)
    batch.load, batch.scale = measure.load, ref.instrument
    batch.record = _summed(batch.record, batch.awaits[1:])
    if batch.record.total_weight_g is not None and batch.record.total_weight_g <= 0:
        sentence = (
            f"{measure.value:g} g is no more than the container alone: put the batch on, in its container."
        )
        bench.say("batch_too_light", Sound.TROUBLE, sentence, ref.at)
        _save(bench, batch)
        return
    del batch.awaits[0]
    word = "Container" if kind == "container" else "Batch"
    sentence = f"{word} {measure.value:g} g."
    bench.say("part_taken", Sound.PART, sentence, ref.at, part=kind, value=measure.value)
    if batch.awaits:
        _save(bench, batch)
    elif batch.record.total_weight_g is not None or not batch.lengths:
        end_batch(bench, ref)
    else:
        _save(bench, batch)


def _is_echo(bench: "Bench", tally: Tally, measure: Measure) -> bool:
    """The load that the batch was weighed with, once more."""
    weights = [reading.value for reading in tally.record.readings if reading.kind != "length"]
    if tally.scale != measure.ref.instrument or not weights:
        return False
    same_load = measure.load is not None and measure.load == tally.load
    soon = measure.ref.t_s - tally.last_t_s <= bench.context.rules.echo_s
    return same_load or (soon and abs(weights[-1] - measure.value) <= measure.division / 2)


def _void(bench: "Bench", tally: Tally, ref: Ref) -> None:
    state = bench.state
    if tally is state.batch:
        tally.record = replace(tally.record, closed=True)
        _save(bench, tally)
        state.batch = None
    _amend(bench, tally.record, "void", "0", "1", ref)
    state.tally = None
    bench.say("batch_void", Sound.SAVED, f"Void: {describe(tally.record)}.", ref.at, **_facts(tally.record))


def _correct(bench: "Bench", tally: Tally, command: Command, ref: Ref) -> None:
    """A command of `this fish` with no fish in hand, right after a batch: it is about the batch."""
    name = _FIELDS[command.verb]
    new = command.argument or ""
    if command.verb is Verb.SPECIES_ONCE:
        species = bench.context.book.find(new)
        if species is None:
            _refuse(bench, f"No species '{new}' is known: look at its name in config/species.", ref)
            return
        new = species.slug
    old = {"species": tally.record.species, "fate": tally.record.fate, "note": tally.record.note}[name]
    if name == "note" and old:
        new = f"{old}; {new}"
    changed = {
        "species": replace(tally.record, species=new),
        "fate": replace(tally.record, fate=new),
        "note": replace(tally.record, note=new),
    }[name]
    if tally.record.closed:
        _amend(bench, tally.record, name, old, new, ref)
    tally.record = changed
    if not tally.record.closed:
        _save(bench, tally)
    sentence = f"Corrected: {describe(tally.record)}; {name}: {new.replace('_', ' ')}."
    bench.say("batch_amended", Sound.SAVED, sentence, ref.at, **_facts(tally.record))


def _amend(bench: "Bench", record: BatchRecord, name: str, old: str | None, new: str, ref: Ref) -> None:
    if old == new:
        return
    amendment_id = derived_id("batch amendment", ref.journal_id, ref.n)
    why = f"{name} by command"
    bench.changes.append(
        AmendBatch(amendment_id, record.batch_id, ref.at, "crew", why, name, old, new, ref.journal_id, ref.n)
    )


def _read(batch: Tally, kind: Literal["length", "gross", "container"], measure: Measure) -> None:
    ref = measure.ref
    reading = BatchReading(
        kind, measure.value, measure.unit, ref.journal_id, ref.n, ref.at, ref.instrument, ref.raw
    )
    batch.record = replace(batch.record, readings=(*batch.record.readings, reading))
    batch.last_t_s = ref.t_s


def _typed(kind: Literal["length", "gross", "container"], value: float, ref: Ref) -> BatchReading:
    unit = "mm" if kind == "length" else "g"
    return BatchReading(kind, value, unit, ref.journal_id, ref.n, ref.at, ref.instrument, ref.raw)


def _summed(record: BatchRecord, awaits: list[BatchWeight]) -> BatchRecord:
    """The record with the weights that follow from its readings: the newest of each kind, once all have come."""
    newest = {reading.kind: reading.value for reading in record.readings}
    gross_g, container_g = newest.get("gross"), newest.get("container")
    total_g = None if gross_g is None or awaits else round(gross_g - (container_g or 0.0), 6)
    return replace(record, total_weight_g=total_g, container_g=container_g)


def _asks(tally: Tally) -> str:
    steps = {"container": "weigh the empty container", "gross": "weigh the batch"}
    asked = [steps[kind] for kind in tally.awaits]
    if tally.lengths:
        asked.insert(0, "measure the subsample, then 'next'" if not asked else "measure the subsample")
    said = ", then ".join(asked)
    return said[:1].upper() + said[1:]


def _save(bench: "Bench", tally: Tally) -> None:
    if tally.record.closed and tally.record.total_weight_g is None:
        local_relation(tally.record.species, bench.context)  # its weight is estimated by it
    bench.changes.append(SaveBatch(tally.record))


def _facts(record: BatchRecord) -> dict[str, object]:
    return {
        "batch_id": record.batch_id,
        "species": record.species,
        "n": record.n,
        "total_weight_g": record.total_weight_g,
        "fate": record.fate,
    }


def _refuse(bench: "Bench", sentence: str, ref: Ref) -> None:
    bench.say("command_refused", Sound.TROUBLE, sentence, ref.at)


_TYPED: tuple[tuple[BatchWeight, str], ...] = (("container", "container"), ("gross", "weight"))
_FIELDS = {Verb.SPECIES_ONCE: "species", Verb.FATE: "fate", Verb.NOTE: "note"}
