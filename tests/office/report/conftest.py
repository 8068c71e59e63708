"""Each invented water is written and reported once for all tests of a worker."""

from collections.abc import Callable
from functools import cache

import pytest

from office.report.files import render
from tests.office.report.cases import Case, made

Rendered = tuple[Case, dict[str, bytes]]


@pytest.fixture(scope="session")
def case(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Case]:
    """The report of the invented water of that name, as data."""
    return cache(lambda name: made(name, tmp_path_factory.mktemp("water")))


@pytest.fixture(scope="session")
def rendered(case: Callable[[str], Case]) -> Callable[[str], Rendered]:
    """The same with its files by name."""
    return cache(lambda name: (case(name), render(case(name).report)))
