"""What tests of several folders share."""

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser

from tests.chromium import chromium


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """One for all tests of a worker: two of them in one process get in each other's way."""
    with chromium() as browser:
        yield browser
