"""The facts for a screen beside a bench, from a station that works; and that asking for them changes nothing."""

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from ingest.answers import Answers
from simulators.crew import BASS, BLUEGILL, Crew
from tests.ingest.stations import MAY_2026_S, Live, fish, length, said_on, tag, weigh, worked, write_station

KNOWN, NEW = "985120000000101", "985120000000102"
HISTORY = """tag,date,water,species,length_mm,weight_g,fate
985120000000101,2024-05-01,Reedmace Pond,largemouth_bass,255,210,released
985120000000101,2025-05-01,Reedmace Pond,largemouth_bass,288,320,released
"""


@pytest.fixture
def live(tmp_path: Path) -> Live:
    (tmp_path / "history").mkdir()
    (tmp_path / "history" / "before.csv").write_text(HISTORY)
    return Live(write_station(tmp_path), 100.0)


def scene(live: Live, **request: Any) -> dict[str, Any]:
    answers = Answers(live.recorder, live.store, dict, lambda: MAY_2026_S + 100.0)
    return answers.to({"ask": "scene", **request})


def test_before_the_first_fish_there_is_no_survey_and_the_species_of_the_bench(live: Live) -> None:
    facts = scene(live)
    assert (facts["ok"], facts["survey"], facts["survey_configured"]) == (True, None, True)
    assert facts["species"] == {"slug": "largemouth_bass", "common": "Largemouth Bass"}
    assert (facts["counts"], facts["total"], facts["last"]) == ([], 0, [])
    assert [one["name"] for one in facts["instruments"]] == ["reader", "board", "scale"]
    assert facts["disk_free_bytes"] > 0
    assert facts["now"] == "2026-05-12T13:01:40.000Z"


def test_an_unknown_bench_is_refused(live: Live) -> None:
    assert scene(live, bench="left") == {
        "ok": False,
        "error": "There is no bench 'left'; known are main.",
    }
    assert not scene(live, bench=7)["ok"]


def test_a_recapture_in_hand_brings_its_history_and_growth(live: Live) -> None:
    live.hear(110, "reader", tag(KNOWN))
    in_hand = scene(live)["in_hand"]
    assert (in_hand["tag"], in_hand["tag_status"], in_hand["missing"]) == (
        KNOWN,
        "recapture",
        ["length", "weight"],
    )
    assert in_hand["growth"]["mm"] is None
    live.hear(111, "board", length(312))
    in_hand = scene(live)["in_hand"]
    assert [(one["length_mm"], one["weight_g"]) for one in in_hand["captures"]] == [
        (255.0, 210.0),
        (288.0, 320.0),
    ]
    assert in_hand["captures"][1]["growth"]["mm"] == 33.0
    assert in_hand["growth"]["mm"] == 24.0
    # Ws of largemouth bass at 288 mm: log10 Ws = -5.528 + 3.273 log10 288 (Henson 1991, as cited in its species file)
    ws_g = 10 ** (-5.528 + 3.273 * 2.459392)
    assert in_hand["captures"][1]["relative_weight"] == pytest.approx(100 * 320 / ws_g, abs=0.1)


def test_a_saved_recapture_still_brings_its_history(live: Live) -> None:
    fish(live, 110, KNOWN)
    saved = scene(live)["saved"]
    assert saved["tag"] == KNOWN
    assert [one["length_mm"] for one in saved["captures"]] == [255.0, 288.0]
    assert (saved["growth"]["mm"], saved["growth"]["g"]) == (24.0, 92.0)
    fish(live, 130, NEW)
    assert (scene(live)["saved"]["captures"], scene(live)["saved"]["growth"]) == ([], None)


def test_a_held_fish_brings_its_question(live: Live) -> None:
    live.hear(110, "reader", tag(NEW))
    live.hear(111, "board", length(312))
    weigh(live, 112, 41.2)
    in_hand = scene(live)["in_hand"]
    assert [one["finding"] for one in in_hand["questions"]] == ["weight_slip"]
    assert in_hand["questions"][0]["suspects"] == ["weight"]


def test_counts_follow_saves_batches_amendments_and_voids(live: Live) -> None:
    t_s = fish(live, 110, NEW)
    live.event(t_s + 5, "test", "command", command="count bluegill 12")
    facts = scene(live)
    assert {one["species"]["slug"]: one["n"] for one in facts["counts"]} == {
        "largemouth_bass": 1,
        "bluegill": 12,
    }
    assert facts["total"] == 13
    assert [one["tag"] for one in facts["last"]] == [NEW]
    assert facts["saved"]["length_mm"] == 312.0
    t_s = fish(live, t_s + 20, "985120000000103", 301, 377.0)
    live.event(t_s + 5, "test", "command", command="species-once smallmouth bass")
    facts = scene(live)
    assert facts["last"][0]["species"]["slug"] == "smallmouth_bass"
    assert {one["species"]["slug"]: one["n"] for one in facts["counts"]}["smallmouth_bass"] == 1
    live.event(t_s + 6, "test", "command", command="void")
    facts = scene(live)
    assert [one["tag"] for one in facts["last"]] == [NEW]
    assert facts["total"] == 13


def test_a_database_that_cannot_be_read_leaves_the_fish_in_hand_on_the_screen(live: Live) -> None:
    fish(live, 110, NEW)
    known = scene(live)
    live.hear(130, "reader", tag(KNOWN))
    live.store.connection.execute("PRAGMA busy_timeout = 10")
    with closing(sqlite3.connect(live.station.database, isolation_level=None)) as other:
        other.execute("BEGIN EXCLUSIVE")
        facts = scene(live)
        other.execute("ROLLBACK")
    assert facts["in_hand"]["tag"] == KNOWN
    assert len(facts["in_hand"]["captures"]) == 2
    assert known["total"] == 1


def test_asking_freezes_no_relation_of_the_survey(live: Live) -> None:
    live.hear(110, "reader", tag(KNOWN))
    live.hear(111, "board", length(312))
    survey = live.recorder.engine.state.survey
    assert survey is not None
    survey.relations.clear()  # as when a provisional survey gets its name with a fish in hand
    scene(live)
    assert survey.relations == {}


def test_asking_after_every_reading_changes_no_record_and_no_state(tmp_path: Path) -> None:
    day = worked(3, 8, Crew(stocks=(BASS, BLUEGILL)))
    dumps = []
    for name in ("asked", "not_asked"):
        live = Live(write_station(tmp_path / name, day), 100.0)
        answers = Answers(live.recorder, live.store, dict, lambda: MAY_2026_S)
        for one in said_on(day):
            if one.event is not None:
                continue
            live.hear(100.0 + one.t_s, one.instrument, one.data)
            if name == "asked":
                assert answers.to({"ask": "scene"})["ok"]
        state = live.recorder.engine.checkpoint().replace(live.recorder.engine.state.journal_id, "J")
        rows = live.store.connection.execute(
            "SELECT species, tag, length_mm, weight_g, status, relative_weight FROM fish_all ORDER BY worked_up_at"
        ).fetchall()
        dumps.append((len(state), rows))
    assert dumps[0] == dumps[1]
    assert len(dumps[0][1]) >= 6
