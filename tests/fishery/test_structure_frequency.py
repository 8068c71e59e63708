"""Length-frequency and the comparison of surveys: against a worked box, tables and an independent library."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from fishery.answers import Refused
from fishery.length_frequency import (
    CAVEATS,
    Comparison,
    LengthFrequency,
    class_width,
    compare_categories,
    compare_lengths,
    length_frequency,
)
from tests.fishery.covering import SURVEYS


def compared(answer: Comparison | Refused) -> Comparison:
    assert isinstance(answer, Comparison), answer
    return answer


def counted(answer: LengthFrequency | Refused) -> LengthFrequency:
    assert isinstance(answer, LengthFrequency), answer
    return answer


BOX = {1996: (77, 85), 1997: (124, 44), 1998: (251, 34)}


def test_three_years_of_the_worked_box() -> None:
    # Box 9.5 of Guy and Brown, editors (2007): chi-square 87.154 with 2 degrees of freedom.
    answer = compared(compare_categories(list(BOX.values()), ["S-Q", "Q"]))
    assert answer.test == "chi-square"
    assert answer.statistic == pytest.approx(87.154, abs=5e-4)
    assert answer.df == 2
    assert answer.n == (162, 168, 285)
    assert answer.effect == pytest.approx(85 / 162 - 34 / 285)
    assert answer.cautions == CAVEATS


@pytest.mark.parametrize(
    ("years", "printed", "within"),
    [((1996, 1997), 0.000002, 5e-7), ((1996, 1998), 0, 1e-6), ((1997, 1998), 0.000174, 5e-7)],
)
def test_pairs_of_years_of_the_worked_box(years: tuple[int, int], printed: float, within: float) -> None:
    # Same box, pairwise: p 0.000002, below 0.000001, 0.000174.
    assert compared(compare_categories([BOX[year] for year in years], ["S-Q", "Q"])).p == pytest.approx(
        printed, abs=within
    )


def test_thin_categories_are_thrown_together_and_named() -> None:
    answer = compared(compare_categories([(30, 20, 3, 1), (25, 28, 1, 0)], ["S-Q", "Q-P", "P-M", "M-T"]))
    assert answer.pooled == ("Q-P+P-M+M-T",)
    plain = compared(compare_categories([(30, 24), (25, 29)], ["S-Q", "Q"]))
    assert (answer.statistic, answer.p) == pytest.approx((plain.statistic, plain.p))
    # the first stays by itself, however thin
    low = compared(compare_categories([(1, 30, 24), (0, 25, 29)], ["S-Q", "Q-P", "P"]))
    assert low.pooled == ("Q-P+P",)
    assert low.test == "exact (Fisher)"


def test_a_thin_first_category_does_not_hide_a_change_of_psd() -> None:
    # PSD 95 and 63: 6 of 115 and 10 of 27 fish below quality length; by scipy's own exact test of these four P is 4.8e-5.
    answer = compared(
        compare_categories([(6, 60, 49, 0, 0), (10, 8, 9, 0, 0)], ["S-Q", "Q-P", "P-M", "M-T", "T"])
    )
    assert answer.pooled == ("Q-P+P-M",)
    assert answer.p == pytest.approx(stats.fisher_exact(np.array([[6, 109], [10, 17]]))[1])
    assert answer.p < 1e-4


def test_two_small_samples_are_compared_exactly() -> None:
    # Fisher (1935), The design of experiments: the lady tasting tea, 3 of 4 cups right on either side: two-sided 0.486.
    answer = compared(compare_categories([(3, 1), (1, 3)], ["S-Q", "Q"]))
    assert answer.test == "exact (Fisher)"
    assert answer.p == pytest.approx(0.4857, abs=5e-5)
    assert answer.df is None


def test_three_thin_surveys_get_a_rough_p_and_a_word() -> None:
    answer = compared(compare_categories([(3, 1), (1, 3), (2, 2)], ["S-Q", "Q"]))
    assert answer.test == "chi-square"
    assert answer.cautions[0] == "The least expected count is 2.0: p is rough."


def test_surveys_that_cannot_be_compared_are_refused() -> None:
    for counts in ([(0, 0), (3, 4)], [(5, 0), (3, 0)], [(5, 4)]):
        assert isinstance(compare_categories(counts, ["S-Q", "Q"]), Refused)
    with pytest.raises(ValueError, match="none negative"):
        compare_categories([(1, -1), (3, 4)], ["S-Q", "Q"])
    refused = compare_lengths([200.0] * 9, [200.0] * 30)
    assert isinstance(refused, Refused)
    assert refused.why == "Samples of 9 and 30 fish."


def test_kolmogorov_smirnov_distance_of_the_textbook_mites() -> None:
    # Sokal and Rohlf (1995), Boxes 13.7 and 13.8, leg lengths of two samples of a mite: D = 0.475, below the 5 % point of
    # 84 / 160 (from memory).
    one = [104, 109, 112, 114, 116, 118, 118, 119, 121, 123, 125, 126, 126, 128, 128, 128]
    other = [100, 105, 107, 107, 108, 111, 116, 120, 121, 123]
    answer = compared(compare_lengths(one, other))
    assert answer.statistic == pytest.approx(0.475)
    assert answer.effect == answer.statistic
    assert answer.p > 0.05


@SURVEYS
def test_equal_waters_are_called_different_no_more_often_than_said(surveys: int) -> None:
    called = np.zeros(2)
    for number in range(surveys):
        rng = np.random.default_rng((41, number))
        one, other = (np.round(rng.gamma(8, 40, 80)) for _ in range(2))
        edges = [0, 200, 300, 380, 1e9]
        counts = [np.histogram(sample, edges)[0].tolist() for sample in (one, other)]
        by_shape = compared(compare_lengths(one, other))
        by_category = compared(compare_categories(counts, ["sub", "S-Q", "Q-P", "P"]))
        called += by_shape.p < 0.05, by_category.p < 0.05
    # 5 of 100, and 3 points; Kolmogorov-Smirnov lies below because of ties
    assert np.all(called / surveys < (0.08 if surveys >= 2000 else 0.095))
    assert called[1] / surveys > 0.02


@pytest.mark.parametrize(
    ("longest_mm", "mm", "inch"),
    [(300, 10, 0.5), (301, 20, 1.0), (600, 20, 1.0), (601, 50, 2.0), (1800, 50, 2.0)],
)
def test_class_widths_of_the_handbook(longest_mm: float, mm: float, inch: float) -> None:
    # Anderson and Neumann (1996), as cited in open course notes: 1 cm (0.5 in) up to 30 cm, 2 cm (1 in) up to 60 cm, 5 cm.
    assert class_width(longest_mm, "mm") == mm
    assert class_width(longest_mm, "in") == inch


@settings(deadline=None, max_examples=60)
@given(st.lists(st.floats(20, 1400), min_size=1, max_size=80), st.sampled_from(["mm", "in"]))
def test_every_fish_is_in_one_class_whose_ends_are_multiples_of_the_width(
    lengths: list[float], unit: str
) -> None:
    answer = counted(length_frequency(lengths, unit))
    assert sum(answer.counts) == answer.n == len(lengths)
    assert answer.counts[0] > 0
    assert answer.counts[-1] > 0
    assert len(answer.edges) == len(answer.counts) + 1
    assert [edge / answer.width for edge in answer.edges] == pytest.approx(
        [round(e / answer.width) for e in answer.edges]
    )
    if unit == "mm":
        again = np.histogram(lengths, bins=[*answer.edges[:-1], answer.edges[-1] + 1e-9])[0]
        assert np.abs(again - answer.counts).sum() <= 2 * sum(
            abs(le / answer.width % 1 - 0.5) > 0.4999999 for le in lengths
        )


def test_a_fish_at_the_edge_belongs_above_it_in_either_unit() -> None:
    assert counted(length_frequency([299.9, 300.0, 301.0], "mm", 10)).counts == (1, 2)
    inches = [x * 25.4 for x in (11.9, 12.0, 12.4, 12.5)]
    assert counted(length_frequency(inches, "in", 0.5)).edges == (11.5, 12.0, 12.5, 13.0)
    assert counted(length_frequency(inches, "in", 0.5)).counts == (1, 2, 1)


def test_a_width_that_binary_fractions_cannot_hold_moves_no_fish() -> None:
    assert 4.3 / 0.1 < 43
    tenths = counted(length_frequency([4.3 * 25.4, 4.4 * 25.4], "in", 0.1))
    assert tenths.edges == pytest.approx((4.3, 4.4, 4.5))
    assert tenths.counts == (1, 1)


def test_few_fish_for_many_classes_are_remarked_and_none_refused() -> None:
    assert "20 wanted" in counted(length_frequency([200.0, 215.0])).cautions[0]
    assert not counted(length_frequency([200.0] * 10 + [215.0] * 10)).cautions
    assert isinstance(length_frequency([]), Refused)
    with pytest.raises(ValueError, match="above 0"):
        length_frequency([200.0], "mm", 0)


def test_chi_square_as_an_independent_computation_has_it() -> None:
    counts = np.array([(30, 22, 14), (18, 25, 31)])
    expected = np.outer(counts.sum(1), counts.sum(0)) / counts.sum()
    statistic = float(((counts - expected) ** 2 / expected).sum())
    answer = compared(compare_categories(counts.tolist(), ["S-Q", "Q-P", "P"]))
    assert answer.statistic == pytest.approx(statistic)
    assert answer.p == pytest.approx(float(stats.chi2.sf(statistic, 2)))
