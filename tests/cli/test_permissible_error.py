"""Limits of a check against the table of the standard."""

import json
from pathlib import Path
from typing import Any

import pytest

from cli.permissible_error import class_iii_limit_g, judge

# OIML R 76-1:2006, Table 6 (class III) and 3.5.2, computed outside of this project.
VECTORS = json.loads((Path(__file__).parent / "vectors" / "oiml_mpe.json").read_text())["vectors"]
CLASS_III = [one for one in VECTORS if one["cls"] == "III"]


@pytest.mark.parametrize("vector", CLASS_III, ids=lambda one: f"{one['load_g']}g_e{one['e_g']}")
def test_the_limit_is_that_of_class_iii_in_service(vector: dict[str, Any]) -> None:
    if vector["mpe_in_service_g"] is None:
        with pytest.raises(ValueError, match="class III ends at 10000"):
            class_iii_limit_g(vector["load_g"], vector["e_g"])
    else:
        assert class_iii_limit_g(vector["load_g"], vector["e_g"]) == pytest.approx(vector["mpe_in_service_g"])


@pytest.mark.parametrize(
    ("shown_g", "passed"),
    [(500.0, True), (501.0, True), (499.0, True), (501.1, False), (498.9, False), (50.0, False)],
)
def test_a_scale_may_be_off_by_the_limit_and_no_more(shown_g: float, passed: bool) -> None:
    assert judge("weight", 500.0, shown_g, 1.0).passed is passed


def test_the_limit_counts_in_divisions_of_the_scale() -> None:
    assert judge("weight", 100.0, 100.2, 0.1).limit == pytest.approx(0.2)  # 1000 e: 2 x 1 e
    assert judge("weight", 100.0, 100.2, 0.1).passed  # 0.2 in binary is a hair more than the limit


@pytest.mark.parametrize(
    ("shown_mm", "passed"), [(299.0, True), (301.0, True), (302.0, False), (298.0, False)]
)
def test_a_board_may_be_off_by_one_division(shown_mm: float, passed: bool) -> None:
    assert judge("length", 300.0, shown_mm, 1.0).passed is passed


def test_an_error_keeps_its_sign() -> None:
    assert judge("weight", 500.0, 498.0, 1.0).error == -2.0
