"""The durable records: one SQLite file with one owner, amended in the open, read through documented views."""

from ingest.store.errors import (
    BatchLost,
    ConflictingFish,
    DatabaseInUse,
    DatabaseTooNew,
    NotOurDatabase,
    RecordRefused,
    StoreBroken,
    StoreBusy,
    StoreFull,
    StoreMoved,
    StoreTrouble,
    UnsafeSettings,
)
from ingest.store.loading import load_inventory, load_prior_captures
from ingest.store.lookup import Lookup
from ingest.store.pragmas import JournalMode
from ingest.store.rows import Checkpoint, ContentRow, FrameRow, PriorRow
from ingest.store.snapshot import Manifest, snapshot
from ingest.store.store import Store

__all__ = [
    "BatchLost",
    "Checkpoint",
    "ConflictingFish",
    "ContentRow",
    "DatabaseInUse",
    "DatabaseTooNew",
    "FrameRow",
    "JournalMode",
    "Lookup",
    "Manifest",
    "NotOurDatabase",
    "PriorRow",
    "RecordRefused",
    "Store",
    "StoreBroken",
    "StoreBusy",
    "StoreFull",
    "StoreMoved",
    "StoreTrouble",
    "UnsafeSettings",
    "load_inventory",
    "load_prior_captures",
    "snapshot",
]
