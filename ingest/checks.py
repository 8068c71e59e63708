"""The plausibility checks: pure functions from one fish's values and its history to findings.

A check never changes a value. `SERIOUS` findings hold the fish, so they are few: what a slip of the pen or of the
decimal point does, and what no fish of the species can be. Everything else is a `NOTICE`: a mark for the office.

Limits and their sources stand in `Limits`; numbers that belong to a species come from `config/species`.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass

from fishery.single import (
    Relation,
    StandardWeight,
    days_between,
    expected_weight_g,
    relative_weight,
    residual_log10,
    residual_sd,
    standard_weight_g,
)
from ingest.records import Finding, Part, PriorCapture, Severity
from ingest.species import Species


@dataclass(frozen=True, slots=True)
class Limits:
    """The numbers of the checks.

    wr_serious, wr_notice: relative weight in %, instead of the species' own limits where given.
    slip_mends: a slip is named only if undoing it brings the relative weight into this range.
    shrink_mm, shrink_share: a recapture may measure shorter by the larger of the two. Two careful measures of one
        fish differ with an SD near 6 mm (69 bonito at large for under 36 days; Campbell & Collins 1975 data).
    residual_sd: how many SD (log10) from this water's own relation a fish may lie; sd_floor keeps a tight fit of few
        fish from marking everything (within one water SD is 0.03-0.07; computed from open data, see DEVELOPERS.md).
    min_divisions: below so many divisions a scale is too coarse (OIML R 76-1: Min = 20 e in class III).
    zero_divisions, zero_share, zero_share_at_once: how far the empty scale may read from zero (common practice).
    """

    wr_serious: tuple[float, float] | None = None
    wr_notice: tuple[float, float] | None = None
    slip_mends: tuple[float, float] = (60.0, 140.0)
    shrink_mm: float = 10.0
    shrink_share: float = 0.03
    residual_sd: float = 4.0
    sd_floor: float = 0.04
    min_divisions: float = 20.0
    zero_divisions: float = 2.0
    zero_share: float = 0.01
    zero_share_at_once: float = 0.05


@dataclass(slots=True)  # a frozen one takes five times as long to make, and each reading of a fish makes one
class FishFacts:
    """One fish as the checks see it. Absent values are None; `standard_weight_g` is None where no equation applies.

    equation: the species' standard weight equation for the type of length that was measured, to try other lengths.
    """

    species: Species | None
    length_mm: float | None
    weight_g: float | None
    weight_division_g: float
    standard_weight_g: float | None
    relation: Relation | None
    tag: str | None
    prior: tuple[PriorCapture, ...]
    species_by_crew: bool
    at: str
    equation: StandardWeight | None = None

    @property
    def name(self) -> str:
        return self.species.common if self.species else "this species"


# What one slip does to a number, and how a person would name it. Exact: 1 in = 25.4 mm, 1 oz = 28.349523125 g,
# 1 lb = 453.59237 g (international yard and pound agreement, 1959).
_SLIPS: tuple[tuple[Part, float, str], ...] = (
    (Part.WEIGHT, 10.0, "the weight is ten times too high: a slipped decimal"),
    (Part.WEIGHT, 0.1, "the weight is ten times too low: a slipped decimal"),
    (Part.LENGTH, 10.0, "the length is ten times too long: a slipped decimal"),
    (Part.LENGTH, 0.1, "the length is ten times too short: a slipped decimal, or cm read as mm"),
    (Part.WEIGHT, 1 / 28.349523125, "the weight looks like ounces read as grams"),
    (Part.WEIGHT, 1 / 453.59237, "the weight looks like pounds read as grams"),
    (Part.WEIGHT, 28.349523125, "the weight looks like grams read as ounces"),
    (Part.WEIGHT, 453.59237, "the weight looks like grams read as pounds"),
    (Part.LENGTH, 1 / 25.4, "the length looks like inches read as millimetres"),
    (Part.LENGTH, 25.4, "the length looks like millimetres read as inches"),
)


def check_fish(facts: FishFacts, limits: Limits) -> tuple[Finding, ...]:
    """All findings that the values of this fish give, serious ones first."""
    found = [
        *_above_maximum(facts),
        *_weight_for_length(facts, limits),
        *_from_this_water(facts, limits),
        *_history(facts, limits),
        *_coarse(facts, limits),
    ]
    if not found:
        return ()
    slips = {
        f"{part.value}_above_maximum" for part in Part if any(f.name == f"{part.value}_slip" for f in found)
    }
    found = [
        finding for finding in found if finding.name not in slips
    ]  # the slip says it, and how to mend it
    found.sort(key=lambda finding: finding.severity is not Severity.SERIOUS)
    return tuple(found)


def _above_maximum(facts: FishFacts) -> Iterator[Finding]:
    if facts.species is None:
        return
    for part, value, most, unit in (
        (Part.LENGTH, facts.length_mm, facts.species.max_length_mm, "mm"),
        (Part.WEIGHT, facts.weight_g, facts.species.max_weight_g, "g"),
    ):
        if value is not None and most is not None and value > most:
            yield Finding(
                f"{part.value}_above_maximum",
                Severity.SERIOUS,
                f"{part.value.capitalize()} {value:g} {unit} is more than any {facts.name} on record "
                f"({most:g} {unit}): measure the {part.value} again.",
                {f"{part.value}": value, "maximum": most},
                suspects=(part,),
            )


def _weight_for_length(facts: FishFacts, limits: Limits) -> Iterator[Finding]:
    if facts.weight_g is None or facts.length_mm is None:
        return
    if facts.weight_g <= 0:
        yield Finding(
            "weight_not_positive",
            Severity.SERIOUS,
            f"Weight {facts.weight_g:g} g cannot be a fish: zero the scale and weigh again.",
            {"weight": facts.weight_g},
            suspects=(Part.WEIGHT,),
        )
        return
    if facts.species is None or facts.species.relative_weight is None:
        return
    if facts.standard_weight_g is None:
        slip = _named_slip(facts, None, limits)
        if slip is not None:
            yield _slip_finding(facts, slip, {"length": facts.length_mm, "weight": facts.weight_g})
        return
    serious = limits.wr_serious or facts.species.relative_weight.serious
    notice = limits.wr_notice or facts.species.relative_weight.notice
    wr = 100.0 * facts.weight_g / facts.standard_weight_g
    numbers: dict[str, float | str] = {
        "relative_weight": round(wr, 1),
        "standard_weight_g": round(facts.standard_weight_g, 1),
        "length": facts.length_mm,
        "weight": facts.weight_g,
    }
    if serious[0] <= wr <= serious[1]:
        if not notice[0] <= wr <= notice[1]:
            yield Finding(
                "relative_weight_unusual",
                Severity.NOTICE,
                f"Relative weight {wr:.0f} is unusual for {facts.name} of {facts.length_mm:g} mm.",
                numbers,
            )
        return
    slip = _named_slip(facts, wr, limits)
    if slip is not None:
        yield _slip_finding(facts, slip, numbers)
        return
    yield Finding(
        "relative_weight_far_off",
        Severity.SERIOUS,
        f"{facts.length_mm:g} mm and {facts.weight_g:g} g do not fit {facts.name} (relative weight {wr:.0f}): "
        "measure length and weight again, and look at the species.",
        numbers,
        suspects=(Part.LENGTH, Part.WEIGHT, Part.SPECIES),
    )


_Slip = tuple[Part, float, str]


def _slip_finding(facts: FishFacts, slip: _Slip, numbers: dict[str, float | str]) -> Finding:
    part, mended, words = slip
    unit = "mm" if part is Part.LENGTH else "g"
    return Finding(
        f"{part.value}_slip",
        Severity.SERIOUS,
        f"{facts.length_mm:g} mm and {facts.weight_g:g} g do not fit {facts.name}, {mended:.0f} {unit} would "
        f"({words}?): measure the {part.value} again.",
        numbers,
        suspects=(part,),
        proposes={part.value: mended},
    )


def _named_slip(facts: FishFacts, wr: float | None, limits: Limits) -> _Slip | None:
    """The one factor that best mends a far-off relative weight: (part, mended value, words), or None.

    `wr` is None for a length at which the equation does not hold: a length read in cm or inches lies below its least
    length, and only a mended length tells whether the weight fits.
    """
    assert facts.length_mm is not None
    assert facts.weight_g is not None
    best: tuple[float, Part, float, str] | None = None
    for part, factor, words in _SLIPS:
        value = facts.weight_g if part is Part.WEIGHT else facts.length_mm
        mended_wr = _mended_wr(facts, wr, part, factor)
        if mended_wr is None or not limits.slip_mends[0] <= mended_wr <= limits.slip_mends[1]:
            continue
        distance = abs(math.log(mended_wr / 100.0))
        if best is None or distance < best[0]:
            best = (distance, part, value / factor, words)
    return None if best is None else best[1:]


def _mended_wr(facts: FishFacts, wr: float | None, part: Part, factor: float) -> float | None:
    """Relative weight with this slip undone; None where no equation holds then."""
    assert facts.length_mm is not None
    assert facts.weight_g is not None
    if part is Part.WEIGHT:
        return None if wr is None else wr / factor
    if facts.equation is None:
        return None
    ws_g = standard_weight_g(facts.equation, facts.length_mm / factor)
    return None if ws_g is None else relative_weight(facts.weight_g, ws_g)


def _from_this_water(facts: FishFacts, limits: Limits) -> Iterator[Finding]:
    if facts.relation is None or facts.length_mm is None or facts.weight_g is None:
        return
    if facts.weight_g <= 0 or facts.length_mm <= 0:
        return
    sd = max(residual_sd(facts.relation, facts.length_mm), limits.sd_floor)
    z = residual_log10(facts.relation, facts.length_mm, facts.weight_g) / sd
    if abs(z) > limits.residual_sd:
        expected_g = expected_weight_g(facts.relation, facts.length_mm)
        yield Finding(
            "unlike_this_water",
            Severity.NOTICE,
            f"{facts.weight_g:g} g at {facts.length_mm:g} mm is unlike the {facts.name} seen here before "
            f"(about {expected_g:.0f} g).",
            {
                "expected_g": round(expected_g, 1),
                "sd_from_expected": round(z, 1),
                "n": float(facts.relation.n),
            },
        )


def _history(facts: FishFacts, limits: Limits) -> Iterator[Finding]:
    if not facts.prior:
        return
    last = facts.prior[-1]
    if last.fate in ("removed", "died", "kept"):
        yield Finding(
            "recorded_as_gone",
            Severity.NOTICE,
            f"Tag {facts.tag} was recorded as {last.fate} on {last.at[:10]}: look at the tag again.",
            {"fate": last.fate, "on": last.at[:10]},
        )
    if facts.species_by_crew and last.species and facts.species and last.species != facts.species.slug:
        yield Finding(
            "other_species_last_time",
            Severity.NOTICE,
            f"Tag {facts.tag} was {last.species.replace('_', ' ')} on {last.at[:10]}, now "
            f"{facts.name}: look at the species.",
            {"then": last.species, "now": facts.species.slug},
        )
    measured = [capture for capture in facts.prior if capture.length_mm is not None]
    if facts.length_mm is None or not measured:
        return
    before = measured[-1]
    assert before.length_mm is not None
    grown_mm = facts.length_mm - before.length_mm
    try:
        days = days_between(before.at, facts.at)
    except (
        ValueError
    ):  # an imported capture may carry a date that is none: it is kept, and judged by length alone
        days = 0.0
    numbers: dict[str, float | str] = {
        "then_mm": before.length_mm,
        "now_mm": facts.length_mm,
        "days": round(days, 1),
        "on": before.at[:10],
    }
    if grown_mm < -max(limits.shrink_mm, limits.shrink_share * before.length_mm):
        yield Finding(
            "shrank",
            Severity.NOTICE,
            f"{-grown_mm:g} mm shorter than on {before.at[:10]} ({before.length_mm:g} mm): measure the length again, "
            "look at the tag.",
            numbers,
            suspects=(Part.LENGTH, Part.TAG),
        )
    growth = facts.species.growth_limit(days) if facts.species else None
    if growth is not None and grown_mm > growth.mm_per_day * days:
        numbers["limit_mm_per_day"] = growth.mm_per_day
        yield Finding(
            "grew_fast",
            Severity.NOTICE,
            f"{grown_mm:g} mm longer than {days:.0f} days ago ({before.length_mm:g} mm): measure the length again, "
            "look at the tag.",
            numbers,
            suspects=(Part.LENGTH, Part.TAG),
        )


def _coarse(facts: FishFacts, limits: Limits) -> Iterator[Finding]:
    if facts.weight_g is not None and too_coarse(facts.weight_g, facts.weight_division_g, limits):
        yield Finding(
            "scale_too_coarse",
            Severity.NOTICE,
            f"{facts.weight_g:g} g on a scale of {facts.weight_division_g:g} g steps is too coarse to judge condition.",
            {"weight": facts.weight_g, "division_g": facts.weight_division_g},
        )


def too_coarse(weight_g: float, division_g: float, limits: Limits) -> bool:
    """Whether a weight lies below the scale's useful minimum (OIML R 76-1: 20 verification intervals)."""
    return weight_g < limits.min_divisions * division_g


def scale_off_zero(empty_g: float, weight_g: float, division_g: float, limits: Limits) -> tuple[bool, bool]:
    """Whether the empty scale reads too far from zero for this fish: (too far, so far that it is said at once)."""
    off = abs(empty_g)
    return (
        off > max(limits.zero_divisions * division_g, limits.zero_share * weight_g),
        off > max(limits.zero_divisions * division_g, limits.zero_share_at_once * weight_g),
    )
