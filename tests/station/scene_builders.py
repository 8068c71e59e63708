"""Facts of a bench as the ingest thread gives them, a plain day unless told otherwise. All of it is invented."""

from typing import Any

BASS = {"slug": "largemouth_bass", "common": "Largemouth Bass"}
NOW = "2026-05-12T14:03:00.000Z"


def facts(**changes: Any) -> dict[str, Any]:
    """Between two fish of an open survey, nothing wrong."""
    made: dict[str, Any] = {
        "station": "bank",
        "bench": "main",
        "benches": ["main"],
        "flow": "single",
        "tags": "found_first",
        "now": NOW,
        "utc_offset_s": -18_000,
        "clock_doubtful": False,
        "survey": survey(),
        "survey_configured": True,
        "species": BASS,
        "choices": [BASS],
        "instruments": [
            instrument("reader", "tag_reader"),
            instrument("board", "board"),
            instrument("scale", "scale"),
        ],
        "disk_free_bytes": 20 << 30,
        "waiting_commits": 0,
        "database_trouble": None,
        "journal_trouble": None,
        "records_refused": 0,
        "in_hand": None,
        "parked": [],
        "held": [],
        "between": [],
        "owed": 0,
        "line_slip": None,
        "saved": None,
        "done": None,
        "batch": None,
        "counted": None,
        "again": False,
        "untagged_next": False,
        "waits_for_tag": False,
        "counts": [{"species": BASS, "n": 2}],
        "total": 2,
        "last": [row()],
    }
    return made | changes


def survey(**changes: Any) -> dict[str, Any]:
    made: dict[str, Any] = {
        "survey_id": "survey-1",
        "name": "May",
        "water": "Reedmace Pond",
        "opened_at": "2026-05-12T13:00:00.000Z",
        "provisional": False,
        "run_no": 2,
        "run_open": True,
        "run_started_at": "2026-05-12T13:50:00.000Z",
        "run_area": "upper bay",
        "work_up_run": 1,
        "withdrawal_until": None,
    }
    return made | changes


def instrument(name: str, kind: str, **changes: Any) -> dict[str, Any]:
    made: dict[str, Any] = {
        "name": name,
        "kind": kind,
        "role": "work_up",
        "bench": "main",
        "benches": ["main"],
        "port": "opened",
        "lost": False,
        "silent": False,
        "bytes": 120,
        "last_error": None,
    }
    return made | changes


def row(**changes: Any) -> dict[str, Any]:
    """One of the last fish."""
    made: dict[str, Any] = {
        "fish_id": "fish-1",
        "bench": "main",
        "run_no": 1,
        "worked_up_at": "2026-05-12T14:01:10.000Z",
        "species": BASS,
        "tag": "985120000000901",
        "tag_status": "new",
        "length_mm": 298.0,
        "weight_g": 341.5,
        "fate": "released",
        "status": "saved",
        "relative_weight": 95.0,
        "withdrawal_until": None,
    }
    return made | changes


def saved(**changes: Any) -> dict[str, Any]:
    made = row()
    made |= {"at": made["worked_up_at"], "rule": "complete", "findings": []}
    made |= {"captures": [], "captures_left_out": 0, "growth": None}
    return made | changes


def saved_recapture(**changes: Any) -> dict[str, Any]:
    """The fish of `recapture`, weighed and saved."""
    known = recapture()
    made = saved(
        tag=known["tag"], tag_status="recapture", length_mm=312.0, weight_g=420.0, relative_weight=97.6
    )
    made |= {"captures": known["captures"], "growth": grown(364.1, 12.0, 58.0, 1.0)}
    return made | changes


def fish(**changes: Any) -> dict[str, Any]:
    """A new fish in hand, measured, not weighed."""
    made: dict[str, Any] = {
        "fish_id": "fish-2",
        "line_no": None,
        "opened_at": "2026-05-12T14:02:00.000Z",
        "last_at": "2026-05-12T14:02:20.000Z",
        "says": "largemouth bass 312 mm, tag ...0902",
        "species": BASS,
        "species_from": "selected",
        "run_no": 1,
        "tag": "985120000000902",
        "tag_status": "new",
        "second_tag": None,
        "tags_seen": ["985120000000902"],
        "length_mm": 312.0,
        "weight_g": None,
        "candidates": {"length": None, "weight": None},
        "untagged": False,
        "no_weight": False,
        "fate": None,
        "note": None,
        "observations": [],
        "questions": [],
        "missing": ["weight"],
        "needs": ["tag", "length", "weight"],
        "findings": [],
        "relative_weight": None,
        "captures": [],
        "captures_left_out": 0,
        "growth": None,
    }
    return made | changes


def capture(at: str, mm: float | None, g: float | None, **changes: Any) -> dict[str, Any]:
    made: dict[str, Any] = {
        "at": at,
        "water": "Reedmace Pond",
        "species": BASS,
        "length_mm": mm,
        "weight_g": g,
        "fate": "released",
        "relative_weight": 96.2,
        "withdrawal_until": None,
        "growth": None,
    }
    return made | changes


def grown(days: float, mm: float | None, g: float | None, per_month: float | None = None) -> dict[str, Any]:
    return {"days": days, "mm": mm, "g": g, "mm_per_30_days": per_month, "g_per_30_days": None}


def recapture(**changes: Any) -> dict[str, Any]:
    made = fish(
        tag_status="recapture",
        species_from="history",
        captures=[
            capture("2024-05-14T12:00:00Z", 284.0, 305.0),
            capture("2025-05-13T12:00:00Z", 300.0, 362.0, growth=grown(364, 16.0, 57.0, 1.3)),
        ],
        growth=grown(364.1, 12.0, None, 1.0),
    )
    return made | changes


def question(**changes: Any) -> dict[str, Any]:
    made: dict[str, Any] = {
        "kind": "finding",
        "finding": "weight_slip",
        "sentence": "312 mm and 41.2 g do not fit Largemouth Bass, 412 g would (a slip?): measure the weight again.",
        "suspects": ["weight"],
        "proposes": {"weight": 412.0},
        "numbers": {},
    }
    return made | changes


def said(name: str, sentence: str = "", **changes: Any) -> dict[str, Any]:
    """An announcement."""
    made: dict[str, Any] = {
        "name": name,
        "sound": "part",
        "sentence": sentence or f"{name.replace('_', ' ')}.",
        "bench": "main",
        "at": "2026-05-12T14:02:30.000Z",
        "fish_id": None,
        "facts": {},
    }
    return made | changes
