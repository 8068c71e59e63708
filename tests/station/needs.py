"""What a machine may lack: there a newcomer's test is skipped, and in CI it fails."""

import os

import pytest


def needed(there: object, why: str) -> None:
    """Go on only if `there` is true."""
    if not there:
        if os.environ.get("CI") == "true":
            pytest.fail(why)
        pytest.skip(why)
