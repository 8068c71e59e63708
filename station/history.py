"""A recaptured fish on the page: its earlier captures, how it grew, a small growth curve, and what to mind. Pure."""

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Any

from station.units import (
    Units,
    length_change,
    length_number,
    length_rate,
    length_text,
    length_unit,
    length_value,
    weight_change,
    weight_text,
)
from station.words import common

SHOWN_CAPTURES = 5
GONE = ("removed", "died", "kept")


def history(fish: Mapping[str, Any], units: Units, offset: timedelta) -> dict[str, object] | None:
    """The captures as rows of text, newest first, the fish in hand not among them; None without any."""
    captures = fish.get("captures") or []
    if not captures:
        return None
    shown = captures[::-1][:SHOWN_CAPTURES]
    return {
        "rows": [_row(one, units, offset) for one in shown],
        "left_out": len(captures) - len(shown) + fish.get("captures_left_out", 0),
        "now": _condition_now(fish),
    }


def _row(capture: Mapping[str, Any], units: Units, offset: timedelta) -> dict[str, object]:
    grown = capture.get("growth") or {}
    wr = capture.get("relative_weight")
    return {
        "date": day(capture["at"], offset),
        "water": capture["water"] or "water unknown",
        "length": length_text(capture["length_mm"], units),
        "weight": weight_text(capture["weight_g"], units),
        "grown": length_change(grown["mm"], units) if grown.get("mm") is not None else "",
        "wr": "" if wr is None else f"{wr:.0f}",
        "fate": capture["fate"] if capture["fate"] in GONE else "",
        "species": common(capture["species"]),
    }


def _condition_now(fish: Mapping[str, Any]) -> dict[str, str] | None:
    """Relative weight at the last capture that has one, and now."""
    now = fish.get("relative_weight")
    before = [one["relative_weight"] for one in fish["captures"] if one.get("relative_weight") is not None]
    if now is None or not before:
        return None
    return {"then": f"{before[-1]:.0f}", "now": f"{now:.0f}"}


def since_last(fish: Mapping[str, Any], units: Units) -> dict[str, str] | None:
    """Growth since the last capture, each part as text, empty where it is not known yet."""
    grown = fish.get("growth")
    if grown is None:
        return None
    rate = grown["mm_per_30_days"]
    return {
        "length": "" if grown["mm"] is None else length_change(grown["mm"], units),
        "weight": "" if grown["g"] is None else weight_change(grown["g"], units),
        "rate": "" if rate is None else length_rate(rate, units),
        "time": time_span(grown["days"]),
    }


def time_span(days: float) -> str:
    """`today`, `12 days`, `7 months`, `2.1 years`; a month is 30.44 days, a year 365.25."""
    if days < 1:
        return "today"
    if days < 60:
        return f"{days:.0f} day{'' if round(days) == 1 else 's'}"
    if days < 700:
        return f"{days / 30.44:.0f} months"
    return f"{days / 365.25:.1f} years"


def curve(fish: Mapping[str, Any], now: str, units: Units) -> dict[str, object] | None:
    """Length over time for a small drawing: points in days since the first, lengths in the unit shown; None for fewer
    than two. The last point is new if the fish in hand is measured."""
    dated = [(_moment(one["at"]), one["length_mm"], one["at"], False) for one in fish.get("captures") or []]
    if fish.get("length_mm") is not None and fish.get("captures"):
        at = fish.get("last_at") or now
        dated.append((_moment(at), fish["length_mm"], at, True))
    known = [(moment, mm, at, new) for moment, mm, at, new in dated if moment is not None and mm is not None]
    if len(known) < 2:
        return None
    first = known[0][0]
    return {
        "points": [
            {
                "days": round((moment - first).total_seconds() / 86_400, 2),
                "length": round(length_value(mm, units), 3),
                "year": at[:4],
                "text": length_number(mm, units),
                "new": new,
            }
            for moment, mm, at, new in known
        ],
        "unit": length_unit(units),
        "says": ", ".join(f"{at[:10]}: {length_text(mm, units)}" for _, mm, at, _ in known),
    }


def fish_warnings(fish: Mapping[str, Any], now: str) -> list[str]:
    """What is to be minded about this fish: drugs first, then what the checks mark."""
    found: list[str] = []
    days = [one["withdrawal_until"] for one in fish.get("captures") or [] if one["withdrawal_until"]]
    if fish.get("withdrawal_until"):
        days.append(fish["withdrawal_until"])
    until = max(days, default="")
    if until > now[:10]:
        found.append(f"Drug-treated until {until}: not to be eaten before.")
    found += [one["sentence"] for one in fish.get("findings") or () if one["name"] not in _SAID_ELSEWHERE]
    return found


# The clock has a notice of its own, and the moment asks for the species.
_SAID_ELSEWHERE = frozenset({"clock_doubtful", "no_species"})


def day(at: str, offset: timedelta) -> str:
    """The day of a capture at the station; the first characters of what is no time."""
    moment = _moment(at)
    return at[:10] if moment is None or len(at) <= 10 else (moment + offset).strftime("%Y-%m-%d")


def _moment(at: str) -> datetime | None:
    try:
        moment = datetime.fromisoformat(at)
    except ValueError:
        return None
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)
