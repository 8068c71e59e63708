"""The watch over a two-person line: it finds slips soon, names their place, and leaves healthy lines alone."""

import math
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fishery.alignment import (
    LEAST_FISH,
    LEAST_GAIN,
    WATCHABLE_RATIO,
    Measured,
    best_slip,
    find_slip,
    find_swap,
    is_lost,
    spread_ratio,
    surplus_slip,
)
from fishery.single import prior_relation
from ingest.species import load_species
from tests.bench.alignment import (
    BASS_LINE,
    LEVELS,
    RELATION,
    Water,
    false_calls,
    find_slips,
    first_call,
    simulate,
)

CONFIG = Path(__file__).resolve().parents[2] / "config"
LENGTHS = (310.0, 255.0, 402.0, 288.0, 350.0, 231.0, 377.0, 265.0, 420.0, 300.0, 244.0, 333.0)


def fish(*lengths_mm: float | None) -> list[Measured]:
    return [Measured(mm, RELATION, "bass") for mm in lengths_mm]


def weights(*lengths_mm: float, wr: float = 93.0) -> list[float]:
    return [10 ** (BASS_LINE.log10_a + BASS_LINE.b * math.log10(mm)) * wr / 100 for mm in lengths_mm]


def test_the_line_of_the_simulation_is_that_of_the_species_file() -> None:
    equation = load_species(CONFIG / "species").by_slug["largemouth_bass"].equation()
    assert equation is not None
    assert (equation.log10_a, equation.b, equation.c) == (BASS_LINE.log10_a, BASS_LINE.b, BASS_LINE.c)


# --- the goals ----------------------------------------------------------------------------------------------------


def test_of_two_hundred_slips_nearly_all_are_found_within_eight_fish() -> None:
    found = find_slips(0.2, 207)
    exact = sum(off == 0 for off in found.off)
    print(
        f"CV 20 %: {found.soon} of {found.days} within 8 fish, {exact} at the very fish, {found.early} too early"
    )
    assert found.soon_percent >= 95
    assert exact >= 0.85 * found.days
    assert max(abs(off) for off in found.off) <= 6


def test_healthy_lines_are_left_alone_whatever_the_level_of_the_water() -> None:
    calls = {wr: false_calls(Water(wr=wr), 700) for wr in LEVELS}
    print(f"false calls in 700 fish each, by relative weight: {calls}")
    assert sum(calls.values()) == 0


@pytest.mark.parametrize("water", [Water(0.05), Water(0.2, scatter_sd=0.07), Water(0.2, wild=0.02)])
def test_alike_scattered_or_wild_fish_make_few_false_calls(water: Water) -> None:
    assert false_calls(water, 700) == 0


@pytest.mark.long
@pytest.mark.timeout(3600)
def test_goals_on_many_days() -> None:
    found = find_slips(0.2, 2000, first_seed=10_000)
    print(f"CV 20 %: {found.soon} of {found.days} slips within 8 fish")
    assert found.soon_percent >= 95
    for water in (Water(), Water(wr=75), Water(wr=110), Water(0.05), Water(scatter_sd=0.07)):
        calls = false_calls(water, 20_000, first_seed=10_000)
        print(f"{water}: {calls} false calls in 20,000 fish")
        assert calls <= 10


# --- what is called, and where ------------------------------------------------------------------------------------


def test_a_missed_weighing_is_named_by_the_fish_that_has_no_weight() -> None:
    slip = find_slip(fish(*LENGTHS[:10]), weights(*LENGTHS[:4], *LENGTHS[5:9]))
    assert slip is not None
    assert (slip.kind, slip.at, slip.fish) == ("missed", 4, 4)
    assert slip.earliest <= 4 <= slip.latest


def test_a_weight_too_many_is_named_by_the_fish_that_got_it() -> None:
    slip = find_slip(fish(*LENGTHS[:9]), weights(*LENGTHS[:4], 280.0, *LENGTHS[4:8]))
    assert slip is not None
    assert (slip.kind, slip.at) == ("extra", 4)


def test_a_fish_weighed_twice_is_told_from_a_strange_weight() -> None:
    """Of two neighbours of one size the one after the fish that was weighed twice got the second weight."""
    lengths = (310.0, 255.0, 402.0, 288.0, 288.0, 288.0, 377.0, 265.0, 420.0)
    own = weights(*lengths)
    twice = [*own[:3], own[3], own[3] * 1.004, *[w * 1.2 for w in own[4:5]], *own[5:8]]
    slip = best_slip(fish(*lengths), twice)
    assert slip is not None
    assert (slip.kind, slip.at) == ("extra", 4)


def test_too_few_weights_call_nothing_however_bad_they_are() -> None:
    lengths, shifted = LENGTHS[:8], weights(*LENGTHS[:4], *LENGTHS[5:8])
    slip = best_slip(fish(*lengths), shifted)
    assert slip is not None
    assert slip.gain > LEAST_GAIN
    assert slip.fish == LEAST_FISH - 1
    assert find_slip(fish(*lengths), shifted) is None


def test_a_thin_or_fat_water_is_no_slip() -> None:
    for wr in (70.0, 93.0, 118.0):
        assert find_slip(fish(*LENGTHS), weights(*LENGTHS[:10], wr=wr)) is None


def test_two_swapped_neighbours_are_no_slip() -> None:
    swapped = list(LENGTHS[:10])
    swapped[6], swapped[7] = swapped[7], swapped[6]
    for count in range(1, 11):
        assert find_slip(fish(*LENGTHS), weights(*swapped[:count])) is None


@pytest.mark.parametrize("seed", [11, 23])
def test_a_swap_that_a_shift_would_explain_too_is_no_slip(seed: int) -> None:
    """Days on which the next fish happen to fit their neighbours: found by trying seeds."""
    day = simulate(Water(), seed, 24)
    swapped = [*day.weights_g[:12], day.weights_g[13], day.weights_g[12], *day.weights_g[14:]]
    assert first_call(replace(day, weights_g=swapped), 8) is None


def test_two_slips_close_together_are_found_by_the_first() -> None:
    named = []
    for seed in range(20):
        day = simulate(Water(), seed, 20)
        twice = replace(day, weights_g=[*day.weights_g[:6], day.weights_g[7], *day.weights_g[9:]])
        call = first_call(twice)
        assert call is not None, f"seed {seed}"
        named.append((call[2].kind, call[1] + call[2].at))
    assert named.count(("missed", 6)) >= 14
    assert sum(kind == "missed" for kind, _ in named) >= 18


def test_a_weight_of_a_fish_that_nobody_measured_is_hardly_believed() -> None:
    waiting, nobody = fish(*LENGTHS[:9]), fish(*LENGTHS[:8])
    shifted = weights(*LENGTHS[:4], *LENGTHS[5:9])
    known, unknown = best_slip(waiting, shifted), best_slip(nobody, shifted)
    assert known is not None
    assert unknown is not None
    assert unknown.gain < known.gain - 4


def test_a_weight_that_no_fish_waits_for_was_one_too_many_before() -> None:
    slip = surplus_slip(fish(*LENGTHS[:5]), weights(*LENGTHS[:3], LENGTHS[2], *LENGTHS[3:5]))
    assert slip is not None
    assert (slip.kind, slip.at) == ("extra", 3)
    assert slip.gain > 3


def test_a_weight_that_no_fish_waits_for_may_be_the_one_too_many_itself() -> None:
    slip = surplus_slip(fish(*LENGTHS[:5]), weights(*LENGTHS[:5], 280.0))
    assert slip is None or slip.gain < 0
    assert surplus_slip([], [300.0]) is None


def test_fish_without_a_relation_or_a_length_neither_help_nor_harm() -> None:
    unknown = [Measured(mm, None) for mm in LENGTHS]
    slip = best_slip(unknown, weights(*LENGTHS[:8]))
    assert slip is not None
    assert slip.gain < LEAST_GAIN
    assert Measured(None, RELATION).expected is None
    mixed = fish(*LENGTHS[:9])
    mixed[2] = replace(mixed[2], relation=None)
    found = find_slip(mixed, weights(*LENGTHS[:4], *LENGTHS[5:9]))
    assert found is not None
    assert found.at == 4


def test_each_species_has_a_level_of_its_own() -> None:
    """Thin bass beside fat bluegill, in turns: one level for both would have to lie between them."""
    gill = prior_relation(replace(BASS_LINE, log10_a=-5.374, b=3.316))
    line = [
        Measured(mm, RELATION if i % 2 else gill, "bass" if i % 2 else "bluegill")
        for i, mm in enumerate(LENGTHS)
    ]
    caught = [10 ** (one.expected or 0) * (0.8 if one.group == "bass" else 1.25) for one in line]
    assert find_slip(line, caught[:10]) is None
    slip = find_slip(line, [*caught[:4], *caught[5:10]])
    assert slip is not None
    assert (slip.kind, slip.at) == ("missed", 4)


def test_fish_of_one_size_cannot_be_watched() -> None:
    alike, different = spread_ratio(fish(300, 303, 298, 301)), spread_ratio(fish(*LENGTHS))
    assert alike is not None
    assert different is not None
    assert alike < WATCHABLE_RATIO < different
    assert spread_ratio(fish(300, None)) is None


def test_more_weights_than_fish_are_refused_by_name() -> None:
    with pytest.raises(ValueError, match="3 weights for 2 fish"):
        find_slip(fish(300, 310), [1.0, 2.0, 3.0])
    with pytest.raises(ValueError, match="one weight more than fish"):
        surplus_slip(fish(300, 310), [1.0, 2.0])


@given(
    lengths=st.lists(st.one_of(st.none(), st.floats(0, 2000)), min_size=1, max_size=12),
    grams=st.lists(st.floats(-10, 1e5), max_size=12),
)
@settings(deadline=None, max_examples=60)
def test_any_values_give_finite_gains(lengths: list[float | None], grams: list[float]) -> None:
    slip = best_slip(fish(*lengths), grams[: len(lengths)])
    assert (slip is None) == (not grams)
    if slip is not None:
        assert math.isfinite(slip.gain)
        assert 0 <= slip.earliest <= slip.at <= slip.latest < len(grams)


@given(seed=st.integers(0, 10_000), factor=st.floats(0.85, 1.18))
@settings(deadline=None, max_examples=15)
def test_a_common_factor_on_all_weights_changes_no_call(seed: int, factor: float) -> None:
    day = simulate(Water(), seed, 20, "missed", 8)
    scaled = replace(day, weights_g=[g * factor for g in day.weights_g])
    one, other = first_call(day), first_call(scaled)
    assert one is not None
    assert other is not None
    assert abs(one[0] - other[0]) <= 1


def test_two_swapped_neighbours_are_named_once() -> None:
    swapped = list(LENGTHS[:12])
    swapped[6], swapped[7] = swapped[7], swapped[6]
    named = [find_swap(fish(*LENGTHS), weights(*swapped[:count])) for count in range(1, 13)]
    assert [at for at in named if at is not None] == [6]
    assert named[9] == 6, "two more fish were weighed by then"


def test_fish_in_their_order_are_not_taken_for_swapped() -> None:
    calls = 0
    for seed in range(10):
        day = simulate(Water(), 500 + seed, 60)
        for count in range(1, 61):
            low = max(0, count - 20)
            line = fish(*day.lengths_mm[low:count])
            calls += find_swap(line, day.weights_g[low:count]) is not None
    assert calls == 0


def test_weights_that_fit_no_neighbour_mean_that_the_order_is_lost() -> None:
    far = [*LENGTHS[5:], *LENGTHS[:5]]
    assert is_lost(fish(*LENGTHS[:8]), weights(*far[:8]))
    assert not is_lost(fish(*LENGTHS[:7]), weights(*far[:7])), "too few to say so"
    assert not is_lost(fish(*LENGTHS[:8]), weights(*LENGTHS[:8]))
    for seed in range(100):
        day = simulate(Water(), 900 + seed, 8)
        assert not is_lost(fish(*day.lengths_mm), day.weights_g)
