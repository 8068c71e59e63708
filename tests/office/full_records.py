"""A database with at least one of everything that an export could get wrong. All of it is invented."""

from pathlib import Path

from ingest.catch_records import SaveBatch, SaveRelation
from ingest.records import AddFinding, Observation, RunMethod, RunPlace, SaveFish, Status
from ingest.store import PriorRow, Store, load_prior_captures
from tests.ingest.builders import (
    JOURNAL,
    OTHER_TAG,
    TAG,
    amend,
    amend_batch,
    batch,
    count,
    finding,
    fish,
    ready,
    run,
    survey,
)

ODD_WATERS = ('Teich "am" Süd/Nord', "=2+3", "2024", "mill pond", "..", "池", "con\nsole", "W" * 200)
HEX_TAG = "12E4567890"
HOSTILE = (
    '=HYPERLINK("http://192.0.2.1","x")', "+1", "-1", "@SUM(A1)", "\tTab", "\rCarriage", "\nLine", " =1+1", "'quoted",
    "''", 'say "no"', "a,b;c", "two\r\nlines", "Größe 池 🐟 é", "", " ", "_x0041_", "null\x00 and bell\x07", "#N/A",
    "1e5", "007", "TRUE", "2026-05-12", "\\N", "NULL", "＝1", "ends with \\", "\ufffe",
)  # fmt: skip


def everything(path: Path) -> Store:
    """An open store: a run with catch and one without, odd waters, texts that hurt, amendments, all years."""
    store = ready(path)
    fill(store)
    held = fish(5, tag="000000000000005", closed=False, status=Status.HELD)
    store.commit([SaveFish(held), SaveBatch(batch(3, closed=False))])
    return store


def fill(store: Store) -> None:
    """The same without what is still open, into a store that knows the first survey and its first run."""
    place = RunPlace(44.123456789, -93.5, 44.2, -93.6, 17.3, 1284.25)
    method = RunMethod("upper bay", "boat electrofishing", 1, "DC, 60 Hz")
    store.commit([run(1, place=place, method=method, note="wind"), run(2, current_on_s=1 / 3)])
    fishes = [
        fish(number, tag=None, note=text, length_mm=0.1 + 0.2 + number, relative_weight=100 / 3)
        for number, text in enumerate(HOSTILE, 100)
    ]
    store.commit([SaveFish(one) for one in fishes])
    seen = (Observation("sex", "female"), Observation("anomaly", HOSTILE[0], "A1"))
    store.commit(
        [
            SaveFish(fish(1, observations=seen, withdrawal_until="2026-06-02")),
            SaveFish(fish(2, tag=HEX_TAG, weight_g=None, weight_quality="not_weighed", species=None)),
            SaveFish(fish(3, tag=OTHER_TAG, run_no=None, status=Status.QUERIED, findings=(finding(),))),
            SaveFish(fish(4, tag=None)),
            SaveBatch(batch(1)),
            SaveBatch(count(2, 12, species="BLG", note=HOSTILE[1])),
        ]
    )
    store.commit(
        [
            AddFinding(fish(1).fish_id, finding(name="later", settled=True), JOURNAL, 900),
            amend(fish(2), "length_mm", "398.5", n=9001),
            amend(fish(1), "note", "a long story", n=9002),
            amend(fish(4), "void", "1", n=9003),
            amend_batch(batch(1), "fate", "removed"),
        ]
    )
    store.commit([SaveRelation("survey-1", "LMB", -5.2, 3.1, 0.01, 0.04, 50)])
    for number, water in enumerate(ODD_WATERS):
        survey_id = f"odd-{number}"
        at = f"{2020 + number}-07-0{number + 1}T10:00:00Z"
        store.commit(
            [
                survey(survey_id=survey_id, water=water, opened_at=at, name=None),
                run(1, survey_id=survey_id, started_at=at, ended_at=None),
                SaveFish(fish(500 + number, survey_id=survey_id, worked_up_at=at, tag=TAG)),
            ]
        )
    provisional = survey(
        survey_id="nameless", water=None, provisional=True, opened_at="2026-12-31T23:59:59.5Z"
    )
    store.commit([provisional, SaveFish(fish(600, survey_id="nameless", run_no=None, tag=None))])
    load_prior_captures(
        store,
        [
            PriorRow(TAG, "2019-05-12", "Mill Pond", "LMB", 360.0, 600.0, "released"),
            PriorRow(OTHER_TAG, "some time ago", None, None, None, None, "released"),
        ],
        source="pack",
    )
