"""The history of one animal by index says the same as the view over all of them."""

from dataclasses import replace
from pathlib import Path

from ingest.records import SaveFish
from ingest.store import PriorRow, Store, load_prior_captures
from ingest.store.history import animal_history
from tests.ingest.builders import TAG, fish, run, survey


def test_growth_is_that_since_the_capture_before_and_agrees_with_the_view(tmp_path: Path) -> None:
    with Store.open(tmp_path / "a.sqlite") as store:
        earlier = PriorRow(
            TAG, "2025-05-12T12:00:00.000Z", "Mill Pond", "largemouth_bass", 300.0, 380.0, "released"
        )
        load_prior_captures(store, [earlier], source="last_year.csv")
        store.commit([survey(), run(), SaveFish(replace(fish(), tag=TAG, closed=True))])
        found = animal_history(store.lookup, TAG)
        view = store.connection.execute(
            "SELECT at, length_mm, weight_g, days_since, mm_since, g_since, relative_weight FROM tag_history "
            "WHERE tag = ? ORDER BY at",
            (TAG,),
        ).fetchall()
    keys = ("at", "length_mm", "weight_g", "days_since", "mm_since", "g_since", "relative_weight")
    rows = [tuple(row[key] for key in keys) for row in found]
    assert len(rows) == 2
    assert rows[0][3:6] == (None, None, None)
    assert [row[:3] for row in rows] == [row[:3] for row in view]
    for ours, theirs in zip(rows[1][3:], view[1][3:], strict=True):
        assert abs(ours - theirs) < 1e-3


def test_a_tag_that_nobody_knows_has_no_history(tmp_path: Path) -> None:
    with Store.open(tmp_path / "a.sqlite") as store:
        assert animal_history(store.lookup, "985000000000999") == []
