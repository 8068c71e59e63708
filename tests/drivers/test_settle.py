"""One weight for each load of a scale that talks all the time, and a question where it is not clear whose
weight it is."""

import json
from collections import Counter

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.declaration import SettleRule
from drivers.outcomes import Outcome, PanEmpty, ScaleTrouble, Trouble, WeightSeen, WeightSettled
from drivers.settle import Settler

S, U, N = True, False, None
Said = tuple[bool | None, float] | Trouble


def run(settler: Settler, lines: list[Said], start_s: float = 0.0, step_s: float = 0.1) -> list[Outcome]:
    outcomes: list[Outcome] = []
    for number, said in enumerate(lines):
        t_s = start_s + number * step_s
        if isinstance(said, Trouble):
            outcomes += settler.trouble(ScaleTrouble(said, 0, str(said).encode()), t_s)
        else:
            outcomes += settler.weight(WeightSeen(said[1], "g", said[0], f"{said}".encode(), 0.1), t_s)
    return outcomes


def told(
    lines: list[Said], rule: SettleRule | None = None, step_s: float = 0.1
) -> list[tuple[str, float | str, int]]:
    return words(run(Settler(rule or SettleRule()), lines, step_s=step_s))


def words(outcomes: list[Outcome]) -> list[tuple[str, float | str, int]]:
    result: list[tuple[str, float | str, int]] = []
    for outcome in outcomes:
        match outcome:
            case WeightSettled(weight_g, _, load):
                result.append(("weight", weight_g, load))
            case PanEmpty(empty_g, load):
                result.append(("empty", empty_g, load))
            case ScaleTrouble(trouble, load):
                result.append(("trouble", str(trouble), load))
            case _:
                raise AssertionError(outcome)
    return result


def test_a_load_at_rest_gives_one_weight_however_long_it_lies() -> None:
    assert told([(S, 0.2), (U, 300.0), *[(S, 412.0)] * 500]) == [("weight", 412.0, 1)]


def test_the_same_weight_twice_in_a_row_gives_two_readings() -> None:
    # The edge trap of failure reports: an event on "value changed" gives the second fish nothing.
    lines: list[Said] = [(S, 0.0), (S, 250.0), (U, 90.0), (S, 0.0), (U, 200.0), (S, 250.0)]
    assert told(lines) == [("weight", 250.0, 1), ("empty", 0.0, 1), ("weight", 250.0, 2)]


def test_a_weight_that_lies_on_the_pan_at_the_start_is_read() -> None:
    (settled,) = run(Settler(SettleRule()), [(S, 250.0)])
    assert isinstance(settled, WeightSettled)
    assert (settled.weight_g, settled.load, settled.empty_before_g) == (250.0, 1, None)


def test_the_empty_level_of_a_wet_pan_is_followed_and_kept_with_the_weight() -> None:
    outcomes = run(
        Settler(SettleRule()), [(S, 0.0), (S, 412.0), (S, 12.0), (S, 14.5), (U, 200.0), (S, 300.0)]
    )
    assert words(outcomes) == [("weight", 412.0, 1), ("empty", 12.0, 1), ("weight", 300.0, 2)]
    assert isinstance(outcomes[2], WeightSettled)
    assert outcomes[2].empty_before_g == 14.5


def test_water_that_creeps_into_the_pan_never_becomes_a_fish() -> None:
    lines: list[Said] = [(S, 2.0 * step) for step in range(30)]
    assert [kind for kind, _, _ in told(lines)] == ["trouble", *["trouble"] * (len(told(lines)) - 1)]
    assert told(lines)[0] == ("trouble", "not_emptied", 1)


def test_a_pan_wetter_than_the_band_asks_instead_of_weighing() -> None:
    lines: list[Said] = [(S, 0.0), (S, 412.0), (S, 45.0), (S, 400.0), (S, 0.0), (S, 355.0)]
    assert told(lines) == [
        ("weight", 412.0, 1),
        ("trouble", "not_emptied", 2),
        ("trouble", "not_emptied", 3),
        ("empty", 0.0, 3),
        ("weight", 355.0, 4),
    ]


def test_ramp_bounce_and_wriggle_give_the_weight_at_rest_only() -> None:
    ramp: list[Said] = [(N, 10.0 * step) for step in range(42)]
    bounce: list[Said] = [(N, 412.0 + swing) for swing in (60, -45, 30, -20, 12, -7, 3, -2)]
    lines: list[Said] = [*[(N, 0.0)] * 10, *ramp, *bounce, *[(N, 412.0), (N, 412.1)] * 6]
    assert told(lines) == [("weight", 412.0, 1)]


def test_a_last_digit_that_flickers_up_and_down_is_rest() -> None:
    flicker: list[Said] = [(N, 412.0), (N, 412.1), (N, 411.9), (N, 412.0)]
    assert told([*[(N, 0.0)] * 8, *flicker * 5]) == [("weight", 411.9, 1)]


def test_a_slow_drift_is_no_rest() -> None:
    lines: list[Said] = [*[(N, 0.0)] * 10, *[(N, 300.0 + 0.05 * step) for step in range(200)]]
    assert told(lines) == [("trouble", "unsettled", 1)]


def test_a_fish_that_never_rests_is_said_once_and_its_weight_is_taken_when_it_does() -> None:
    wriggle: list[Said] = [(U, 400.0), (U, 430.0), (U, 20.0)] * 100
    assert told([(S, 0.0), *wriggle, (S, 412.0)]) == [("trouble", "unsettled", 1), ("weight", 412.0, 1)]


def test_a_load_that_never_rests_is_said_without_another_line() -> None:
    settler = Settler(SettleRule(unsettled_s=8.0))
    assert run(settler, [(S, 0.0), (U, 300.0)]) == []
    assert settler.next_deadline_s() == pytest.approx(8.1)
    assert settler.tick(8.0) == []
    assert words(settler.tick(8.2)) == [("trouble", "unsettled", 1)]
    assert settler.next_deadline_s() is None


def test_unstable_blips_and_short_dips_do_not_give_the_weight_again() -> None:
    lines: list[Said] = [(S, 0.0), (S, 412.0), (U, 380.0), (S, 412.1), (U, 1.0), (U, 0.0), (S, 411.9)]
    assert told(lines) == [("weight", 412.0, 1)]


def test_a_scale_that_sends_one_stable_line_a_weighing_gives_each_of_them() -> None:
    # Its pan is never seen empty, and two fish of one weight are two fish.
    lines: list[Said] = [(S, 412.0), (S, 530.0), (S, 530.0)]
    assert told(lines, step_s=12.0) == [("weight", 412.0, 1), ("weight", 530.0, 2), ("weight", 530.0, 3)]


def test_a_stream_that_stalls_under_one_load_gives_its_weight_once() -> None:
    settler = Settler(SettleRule())
    before = run(settler, [(S, 0.0), (S, 412.0), (S, 412.0), (S, 412.0)])
    after = run(settler, [(S, 412.0), (S, 411.9), (S, 0.0)], start_s=6.0)
    assert words(before + after) == [("weight", 412.0, 1), ("empty", 0.0, 1)]


def test_a_fish_swapped_for_another_without_an_empty_pan_is_a_question() -> None:
    # Fast hands, a second fish on top, or a hand that carried half of the first: the scale cannot tell which.
    lines: list[Said] = [(S, 0.0), (S, 412.0), (U, 100.0), (S, 380.0), (S, 380.0), (S, 0.0), (S, 380.0)]
    assert told(lines) == [
        ("weight", 412.0, 1),
        ("trouble", "not_emptied", 2),
        ("empty", 0.0, 2),
        ("weight", 380.0, 3),
    ]


def test_a_container_lifted_off_is_no_fish_and_what_lies_in_it_afterwards_is_a_question() -> None:
    lines: list[Said] = [(S, 0.0), (S, -350.0), (S, 62.0), (S, -350.0), (S, 0.0), (S, 412.0)]
    assert told(lines) == [("trouble", "not_emptied", 1), ("empty", 0.0, 1), ("weight", 412.0, 2)]


def test_a_fish_in_a_container_just_put_back_is_a_question_even_if_the_way_up_was_seen() -> None:
    assert told([(S, 0.0), (S, -350.0), (U, 60.0), (S, 62.0)]) == [("trouble", "not_emptied", 1)]


def test_a_pan_that_was_zeroed_wet_and_dries_or_drips_is_no_fish() -> None:
    assert told([(S, -15.0), (S, -9.0), (S, -2.0), (S, 412.0)]) == [("weight", 412.0, 1)]


def test_overload_is_said_once_for_each_load() -> None:
    lines: list[Said] = [(S, 0.0), *[Trouble.OVERLOAD] * 20, (S, 0.0), *[Trouble.OVERLOAD] * 20]
    assert told(lines) == [("trouble", "overload", 1), ("empty", 0.0, 1), ("trouble", "overload", 2)]


def test_a_fish_dropped_on_the_pan_is_weighed_after_the_overload_of_its_impact() -> None:
    lines: list[Said] = [(S, 0.0), Trouble.OVERLOAD, (U, 500.0), (S, 412.0)]
    assert told(lines) == [("trouble", "overload", 1), ("weight", 412.0, 1)]


def test_underload_and_no_value_are_said_once_and_make_no_load() -> None:
    lines: list[Said] = [
        (S, 0.0),
        Trouble.UNDERLOAD,
        Trouble.UNDERLOAD,
        (S, 0.0),
        Trouble.NO_VALUE,
        Trouble.NO_VALUE,
    ]
    assert told(lines) == [("trouble", "underload", 0), ("trouble", "no_value", 0)]


def test_an_interruption_is_no_evidence_of_rest() -> None:
    settler = Settler(SettleRule(window_s=0.6, window_lines=4))
    run(settler, [(N, 0.0)] * 10)
    run(settler, [(N, 412.0)] * 4, start_s=2.0)
    settler.interrupted()
    assert run(settler, [(N, 412.0)] * 4, start_s=2.5) == []
    assert words(run(settler, [(N, 412.0)] * 4, start_s=2.9)) == [("weight", 412.0, 1)]


def test_a_scale_that_sends_one_line_for_each_weighing() -> None:
    rule = SettleRule(mode="each")
    lines: list[Said] = [(S, 412.0), (N, 412.0), (N, -350.0), (N, 0.4), (U, 300.0), Trouble.OVERLOAD]
    assert told(lines, rule, step_s=5.0) == [
        ("weight", 412.0, 1),
        ("weight", 412.0, 2),
        ("empty", 0.4, 2),
        ("trouble", "unsettled", 3),
        ("trouble", "overload", 4),
    ]
    assert told([(S, 412.0), (S, 412.0)], rule, step_s=0.5) == [("weight", 412.0, 1)]


says: st.SearchStrategy[Said] = st.one_of(
    st.sampled_from([Trouble.OVERLOAD, Trouble.UNDERLOAD, Trouble.NO_VALUE]),
    st.tuples(
        st.sampled_from([S, U, N]),
        st.sampled_from([0.0, 0.1, 3.0, 12.0, 30.0, 250.0, 250.1, 412.0, -350.0]) | st.floats(-500, 5000),
    ),
)


@settings(deadline=None, max_examples=300)
@given(st.lists(says, max_size=60), st.sampled_from([0.05, 0.3, 5.0]), st.sampled_from(["stream", "each"]))
def test_any_lines_give_at_most_one_weight_and_one_trouble_a_load(
    lines: list[Said], step_s: float, mode: str
) -> None:
    outcomes = run(Settler(SettleRule.model_validate({"mode": mode})), lines, step_s=step_s)
    weights = Counter(outcome.load for outcome in outcomes if isinstance(outcome, WeightSettled))
    troubles = Counter(
        outcome.load
        for outcome in outcomes
        if isinstance(outcome, ScaleTrouble)
        and outcome.trouble in (Trouble.UNSETTLED, Trouble.NOT_EMPTIED, Trouble.OVERLOAD)
    )
    assert all(count == 1 for count in (weights | troubles).values())
    assert all(outcome.weight_g > 0 for outcome in outcomes if isinstance(outcome, WeightSettled))
    loads = [
        outcome.load
        for outcome in outcomes
        if not isinstance(outcome, WeightSeen) and hasattr(outcome, "load")
    ]
    assert loads == sorted(loads)


@settings(deadline=None, max_examples=100)
@given(
    st.lists(st.tuples(st.floats(30, 5000), st.floats(-5, 12)), min_size=1, max_size=8),
    st.lists(st.tuples(st.just(U), st.floats(-50, 6000)), max_size=5),
    st.sampled_from([S, N]),
)
def test_every_load_between_two_empty_pans_gives_its_weight(
    fish: list[tuple[float, float]], wriggle: list[Said], rest: bool | None
) -> None:
    lines: list[Said] = [(rest, 0.0)] * 8
    for weight_g, empty_g in fish:
        lines += [*wriggle, *[(rest, weight_g)] * 8, *wriggle, *[(rest, empty_g)] * 8]
    weights = [outcome for outcome in run(Settler(SettleRule()), lines) if isinstance(outcome, WeightSettled)]
    assert [settled.weight_g for settled in weights] == [weight_g for weight_g, _ in fish]
    assert len({settled.load for settled in weights}) == len(fish)


@settings(deadline=None, max_examples=100)
@given(st.lists(says, max_size=30), st.lists(says, max_size=30))
def test_a_restored_settler_goes_on_as_the_first_would(before: list[Said], after: list[Said]) -> None:
    first, second = Settler(SettleRule()), Settler(SettleRule())
    run(first, before)
    second.restore(json.loads(json.dumps(first.state())))
    assert run(second, after, start_s=10.0) == run(first, after, start_s=10.0)
    assert second.next_deadline_s() == first.next_deadline_s()
