"""From the fish in hand to its record: status, tag status, weight quality, the trail, and amendments later."""

from dataclasses import replace
from typing import TYPE_CHECKING, Literal

from fishery.single import relative_weight
from ingest.assemble.context import Context
from ingest.assemble.facts import (
    better_fitting_trail,
    equation_of,
    fish_findings,
    missing_parts,
    needs_of,
    prior_of,
    standard_weight_of,
)
from ingest.assemble.parts import Measure, MeasureKind, OpenFish, SavedFish, TagRead
from ingest.checks import FishFacts, check_fish, too_coarse
from ingest.records import (
    AddFinding,
    Amend,
    Finding,
    FishRecord,
    Observation,
    ReadingRecord,
    Severity,
    Sound,
    Status,
    TagRole,
    TagStatus,
    derived_id,
    individual_id,
)

if TYPE_CHECKING:
    from ingest.assemble.bench import Bench


WeightQuality = Literal["measured", "too_coarse", "not_weighed"]

_FOLLOWS = "follows the correction"
_RESTS_ON = frozenset(("species", "length_mm", "length_type", "weight_g"))


def final_status(fish: OpenFish, context: Context) -> Status:
    """What a fish becomes when it is closed now."""
    if fish.questions:
        return Status.QUERIED
    if missing_parts(fish, context):
        return Status.INCOMPLETE
    return Status.CONFIRMED if fish.confirmed else Status.SAVED


def tag_status(fish: OpenFish, context: Context) -> TagStatus:
    """`none_found` needs a healthy reader and either the crew's word or a protocol that asks for no tag."""
    read = fish.tag_read(fish.tag)
    if read is not None:
        return read.status
    needs = needs_of(fish, context)
    healthy = context.reader_healthy and not fish.reader_lost
    looked = healthy and (fish.untagged or not needs.tag)
    return TagStatus.NONE_FOUND if looked and not fish.tags else TagStatus.NOT_SCANNED


def fish_record(
    fish: OpenFish, context: Context, bench: str, status: Status, rule: str, *, closed: bool
) -> FishRecord:
    """The record of this fish as it stands."""
    length, weight = fish.used("length"), fish.used("weight")
    findings = fish_findings(fish, context)
    if closed:
        findings += better_fitting_trail(fish, context)
    length_mm = length.value if length else None
    weight_g, division_g = (weight.value, weight.division) if weight else (None, 0.0)
    individual = None
    if fish.tag is not None:
        prior = prior_of(fish)
        individual = next((c.individual_id for c in prior if c.individual_id), None) or individual_id(
            fish.tag
        )
    return FishRecord(
        fish_id=fish.fish_id,
        journal_id=fish.opened.journal_id,
        opened_n=fish.opened.n,
        station=context.station,
        bench=bench,
        survey_id=context.survey.survey_id,
        run_no=fish.run_no,
        opened_at=fish.opened.at,
        worked_up_at=fish.last.at,
        species=fish.species,
        species_from=fish.species_from,
        tag=fish.tag,
        tag_status=tag_status(fish, context),
        tags=tuple((read.tag, _tag_role(fish, read)) for read in fish.tags),
        individual_id=individual,
        length_mm=length_mm,
        length_type=context.length_type if length else None,
        length_unit=length.unit if length else None,
        weight_g=weight_g,
        weight_quality=weight_quality(weight_g, division_g, context),
        relative_weight=_relative_weight(fish.species, length_mm, weight_g, division_g, context),
        fate=fish.fate or context.protocol.fate(fish.species, length_mm),
        status=status,
        closed=closed,
        rule=rule,
        note=fish.note,
        observations=tuple(fish.observations),
        readings=_readings(fish),
        findings=findings,
        withdrawal_until=context.survey.withdrawal_until(fish.run_no),
    )


def weight_quality(weight_g: float | None, division_g: float, context: Context) -> WeightQuality:
    """Whether a weight, on a scale of these divisions (g), can judge condition."""
    if weight_g is None:
        return "not_weighed"
    return "too_coarse" if too_coarse(weight_g, division_g, context.limits) else "measured"


def _relative_weight(
    species: str | None, length_mm: float | None, weight_g: float | None, division_g: float, context: Context
) -> float | None:
    """As it stands in a record, to one decimal; None where the species, the length or the scale allow none."""
    ws_g = standard_weight_of(species, length_mm, context)
    if ws_g is None or weight_g is None or weight_g <= 0:
        return None
    if weight_quality(weight_g, division_g, context) != "measured":
        return None
    return round(relative_weight(weight_g, ws_g), 1)


def _tag_role(fish: OpenFish, read: TagRead) -> TagRole:
    if read.tag == fish.tag:
        return "primary"
    return "second" if read.tag == fish.second_tag else "set_aside"


def _readings(fish: OpenFish) -> tuple[ReadingRecord, ...]:
    readings = [
        ReadingRecord(
            kind="tag",
            role="used" if read.tag in (fish.tag, fish.second_tag) else "trail",
            journal_id=read.ref.journal_id,
            n=read.ref.n,
            at=read.ref.at,
            instrument=read.ref.instrument,
            raw=read.ref.raw,
            text=read.tag,
        )
        for read in fish.tags
    ]
    readings += [measure_reading(kind, measure) for kind, measure in fish.measures()]
    readings += fish.commands
    return tuple(sorted(readings, key=lambda reading: (reading.at, reading.n)))


def measure_reading(kind: MeasureKind, measure: Measure) -> ReadingRecord:
    """The record of one measure and where it came from."""
    return ReadingRecord(
        kind=kind,
        role=measure.role,
        journal_id=measure.ref.journal_id,
        n=measure.ref.n,
        at=measure.ref.at,
        instrument=measure.ref.instrument,
        raw=measure.ref.raw,
        value=measure.value,
        unit=measure.unit,
        division=measure.division,
        load=measure.load,
        empty_before_g=measure.empty_before_g,
        empty_after_g=measure.empty_after_g,
    )


def amend_measure(bench: "Bench", kind: MeasureKind, measure: Measure) -> None:
    """`again` was given for the saved fish: this measure corrects it, in the open."""
    saved = bench.state.saved
    assert saved is not None
    measure.role = "used"
    bench.attach(saved.record.fish_id, measure_reading(kind, measure))
    field = "length_mm" if kind == "length" else "weight_g"
    old = saved.record.length_mm if kind == "length" else saved.record.weight_g
    amend(bench, field, number_text(old), number_text(measure.value), "measured again")
    if kind == "length":
        saved.length_mm = measure.value
    else:
        saved.weight_g, saved.weight_division_g = measure.value, measure.division
        saved.load, saved.scale = measure.load, measure.ref.instrument
        quality = weight_quality(measure.value, measure.division, bench.context)
        amend(bench, "weight_quality", saved.record.weight_quality, quality, _FOLLOWS)
        saved.record = replace(saved.record, weight_quality=quality)
    amend_relative_weight(bench)
    unit = "mm" if kind == "length" else "g"
    bench.say_of(
        saved.record.fish_id,
        "fish_amended",
        Sound.SAVED,
        f"Corrected: {kind} {number_text(old)} became {measure.value:g} {unit}.",
        measure.ref.at,
        field=field,
        old=old,
        new=measure.value,
    )
    _check_again(bench, measure)


def _check_again(bench: "Bench", measure: Measure) -> None:
    """A saved fish cannot be held any more: a serious finding on its corrected values is written down and said."""
    saved = bench.state.saved
    assert saved is not None
    fish_id = saved.record.fish_id
    for finding in serious_findings(saved, bench.context, measure.ref.at):
        bench.changes.append(AddFinding(fish_id, finding, measure.ref.journal_id, measure.ref.n))
        sentence = f"{finding.sentence} Give 'again' first."
        bench.say_of(fish_id, finding.name, Sound.TROUBLE, sentence, measure.ref.at)


def serious_findings(saved: SavedFish, context: Context, at: str) -> list[Finding]:
    """What the values that a saved fish has now would have held it for, whatever it was saved with."""
    record = saved.record
    facts = FishFacts(
        species=context.species(record.species),
        length_mm=saved.length_mm,
        weight_g=saved.weight_g,
        weight_division_g=saved.weight_division_g,
        standard_weight_g=standard_weight_of(record.species, saved.length_mm, context),
        relation=None,
        tag=record.tag,
        prior=(),
        species_by_crew=False,
        at=at,
        equation=equation_of(record.species, context),
    )
    return [one for one in check_fish(facts, context.limits) if one.severity is Severity.SERIOUS]


def amend_relative_weight(bench: "Bench") -> None:
    """Bring the saved fish's relative weight in line with its amended species, length or weight."""
    saved = bench.state.saved
    assert saved is not None
    new = _relative_weight(
        saved.record.species, saved.length_mm, saved.weight_g, saved.weight_division_g, bench.context
    )
    # The views leave it empty once what it rests on was amended without it, even if it comes out the same.
    rests = any(
        isinstance(change, Amend) and change.fish_id == saved.record.fish_id and change.field in _RESTS_ON
        for change in bench.changes
    )
    old_text, new_text = number_text(saved.record.relative_weight), number_text(new)
    amend(bench, "relative_weight", old_text, new_text, _FOLLOWS, even_if_same=rests and new is not None)


def amend(
    bench: "Bench",
    field: str,
    old: str | None,
    new: str | None,
    why: str,
    *,
    who: str = "crew",
    even_if_same: bool = False,
) -> None:
    """One amendment of the saved fish; nothing if it changes nothing."""
    saved = bench.state.saved
    assert saved is not None
    if old == new and not even_if_same:
        return
    ref = bench.step
    index = sum(isinstance(change, Amend) for change in bench.changes)
    bench.changes.append(
        Amend(
            derived_id("amendment", ref.journal_id, ref.n, index),
            saved.record.fish_id,
            ref.at,
            who,
            why,
            field,
            old,
            new,
            ref.journal_id,
            ref.n,
        )
    )
    saved.record = _amended(saved.record, field, new)


def _amended(record: FishRecord, field: str, new: str | None) -> FishRecord:
    """The record as it reads with this amendment: the next one starts from here."""
    if field in ("sex", "maturity", "mark", "anomaly", "sample"):
        kept = tuple(one for one in record.observations if one.kind != field)
        return replace(record, observations=(*kept, Observation(field, new or "")))
    number = float(new) if new is not None and field in ("length_mm", "weight_g", "relative_weight") else None
    match field:
        case "length_mm":
            return replace(record, length_mm=number)
        case "weight_g":
            return replace(record, weight_g=number)
        case "relative_weight":
            return replace(record, relative_weight=number)
        case "tag_status":
            return replace(record, tag_status=TagStatus(new or record.tag_status))
        case "species":
            return replace(record, species=new)
        case "fate":
            return replace(record, fate=new or record.fate)
        case "note":
            return replace(record, note=new)
        case _:
            return record


def number_text(value: float | None) -> str | None:
    """A number as amendments hold it."""
    return None if value is None else f"{value:.10g}"
