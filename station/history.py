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
    signed_length,
    weight_change,
    weight_number,
    weight_text,
    weight_unit,
)

SHOWN_CAPTURES = 4
GONE = ("removed", "died", "kept")


def history(fish: Mapping[str, Any], units: Units, offset: timedelta) -> dict[str, object] | None:
    """The captures as rows of text, newest first, the fish in hand not among them; None without any."""
    captures = fish.get("captures") or []
    if not captures:
        return None
    shown = captures[::-1][:SHOWN_CAPTURES]
    return {
        "heads": [length_unit(units), weight_unit(units)],
        "rows": [_row(one, units, offset) for one in shown],
        "n": len(captures) + fish.get("captures_left_out", 0),
    }


def _row(capture: Mapping[str, Any], units: Units, offset: timedelta) -> dict[str, object]:
    grown = capture.get("growth") or {}
    wr = capture.get("relative_weight")
    return {
        "date": day(capture["at"], offset),
        "water": capture["water"] or "water unknown",
        "length": "–" if capture["length_mm"] is None else length_number(capture["length_mm"], units),
        "weight": "–" if capture["weight_g"] is None else weight_number(capture["weight_g"], units),
        "grown": signed_length(grown["mm"], units) if grown.get("mm") is not None else "",
        "wr": "" if wr is None else f"{wr:.0f}",
        "fate": capture["fate"] if capture["fate"] in GONE else "",
    }


def recapture_sentence(fish: Mapping[str, Any], units: Units) -> str:
    """The last capture in one sentence while the fish is not measured; then how it grew since, and its condition."""
    last, grown = fish["captures"][-1], fish.get("growth") or {}
    when = time_span(grown["days"]) if grown.get("days") is not None else last["at"][:10]
    ago = f"{when} ago" if grown.get("days") is not None and when != "today" else when
    if grown.get("mm") is None:
        where = f" in {last['water']}" if last["water"] else ""
        measured = f"{length_text(last['length_mm'], units)}, {weight_text(last['weight_g'], units)}"
        return f"Last caught {ago}{where}: {measured}."
    gains = [length_change(grown["mm"], units)]
    if grown.get("mm_per_30_days") is not None:
        gains[0] += f" ({length_rate(grown['mm_per_30_days'], units)})"
    if grown.get("g") is not None:
        gains.append(weight_change(grown["g"], units))
    now = fish.get("relative_weight")
    before = [one["relative_weight"] for one in fish["captures"] if one.get("relative_weight") is not None]
    then = f"{before[-1]:.0f}, now " if before else ""
    wr = f" Relative weight {then}{now:.0f}." if now is not None else ""
    return f"Since last time, {ago}: {', '.join(gains)}.{wr}"


def time_span(days: float) -> str:
    """`today`, `12 days`, `7 months`, `2.1 years`; a month is 30.44 days, a year 365.25."""
    if days < 1:
        return "today"
    if days < 60:
        return f"{days:.0f} day{'' if round(days) == 1 else 's'}"
    if days < 700:
        return f"{days / 30.44:.0f} months"
    return f"{days / 365.25:.1f} years"


def curve(fish: Mapping[str, Any], now: str, units: Units, offset: timedelta) -> dict[str, object] | None:
    """Length over time for a small drawing: points in days since the first, lengths in the unit shown; None for fewer
    than two. The last point is new if the fish in hand is measured."""
    dated = [(_moment(one["at"]), one["length_mm"], one["at"], False) for one in fish.get("captures") or []]
    if fish.get("length_mm") is not None and fish.get("captures"):
        at = fish.get("last_at") or fish.get("at") or now
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
                "year": day(at, offset)[:4],
                "text": length_number(mm, units),
                "new": new,
            }
            for moment, mm, at, new in known
        ],
        "unit": length_unit(units),
        "says": ", ".join(f"{day(at, offset)}: {length_text(mm, units)}" for _, mm, at, _ in known),
    }


def fish_warnings(fish: Mapping[str, Any], today: str) -> list[str]:
    """What is to be minded about this fish: drugs first, then whether it is gone by the records, then what else the
    checks mark. `today`: the day at the station."""
    found: list[str] = []
    days = [one["withdrawal_until"] for one in fish.get("captures") or [] if one["withdrawal_until"]]
    if fish.get("withdrawal_until"):
        days.append(fish["withdrawal_until"])
    until = max(days, default="")
    if until > today:
        found.append(f"Drug-treated until {until}: not to be eaten before.")
    marks = [one for one in fish.get("findings") or () if one["severity"] == "notice"]
    marks.sort(key=lambda one: one["name"] != "recorded_as_gone")
    found += [one["sentence"] for one in marks if one["name"] not in _SAID_ELSEWHERE]
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
