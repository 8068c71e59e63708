"""What the store takes and gives besides the records of `ingest.records`: plain tuples, one per row."""

from typing import NamedTuple


class FrameRow(NamedTuple):
    """One journal frame that a record rests on.

    `data` are the bytes as they arrived. For a frame without bytes, `event` is its name and `data` the UTF-8
    JSON of its body.
    """

    journal_id: str
    n: int
    at: str
    source: str
    data: bytes
    event: str | None = None


class Checkpoint(NamedTuple):
    """How far the journal had been read, and the engine's state there (JSON)."""

    state: str
    journal_file: str
    offset: int
    n: int


class PriorRow(NamedTuple):
    """A capture known from elsewhere: another station, an earlier year. Lengths mm, weights g.

    `fish_id` is given where the capture is a fish of a Tallywell database. If it turns out to be one of this very
    database, its own record counts while the survey is open, or if no `survey_id` says that the survey was closed when
    the history was written; else the history's version, which brings the corrections of the office. The fate `void`
    says that a capture counts no more.
    """

    tag: str
    at: str
    water: str | None
    species: str | None
    length_mm: float | None
    weight_g: float | None
    fate: str
    individual_id: str | None = None
    survey_id: str | None = None
    fish_id: str | None = None
    withdrawal_until: str | None = None  # ISO 8601 day before which the fish may not be eaten


class ContentRow(NamedTuple):
    """A version of a config, species or inventory file in use; its text lies by the journal."""

    sha256: str
    name: str
    kind: str
    first_used_at: str
