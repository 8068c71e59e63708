"""A running station for all tests of a worker; every page in a context of its own."""

from collections.abc import Callable, Iterator
from contextlib import ExitStack

import pytest
from playwright.sync_api import Browser

from tests.station.looking import View
from tests.station.stage import Stage, stage_on, write_stage


@pytest.fixture(scope="session")
def stage(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stage]:
    """A running station with four benches. Whoever uses it clears the bench first."""
    with stage_on(write_stage(tmp_path_factory.mktemp("stage"))) as running:
        yield running


OpenView = Callable[..., View]


@pytest.fixture
def open_view(browser: Browser) -> Iterator[OpenView]:
    """Opens a page of a station: `open_view(address, bench="main", size=(1280, 800))`. At the end nothing may have gone
    wrong on it, and nothing may have been asked of any other computer."""
    with ExitStack() as closing:

        def open_one(address: str, **how: object) -> View:
            view = View(browser, address, **how)  # type: ignore[arg-type]
            closing.callback(view.close)
            return view

        yield open_one
