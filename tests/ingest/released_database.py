"""Makes the small database that stands for a release in the upgrade test.

Run once per release, from the checkout of that release: `python -m tests.ingest.released_database FOLDER` writes
`schema_v<version>.sqlite` there. Files of older releases are never made anew.
"""

import sqlite3
import sys
from contextlib import closing
from pathlib import Path

from ingest.catch_records import AddCrew, SaveBatch, SaveTreatment
from ingest.records import AddFinding, AttachReading, Observation, SaveFish, Status
from ingest.store import Checkpoint, PriorRow, Store, load_inventory, load_prior_captures, snapshot
from ingest.store.schema import SCHEMA_VERSION
from tests.ingest.builders import (
    JOURNAL,
    OTHER_TAG,
    TAG,
    amend,
    amend_batch,
    batch,
    finding,
    fish,
    frames,
    reading,
    ready,
)


def fill(store: Store) -> None:
    """One row of everything that a station writes."""
    parked = fish(2, tag=OTHER_TAG, closed=False, status=Status.PARKED, findings=(finding(),))
    done = fish(1, observations=(Observation("sex", "female"),))
    store.commit([SaveFish(done), SaveFish(parked)], frames(done), Checkpoint("{}", "a.jsonl", 10, 1))
    store.commit(
        [
            AttachReading(done.fish_id, reading(role="echo", n=77)),
            AddFinding(done.fish_id, finding(), JOURNAL, 78),
            amend(done, "length_mm", "398"),
        ]
    )
    parcel = batch()
    treatment = SaveTreatment(
        "t1", "survey-1", None, "invented", "40 mg/l", "2026-06-02", parcel.at, None, JOURNAL, 79
    )
    crew = AddCrew("c1", "survey-1", 1, "tagger", "AB", parcel.at, JOURNAL, 80)
    store.commit([SaveBatch(parcel), amend_batch(parcel, "fate", "removed"), treatment, crew])
    load_inventory(store, [OTHER_TAG], source="box 1", at="2026-05-01T00:00:00Z")
    prior = PriorRow(TAG, "2025-05-12", "Mill Pond", "LMB", 360.0, 600.0, "released")
    load_prior_captures(store, [prior], source="pack")


def main(folder: Path) -> None:
    live = folder / "live.sqlite"
    with ready(live) as store:
        fill(store)
        released = snapshot(store, folder / f"schema_v{SCHEMA_VERSION}.sqlite").path
    live.unlink()
    with closing(sqlite3.connect(released, isolation_level=None)) as small:
        small.execute("PRAGMA page_size = 512")
        small.execute("VACUUM")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
