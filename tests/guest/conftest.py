"""The guest's parts, or a plain reason why they are not there."""

import compileall

import pytest

from tests.guest.machine import ROOT
from tests.guest.packages import NoGuestError, Parts, guest_parts


@pytest.fixture(scope="session")
def parts() -> Parts:
    try:
        found = guest_parts()
    except NoGuestError as reason:
        pytest.skip(str(reason))
    for folder in ("cli", "drivers", "ingest", "simulators", "station", "tests"):
        # the guest cannot keep what it compiles, and is slow at it
        compileall.compile_dir(ROOT / folder, quiet=2)
    return found
