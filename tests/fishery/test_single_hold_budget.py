"""How many real fish would a window of relative weight hold? A crew that is held for every twentieth good
fish stops listening, so at most 1 fish in 100 of published data may lie outside 40-200."""

import csv
import math
from collections.abc import Iterable
from pathlib import Path
from statistics import NormalDist, mean

import pytest

from fishery.single import StandardWeight, relative_weight, standard_weight_g

DATA = Path(__file__).parent / "data"
CUTTHROAT_LOTIC = StandardWeight(-5.189, 3.099, 0, None, None, "TL", "Kruse and Hubert (1997)")
CUTTHROAT_LENTIC = StandardWeight(-5.192, 3.086, 0, None, None, "TL", "Kruse and Hubert (1997)")
WALLEYE = StandardWeight(-5.453, 3.18, 0, 150, None, "TL", "Murphy et al. (1990)")


def rows(name: str) -> list[dict[str, str]]:
    lines = (DATA / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def share_outside(wr: Iterable[float], least: float, greatest: float) -> float:
    """Share of fish whose relative weight lies outside the window, 0 to 1."""
    outside = [not least <= one <= greatest for one in wr]
    return sum(outside) / len(outside)


def wr_of(equation: StandardWeight, length_mm: float, weight_g: float) -> float:
    ws_g = standard_weight_g(equation, length_mm)
    assert ws_g is not None
    return relative_weight(weight_g, ws_g)


@pytest.fixture(scope="module")
def cutthroat_wr() -> list[float]:
    """150 real fish: Box 10.1 of Guy and Brown, editors (2007); A is a stream's, B and C are lakes'."""
    lines = {"A": CUTTHROAT_LOTIC, "B": CUTTHROAT_LENTIC, "C": CUTTHROAT_LENTIC}
    return [
        wr_of(lines[row["population"]], float(row["tl_mm"]), float(row["weight_g"]))
        for row in rows("wr_cutthroat_box10_1.csv")
    ]


def test_no_cutthroat_of_the_box_would_be_held_or_marked(cutthroat_wr: list[float]) -> None:
    assert len(cutthroat_wr) == 150
    assert share_outside(cutthroat_wr, 40, 200) == 0
    assert share_outside(cutthroat_wr, 60, 140) == 0


def test_a_window_as_narrow_as_the_target_range_would_question_good_fish(cutthroat_wr: list[float]) -> None:
    # 80-120 questions 4.6 to 70 % of the fish of published samples of walleye, bass, perch and bluegill.
    assert share_outside(cutthroat_wr, 80, 120) > 0.046


def walleye_wr(quantile: str) -> list[float]:
    return [
        wr_of(WALLEYE, float(row["length_mm"]), float(row[quantile]))
        for row in rows("walleye_quantiles_ranney2018.csv")
    ]


def test_at_most_one_walleye_in_a_hundred_would_be_held() -> None:
    # Ranney (2018), Table 3: quantiles of 33,597 fish of 102 populations. From the 10 % and 90 % lines
    # follows the SD of log weight (0.051); normal tails then give the share outside, class by class.
    normal = NormalDist()
    spread = normal.inv_cdf(0.9) - normal.inv_cdf(0.1)
    shares = []
    for low, middle, high in zip(walleye_wr("0.10"), walleye_wr("0.50"), walleye_wr("0.90"), strict=True):
        sd = math.log10(high / low) / spread
        assert 0.050 < sd < 0.054
        shares.append(
            normal.cdf(math.log10(40 / middle) / sd) + 1 - normal.cdf(math.log10(200 / middle) / sd)
        )
    assert mean(shares) < 0.01
