"""Tags that fish lost, seen by a mark that does not fall off, or by the second of two tags."""

from dataclasses import dataclass

import numpy as np

from fishery.answers import Refused
from fishery.intervals import wilson_share
from fishery.tag_loss import LEAST_DOUBLE, TagLoss, double_tag_loss
from office.answers.records import Records


@dataclass(frozen=True, slots=True)
class Lost:
    """Share of tags lost, and the records of the fish behind it."""

    loss: TagLoss | Refused
    ids: tuple[str, ...]


def by_second_mark(records: Records, species: str) -> Lost | None:
    """Loss from fish that bear a lasting mark of an earlier year, with and without their tag; None where the file of the
    waters names no such mark or no such fish was scanned.

    A fish that bears the mark of an earlier year was tagged then. It kept its tag if its tag was known before this
    occasion; it lost it if no tag was found, or if it got a new one.
    """
    marks = {int(year): mark.casefold() for year, mark in records.facts.second_marks.items()}
    if not marks:
        return None
    fish = records.fish
    first = first_seen(records)
    kept: list[str] = []
    lost: list[str] = []
    for i in np.flatnonzero(records.of(species) & fish.examined):
        bears = records.notes.marks.get(str(fish.ids[i]), frozenset())
        if not any(
            mark in bears and year < int(fish.year[i]) for year, mark in marks.items() if fish.year[i] > 0
        ):
            continue
        animal = int(fish.animal[i])
        known = fish.tag_status[i] == "recapture" or (animal >= 0 and first[animal] < fish.occasion[i])
        (kept if known else lost).append(str(fish.ids[i]))
    ids = (*kept, *lost)
    if not ids:
        return None
    if len(ids) < LEAST_DOUBLE:
        return Lost(
            Refused(
                f"{len(ids)} fish with a mark of an earlier year.", f"{LEAST_DOUBLE} or more, better 50."
            ),
            ids,
        )
    interval = wilson_share(len(lost), len(ids))
    share = len(lost) / len(ids)
    return Lost(
        TagLoss(
            loss=share,
            interval=interval,
            kept_both=len(kept),
            kept_one=len(lost),
            still_known=1 - share,
            method="share of fish with a lasting mark that bear no tag of then",
            formula="loss = without tag / (with + without)",
            source="Seber 1982 p. 94 (a permanent second mark); limits: Wilson 1927",
            cautions=(
                "All times at large together: a tag is mostly lost soon after it was put in (from memory).",
            ),
        ),
        ids,
    )


def by_two_tags(records: Records, species: str) -> Lost | None:
    """Loss from fish that were put back with two tags, seen again with both or with one; None where there are none."""
    fish = records.fish
    mine = np.flatnonzero(records.of(species) & (fish.animal >= 0))
    double: set[int] = set()
    before: dict[int, int] = {}
    one: list[str] = []
    both: list[str] = []
    for i in mine:
        animal = int(fish.animal[i])
        two_now = str(fish.ids[i]) in records.notes.second_tags
        if animal in double and before[animal] < fish.occasion[i]:
            (both if two_now else one).append(str(fish.ids[i]))
            double.discard(animal)  # its next sighting is no independent one
        elif two_now and animal not in before:
            double.add(animal)
        before[animal] = int(fish.occasion[i])
    if not one and not both:
        return None
    return Lost(double_tag_loss(len(one), len(both)), (*one, *both))


def first_seen(records: Records) -> dict[int, int]:
    """By animal, the first occasion of its records; before all of them where it is known from elsewhere."""
    fish = records.fish
    animals = fish.animal[fish.animal >= 0]
    first: dict[int, int] = {}
    for animal, occasion in zip(animals, fish.occasion[fish.animal >= 0], strict=True):
        first.setdefault(int(animal), int(occasion))
    for one in records.priors:
        first[one.animal] = -1
    return first
