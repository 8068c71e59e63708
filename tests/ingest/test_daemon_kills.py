"""The station is killed at random moments while its instruments keep sending."""

import os
from pathlib import Path

from tests.ingest.kill_loop import kill_loop

KILLS = int(os.environ.get("TALLYWELL_KILLS", "8"))  # 40 or 500 for a long run


def test_no_announced_fish_is_lost_or_doubled_by_kills(tmp_path: Path) -> None:
    tally = kill_loop(tmp_path, KILLS)
    assert tally.wrong == []
    assert tally.kills == KILLS
    assert len(tally.announced) > KILLS
