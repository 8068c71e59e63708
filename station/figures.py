"""The three figures of a fish, tag, length and weight, as the page shows them large. Pure."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal

from station.units import (
    Units,
    length_number,
    length_unit,
    signed_length,
    signed_weight,
    weight_number,
    weight_unit,
)
from station.words import tail

FigureState = Literal["in", "missing", "doubt", "none"]


@dataclass(frozen=True, slots=True)
class Figure:
    """One of the three parts of a fish. `extra` stands small beside: a second value, the growth, where a tag comes from."""

    label: str
    value: str = ""
    unit: str = ""
    state: FigureState = "none"
    extra: str = ""


def fish_figures(fish: Mapping[str, Any], units: Units) -> tuple[Figure, Figure, Figure]:
    """Tag, length and weight of a fish in hand or parked."""
    suspects = {part for one in fish["questions"] for part in one["suspects"]}
    kinds = {one["kind"] for one in fish["questions"]}
    missing = set(fish["missing"])
    if fish["tag"] is not None:
        came = {"new": "new", "recapture": "recapture", "repeat": "earlier today", "unknown": "on no list"}
        extra = came.get(fish["tag_status"] or "", "")
        before = len(fish["captures"]) + fish["captures_left_out"]
        if before and fish["tag_status"] == "recapture":
            extra = f"{before} before"
        if fish["second_tag"] is not None:
            extra = f"and {tail(fish['second_tag'])}"
        tag = tag_figure(fish["tag"], extra, "doubt" if "tag" in suspects else "in")
    elif fish["untagged"]:
        tag = Figure("Tag", "none", "", "in")
    else:
        tag = Figure("Tag", state="missing" if "tag" in missing else "none")
    measures = []
    for label, kind, value in (
        ("Length", "length", fish["length_mm"]),
        ("Weight", "weight", fish["weight_g"]),
    ):
        figure = measure_figure(label, value, kind, kind in missing, units)
        if value is not None and (kind in suspects or f"two_{kind}s" in kinds):
            other = fish["candidates"][kind]
            number = length_number if kind == "length" else weight_number
            figure = replace(
                figure, state="doubt", extra=f"or {number(other, units)}" if other is not None else ""
            )
        if kind == "weight" and value is None and fish["no_weight"]:
            figure = Figure("Weight", "none", "", "in")
        measures.append(figure)
    length, weight = _compared(measures[0], measures[1], fish, units)
    return tag, length, weight


def _compared(length: Figure, weight: Figure, fish: Mapping[str, Any], units: Units) -> tuple[Figure, Figure]:
    """A recapture's measures beside those of its last capture: what they were, then what it gained."""
    grown = fish.get("growth") or {}
    last = (fish.get("captures") or [{}])[-1]
    if not length.extra and length.state != "doubt":
        if grown.get("mm") is not None:
            length = replace(length, extra=signed_length(grown["mm"], units))
        elif last.get("length_mm") is not None and length.state == "missing":
            length = replace(length, extra=f"was {length_number(last['length_mm'], units)}")
    if not weight.extra and weight.state != "doubt":
        if grown.get("g") is not None:
            weight = replace(weight, extra=signed_weight(grown["g"], units))
        elif last.get("weight_g") is not None and weight.state == "missing":
            weight = replace(weight, extra=f"was {weight_number(last['weight_g'], units)}")
    return length, weight


def saved_figures(facts: Mapping[str, Any], units: Units) -> tuple[Figure, Figure, Figure]:
    """Of the fish saved last on this bench, as its amendments leave it."""
    saved = facts["saved"]
    if saved is None:
        return Figure("Tag"), Figure("Length"), Figure("Weight")
    row = next((one for one in facts["last"] if one["fish_id"] == saved["fish_id"]), saved)
    tag, length, weight = _row_figures(row, units)
    return tag, *_compared(length, weight, saved, units)


def said_figures(one: Mapping[str, Any], units: Units) -> tuple[Figure, Figure, Figure]:
    return _row_figures(one.get("facts") or {}, units)


def _row_figures(row: Mapping[str, Any], units: Units) -> tuple[Figure, Figure, Figure]:
    status = row.get("tag_status")
    words = {"none_found": "none", "not_scanned": "not read"}
    tag = row.get("tag")
    extra = {"new": "new", "recapture": "recapture", "unknown": "on no list"}.get(str(status), "")
    return (
        tag_figure(str(tag), extra, "in") if tag else Figure("Tag", words.get(str(status), ""), "", "none"),
        measure_figure("Length", row.get("length_mm"), "length", False, units),
        measure_figure("Weight", row.get("weight_g"), "weight", False, units),
    )


def tag_figure(tag: str, extra: str, state: FigureState) -> Figure:
    return Figure("Tag" if extra else "Tag …", tag[-4:], "", state, extra)


def measure_figure(label: str, value: float | None, kind: str, missing: bool, units: Units) -> Figure:
    if value is None:
        return Figure(label, state="missing" if missing else "none")
    if kind == "length":
        return Figure(label, length_number(value, units), length_unit(units), "in")
    return Figure(label, weight_number(value, units), weight_unit(units), "in")
