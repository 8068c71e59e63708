"""The station is killed at random moments while its instruments keep sending."""

from pathlib import Path

import pytest

from tests.ingest.kill_loop import kill_loop


@pytest.mark.parametrize(
    "kills",
    [
        pytest.param(40, marks=pytest.mark.timeout(900)),
        pytest.param(500, marks=[pytest.mark.long, pytest.mark.timeout(7200)]),
    ],
)
def test_no_announced_fish_is_lost_or_doubled_by_kills(kills: int, tmp_path: Path) -> None:
    tally = kill_loop(tmp_path, kills)
    print(f"{kills} kills: {len(tally.announced)} fish announced, none lost, none twice, the rebuild agrees")
    assert tally.wrong == []
    assert tally.kills == kills
    assert len(tally.announced) > kills
