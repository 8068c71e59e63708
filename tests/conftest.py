"""What tests of several folders share."""

import os
import signal
from collections.abc import Generator, Iterator

import pytest
from hypothesis import HealthCheck, settings
from playwright.sync_api import Browser

from tests.chromium import chromium


def pytest_configure() -> None:
    """No example of a property test is too slow: a busy computer may take any time. And a shell has what it starts in the
    background ignore Ctrl-C, and so would every program that a test starts."""
    settings.register_profile("patient", deadline=None, suppress_health_check=[HealthCheck.too_slow])
    settings.load_profile("patient")
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport() -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Where something is missing a newcomer's test is skipped; in CI it fails."""
    report = yield
    expected = hasattr(report, "wasxfail")
    if report.skipped and not expected and os.environ.get("CI") == "true":
        report.outcome = "failed"
        report.longrepr = f"no test may be skipped in CI: {report.longrepr}"
    return report


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """One for all tests of a worker: two of them in one process get in each other's way."""
    with chromium() as browser:
        yield browser
