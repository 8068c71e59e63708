"""The power of the whole computer is cut while fish are worked up; nothing that was announced may be missing."""

import os
import subprocess
import time
from pathlib import Path
from random import Random
from typing import Any

import pytest

from ingest.frames import parse_rfc3339
from tests.guest.machine import Machine
from tests.guest.packages import Parts

CUTS = int(os.environ.get("TALLYWELL_CUTS", "24"))
DISK_MB = 512
LONGEST_WORK_S = 3.0
LONGEST_START_S = 6.0
SEED = 20


@pytest.mark.long
@pytest.mark.timeout(60 + 90 * CUTS)
def test_no_announced_fish_is_lost_by_cutting_the_power(parts: Parts, tmp_path: Path) -> None:
    disk = tmp_path / "disk.img"
    with open(disk, "wb") as image:
        image.truncate(DISK_MB << 20)
    subprocess.run([parts.mkfs, "-q", "-F", str(disk)], check=True)
    rng, announced, torn, working, began_s = Random(SEED), set[str](), set[str](), 0, time.time()
    for boot in range(CUTS):
        with Machine(parts, tmp_path, "tests.guest.power_job", str(boot), "work", disk=disk) as machine:
            if boot % 4 == 3:  # in the middle of a start, which heals what the cut before has left
                machine.wait_for(
                    "the start of the station", lambda said: any("starting" in one for one in said)
                )
                time.sleep(rng.uniform(0.0, LONGEST_START_S))  # the moment of the cut
            else:
                machine.wait_for("a fish announced", lambda said: any("saved" in one for one in said))
                time.sleep(rng.uniform(0.0, LONGEST_WORK_S))  # the moment of the cut
                working += 1
        torn |= _judge_a_start(machine.said, announced)
        announced |= _saved(machine.said)
        print(f"\n  cut {boot + 1}: {len(announced)} fish announced so far", end="", flush=True)
    with Machine(parts, tmp_path, "tests.guest.power_job", str(CUTS), "judge", disk=disk) as machine:
        said = machine.wait_for_end()
    torn |= _judge_a_start(said, announced)
    announced |= _saved(said)
    last = said[-2]
    print(
        f"\n{CUTS} power cuts ({working} while fish were worked up): {len(announced)} fish announced, "
        f"{len(last['stored'])} stored, {len(announced - set(last['stored']))} announced fish lost; "
        f"{len(torn)} journals with a torn tail (most torn by the test), all healed; {last['rebuild'][0]}"
    )
    assert announced - set(last["stored"]) == set()
    assert len(announced) >= working
    dates = [parse_rfc3339(one) for one in last["dates"]]
    assert began_s - 60 < dates[0] < dates[1] < time.time() + 60, f"a boot moved the dates: {last['dates']}"
    assert torn, "no journal was ever torn: the healing was not tried"
    assert last["stopped"] == 0
    assert last["integrity"] == "ok"
    assert last["twice"] == 0
    assert (last["differences"], last["refused"], last["lost_configs"]) == (0, 0, 0), last["rebuild"]
    assert last["set_aside"] == [], "a line in the middle of the journal is damaged"


def _saved(said: list[dict[str, Any]]) -> set[str]:
    return {one["saved"] for one in said if "saved" in one}


def _judge_a_start(said: list[dict[str, Any]], announced: set[str]) -> set[str]:
    """After the power came back: all announced fish are there, and no journal is torn any more. Which ones were."""
    mounted = next(one for one in said if "mounted" in one)
    for answers in (one for one in said if "answers" in one):  # not if the cut came before
        assert announced - set(answers["stored"]) == set(), "announced, and not in the database after the cut"
        # its own journal is being written to while it is looked at
        assert len(answers["torn"]) <= 1, f"torn and not healed: {answers['torn']}"
        assert not set(answers["torn"]) & set(mounted["torn"]), f"not healed: {answers['torn']}"
    return set(mounted["torn"])
