"""The real browser of the tests."""

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

from playwright.sync_api import Browser, sync_playwright

from tests.station.needs import needed

CHROMIUM_ARGUMENTS: Final = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
)  # fmt: skip


@contextmanager
def chromium() -> Iterator[Browser]:
    """Without one the test is skipped, or fails where everything must run."""
    program = shutil.which("chromium")
    needed(program, "chromium is not installed: apt-get install chromium")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=program, args=list(CHROMIUM_ARGUMENTS))
        yield browser
        browser.close()
