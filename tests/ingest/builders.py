"""Builders of records for tests: a plausible fish unless told otherwise. All of it is invented."""

from dataclasses import replace
from pathlib import Path
from typing import Any

from ingest.catch_records import AmendBatch, BatchReading, BatchRecord
from ingest.records import (
    Amend,
    Finding,
    FishRecord,
    Part,
    ReadingRecord,
    SaveRun,
    SaveSurvey,
    Severity,
    Status,
    TagStatus,
    derived_id,
    fish_id,
    individual_id,
)
from ingest.store import FrameRow, Store

JOURNAL = "journal-1"
TAG = "985120012345678"
OTHER_TAG = "000012345678901"


def survey(**changes: Any) -> SaveSurvey:
    """An open survey of Mill Pond."""
    made = SaveSurvey(
        survey_id="survey-1",
        station="bank",
        name="Mill Pond, spring",
        water="Mill Pond",
        protocol="all",
        opened_at="2026-05-12T12:00:00.000Z",
        closed_at=None,
        provisional=False,
    )
    return replace(made, **changes)


def run(run_no: int = 1, **changes: Any) -> SaveRun:
    """A finished run of ten minutes."""
    made = SaveRun(
        survey_id="survey-1",
        run_no=run_no,
        started_at="2026-05-12T12:05:00.000Z",
        ended_at="2026-05-12T12:15:00.000Z",
        current_on_s=600.0,
    )
    return replace(made, **changes)


def reading(**changes: Any) -> ReadingRecord:
    """A length of 412 mm."""
    made = ReadingRecord(
        kind="length",
        role="used",
        journal_id=JOURNAL,
        n=2,
        at="2026-05-12T13:00:01.000Z",
        instrument="board",
        raw=b"412 mm\r\n",
        value=412.0,
        unit="mm",
        division=1.0,
    )
    return replace(made, **changes)


def finding(**changes: Any) -> Finding:
    """A serious finding with figures, suspects and a proposal."""
    made = Finding(
        name="weight_slip",
        severity=Severity.SERIOUS,
        sentence="The weight fits ten times better with the point moved.",
        numbers={"relative_weight": 9.7, "factor": 10, "equation": "published"},
        suspects=(Part.WEIGHT, Part.LENGTH),
        proposes={"weight_g": 970.0},
    )
    return replace(made, **changes)


def fish(number: int = 1, **changes: Any) -> FishRecord:
    """Closed fish `number` of the day, with its three readings; `tag` sets the tags and the individual too."""
    n = 10 * number
    at = f"2026-05-12T13:{number // 60 % 60:02}:{number % 60:02}.000Z"
    tag = changes.setdefault("tag", TAG)
    if tag is not None:
        changes.setdefault("individual_id", individual_id(tag))
        changes.setdefault("tags", ((tag, "primary"),))
    made = FishRecord(
        fish_id=fish_id(JOURNAL, n),
        journal_id=JOURNAL,
        opened_n=n,
        station="bank",
        bench="left",
        survey_id="survey-1",
        run_no=1,
        opened_at=at,
        worked_up_at=at,
        species="LMB",
        species_from="selected",
        tag=tag,
        tag_status=TagStatus.NEW,
        tags=(),
        individual_id=None,
        length_mm=412.0,
        length_type="total",
        length_unit="mm",
        weight_g=1020.5,
        weight_quality="measured",
        relative_weight=98.5,
        fate="released",
        status=Status.SAVED,
        closed=True,
        rule="all_parts_in",
        note=None,
        observations=(),
        readings=(
            reading(
                kind="tag",
                n=n,
                at=at,
                instrument="reader",
                raw=b"985 120012345678\r\n",
                text=tag,
                value=None,
            ),
            reading(n=n + 1, at=at),
            reading(
                kind="weight",
                n=n + 2,
                at=at,
                instrument="scale",
                raw=b"ST,+1020.5 g\r\n",
                value=1020.5,
                unit="g",
                division=0.5,
                load=number,
                empty_before_g=0.5,
                empty_after_g=-0.5,
            ),
        ),
        findings=(),
    )
    return replace(made, **changes)


def batch(number: int = 1, **changes: Any) -> BatchRecord:
    """Closed batch `number` of the day: 40 fish in a container of 850 g, three of them measured."""
    n = 5000 + 10 * number
    at = "2026-05-12T14:00:00.000Z"
    values = (
        ("length", 101.0),
        ("length", 109.0),
        ("length", 120.0),
        ("container", 850.0),
        ("gross", 1650.0),
    )
    made = BatchRecord(
        batch_id=derived_id("batch", JOURNAL, n),
        journal_id=JOURNAL,
        opened_n=n,
        bench="left",
        survey_id="survey-1",
        run_no=1,
        at=at,
        kind="batch",
        species="LMB",
        n=40,
        total_weight_g=800.0,
        container_g=850.0,
        fate="released",
        note=None,
        closed=True,
        readings=tuple(
            BatchReading(
                "length" if kind == "length" else "gross" if kind == "gross" else "container",
                value,
                "mm" if kind == "length" else "g",
                JOURNAL,
                n,
                at,
                "control",
                b"",
            )
            for kind, value in values
        ),
    )
    return replace(made, **changes)


def count(number: int, n: int, **changes: Any) -> BatchRecord:
    """`n` fish that were only counted."""
    only = {"kind": "count", "n": n, "total_weight_g": None, "container_g": None, "readings": ()}
    return batch(number, **{**only, **changes})


def amend_batch(record: BatchRecord, field: str, new: str, *, n: int = 9500) -> AmendBatch:
    """A correction of one field of a batch."""
    amendment_id = derived_id("batch amendment", JOURNAL, n)
    at = "2026-05-12T15:00:00.000Z"
    return AmendBatch(amendment_id, record.batch_id, at, "crew", "by command", field, None, new, JOURNAL, n)


def frames(record: FishRecord) -> list[FrameRow]:
    """The frames that the record's readings came from."""
    return [FrameRow(r.journal_id, r.n, r.at, r.instrument, r.raw) for r in record.readings]


def amend(record: FishRecord, field: str, new: str | None, *, n: int = 9000, index: int = 0) -> Amend:
    """A correction from the office of one field."""
    return Amend(
        amendment_id=derived_id("amendment", JOURNAL, n, index),
        fish_id=record.fish_id,
        at="2026-06-01T08:00:00.000Z",
        who="office",
        why="copied from the paper sheet",
        field=field,
        old=None if (old := getattr(record, field, None)) is None else str(old),
        new=new,
        journal_id=JOURNAL,
        n=n,
    )


def ready(path: Path) -> Store:
    """An open store at `path` that knows the survey and its first run."""
    store = Store.open(path)
    store.commit([survey(), run()])
    return store
