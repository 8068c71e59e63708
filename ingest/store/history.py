"""The captures of one animal with its growth, by index: the same rows as the view `tag_history` has for it.

The view numbers the captures of every tag before one can be picked; among a million fish that takes a minute.
"""

from typing import Any

from fishery.single import days_between, growth_between
from ingest.records import PriorCapture
from ingest.store.lookup import Lookup


def animal_history(lookup: Lookup, tag: str) -> list[dict[str, Any]]:
    """Every capture of the animal with this tag, oldest first, also under an earlier tag.

    Each row: at, water, survey_id, species, length_mm, weight_g, days_since, mm_since, g_since (since the
    capture before; None for the first, or where a value is missing), relative_weight (%), fate, fish_id,
    individual_id. Raises StoreTrouble if the database cannot be read now.
    """
    rows: list[dict[str, Any]] = []
    before: PriorCapture | None = None
    for capture in lookup.captures(tag):
        rows.append(
            {
                "at": capture.at,
                "water": capture.water,
                "survey_id": capture.survey_id,
                "species": capture.species,
                "length_mm": capture.length_mm,
                "weight_g": capture.weight_g,
                **_since(before, capture),
                "relative_weight": lookup.relative_weight(capture.fish_id),
                "fate": capture.fate,
                "fish_id": capture.fish_id,
                "individual_id": capture.individual_id,
            }
        )
        before = capture
    return rows


def _since(before: PriorCapture | None, now: PriorCapture) -> dict[str, float | None]:
    if before is None:
        return {"days_since": None, "mm_since": None, "g_since": None}
    try:
        days: float | None = days_between(before.at, now.at)
    except ValueError:  # a date from elsewhere that is none: kept as it was written
        days = None
    grown = growth_between(days or 0.0, before.length_mm, now.length_mm, before.weight_g, now.weight_g)
    return {"days_since": days, "mm_since": grown.length_mm, "g_since": grown.weight_g}
