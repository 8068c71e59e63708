"""What a machine may lack."""

import pytest


def needed(there: object, why: str) -> None:
    """Go on only if `there` is true."""
    if not there:
        pytest.skip(why)
