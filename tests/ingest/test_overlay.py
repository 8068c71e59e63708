"""Look-ups over what waits for the database answer as if all of it were stored."""

from pathlib import Path
from tempfile import TemporaryDirectory

from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.overlay import OverlayLookup, Unstored
from ingest.records import Change, SaveFish, Status
from ingest.store import PriorRow, Store, load_inventory, load_prior_captures
from tests.ingest.builders import amend, fish, ready, run, survey

TAGS = ("985120000000001", "985120000000002", "985120000000003")
LATER = "2026-05-12T13:00:02.500Z"  # between the second fish and the third

_amendments = st.sampled_from(
    [("species", "bluegill"), ("fate", "removed"), ("length_mm", "333.0"), ("weight_g", None), ("void", "1")]
)


def _loaded(path: Path) -> Store:
    store = ready(path)
    load_inventory(store, TAGS[:2], source="box.csv", at="2026-05-01T00:00:00.000Z")
    prior = PriorRow(TAGS[0], "2025-05-12T12:00:00.000Z", "Mill Pond", "LMB", 300.0, 400.0, "released")
    load_prior_captures(store, [prior], source="before.csv")
    return store


@st.composite
def _changes(draw: st.DrawFn) -> list[Change]:
    made: list[Change] = []
    records = []
    for number in range(1, draw(st.integers(1, 5)) + 1):
        record = fish(
            number,
            tag=draw(st.sampled_from((*TAGS, None))),
            status=draw(st.sampled_from([Status.SAVED, Status.QUERIED, Status.VOID])),
            weight_g=400.0 + number,
        )
        records.append(record)
        made.append(SaveFish(record))
    for index, (field, new) in enumerate(draw(st.lists(_amendments, max_size=3))):
        made.append(amend(draw(st.sampled_from(records)), field, new, n=9000 + index))
    return made


@settings(deadline=None, max_examples=30)
@given(changes=_changes(), stored=st.integers(0, 8))
def test_it_makes_no_difference_how_much_is_stored_already(changes: list[Change], stored: int) -> None:
    with TemporaryDirectory() as folder:
        partly, whole = _loaded(Path(folder) / "partly.sqlite"), _loaded(Path(folder) / "whole.sqlite")
        with partly, whole:
            partly.commit(changes[:stored])
            whole.commit(changes)
            unstored = Unstored()
            unstored.note_surveys([survey(), run()])
            unstored.add(changes[stored:])
            over = OverlayLookup(partly.lookup, unstored)
            for tag in TAGS:
                for before in (None, LATER):
                    assert over.captures(tag, before) == whole.lookup.captures(tag, before)
                assert over.in_survey("survey-1", tag) == whole.lookup.in_survey("survey-1", tag)
                assert over.inventory(tag) == whole.lookup.inventory(tag)
            on_stored = {change.fish.fish_id for change in changes[:stored] if isinstance(change, SaveFish)}
            if on_stored & unstored.amended.keys():
                return  # the one thing that the overlay leaves out (see `length_weights`)
            for before in (LATER, "2027-01-01T00:00:00.000Z"):
                pairs = over.length_weights("Mill Pond", "LMB", before)
                assert sorted(pairs) == sorted(whole.lookup.length_weights("Mill Pond", "LMB", before))


def test_what_is_stored_in_the_end_counts_once() -> None:
    unstored = Unstored()
    unstored.add([SaveFish(fish(1)), amend(fish(1), "fate", "removed")])
    assert not unstored.empty
    unstored.clear()
    assert unstored.empty
