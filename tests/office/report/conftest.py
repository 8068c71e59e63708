"""Each invented water is written and reported once for all tests of a worker."""

import shutil
from collections.abc import Callable, Iterator
from functools import cache

import pytest
from playwright.sync_api import Browser, sync_playwright

from office.report.files import render
from tests.office.report.cases import Case, made
from tests.station.looking import CHROMIUM_ARGUMENTS
from tests.station.needs import needed

Rendered = tuple[Case, dict[str, bytes]]


@pytest.fixture(scope="session")
def case(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Case]:
    """The report of the invented water of that name, as data."""
    return cache(lambda name: made(name, tmp_path_factory.mktemp("water")))


@pytest.fixture(scope="session")
def rendered(case: Callable[[str], Case]) -> Callable[[str], Rendered]:
    """The same with its files by name."""
    return cache(lambda name: (case(name), render(case(name).report)))


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    chromium = shutil.which("chromium")
    needed(chromium, "chromium is not installed: apt-get install chromium")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=list(CHROMIUM_ARGUMENTS))
        yield browser
        browser.close()
