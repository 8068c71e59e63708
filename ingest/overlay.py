"""What is decided but not yet in the database: look-ups see it as if it were stored.

While the database cannot be written, fish wait in memory. A tag saved a minute ago must still count as done.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Literal, TypeVar

from ingest.assemble.context import Lookup
from ingest.records import Amend, Change, FishRecord, PriorCapture, SaveFish, SaveSurvey, Status
from ingest.store import StoreTrouble

Answer = TypeVar("Answer")


class Unstored:
    """The closed fish and the amendments that wait for the database, by fish."""

    def __init__(self) -> None:
        self.fish: dict[str, FishRecord] = {}
        self.amended: dict[str, dict[str, str | None]] = {}
        self.waters: dict[str, str | None] = {}  # of every survey that was seen, stored or not
        self.closed: set[str] = set()  # those of them that are closed

    def add(self, changes: Sequence[Change]) -> None:
        """These changes wait from now on."""
        for change in changes:
            if isinstance(change, SaveFish) and change.fish.closed:
                self.fish[change.fish.fish_id] = change.fish
            elif isinstance(change, Amend):
                self.amended.setdefault(change.fish_id, {})[change.field] = change.new

    def note_surveys(self, changes: Sequence[Change]) -> None:
        for change in changes:
            if isinstance(change, SaveSurvey):
                self.waters[change.survey_id] = change.water
                if change.closed_at is not None:
                    self.closed.add(change.survey_id)

    def clear(self) -> None:
        """Everything is stored now."""
        self.fish.clear()
        self.amended.clear()

    @property
    def empty(self) -> bool:
        return not self.fish and not self.amended

    def is_void(self, fish_id: str) -> bool:
        void = self.amended.get(fish_id, {}).get("void")
        if void is not None:
            return void == "1"
        return fish_id in self.fish and self.fish[fish_id].status is Status.VOID

    def tags_of(self, fish: FishRecord) -> set[str]:
        """The tags that count for a waiting fish."""
        tags = {tag for tag, role in fish.tags if role == "second"}
        own = self.amended.get(fish.fish_id, {}).get("tag", fish.tag)
        return tags | ({own} if own else set())

    def capture(self, fish: FishRecord) -> PriorCapture:
        made = PriorCapture(
            fish.worked_up_at,
            self.waters.get(fish.survey_id),
            fish.survey_id,
            fish.species,
            fish.length_mm,
            fish.weight_g,
            fish.fate,
            fish.individual_id,
            fish.fish_id,
            fish.withdrawal_until,
        )
        return self.patched(made)

    def patched(self, capture: PriorCapture) -> PriorCapture:
        """A capture with the amendments that wait for its fish."""
        fields = self.amended.get(capture.fish_id or "", {})
        made = capture
        if "species" in fields:
            made = replace(made, species=fields["species"])
        if "fate" in fields:
            made = replace(made, fate=fields["fate"] or made.fate)
        if "length_mm" in fields:
            made = replace(made, length_mm=_number(fields["length_mm"]))
        if "weight_g" in fields:
            made = replace(made, weight_g=_number(fields["weight_g"]))
        return made


class OverlayLookup:
    """A `Lookup` over the database and over what still waits for it."""

    def __init__(self, base: Lookup, unstored: Unstored) -> None:
        self._base = base
        self._unstored = unstored

    def captures(self, tag: str, before: str | None) -> tuple[PriorCapture, ...]:
        stored = self._base.captures(tag, before)
        waiting = self._unstored
        if waiting.empty:
            return stored
        found = [
            waiting.patched(one)
            for one in stored
            if one.fish_id is None or (one.fish_id not in waiting.fish and not waiting.is_void(one.fish_id))
        ]
        individuals = {one.individual_id for one in stored if one.individual_id}
        for fish in waiting.fish.values():
            same = tag in waiting.tags_of(fish) or fish.individual_id in individuals
            early = before is None or _instant(fish.worked_up_at) < _instant(before)
            if same and early and not waiting.is_void(fish.fish_id):
                found.append(waiting.capture(fish))
        return tuple(sorted(found, key=lambda one: (_instant(one.at), one.fish_id or "")))

    def in_survey(self, survey_id: str, tag: str) -> str | None:
        waiting = self._unstored
        if not waiting.empty:
            mine = [
                fish
                for fish in waiting.fish.values()
                if fish.survey_id == survey_id
                and tag in waiting.tags_of(fish)
                and not waiting.is_void(fish.fish_id)
            ]
            if mine:
                return max(mine, key=lambda fish: (_instant(fish.worked_up_at), fish.fish_id)).fish_id
        stored = self._base.in_survey(survey_id, tag)
        if stored is None or not waiting.is_void(stored):
            return stored
        others = [one for one in self.captures(tag, None) if one.survey_id == survey_id and one.fish_id]
        return others[-1].fish_id if others else None

    def inventory(self, tag: str) -> Literal["unused", "used"] | None:
        stored = self._base.inventory(tag)
        if stored is None or self._unstored.empty:
            return stored
        waiting = self._unstored
        # A survey that nobody saw since the start is an old one.
        now = {survey for survey in waiting.waters if survey not in waiting.closed}
        return "used" if any(one.survey_id not in now for one in self.captures(tag, None)) else "unused"

    def inventory_loaded(self) -> bool:
        return self._base.inventory_loaded()

    def length_weights(self, water: str, species: str, before: str) -> list[tuple[float, float]]:
        """Waiting amendments of fish that are stored do not count here: such a fish is of the survey now
        open, and a relation rests on earlier ones."""
        pairs = self._base.length_weights(water, species, before)
        waiting = self._unstored
        for fish in waiting.fish.values():
            capture = waiting.capture(fish)
            if (
                (capture.water, capture.species) == (water, species)
                and capture.length_mm
                and capture.weight_g
                and fish.weight_quality == "measured"
                and fish.status is not Status.QUERIED
                and not waiting.is_void(fish.fish_id)
                and _instant(fish.worked_up_at) < _instant(before)
            ):
                pairs.append((capture.length_mm, capture.weight_g))
        return pairs


class PatientLookup:
    """A `Lookup` that asks again until the database can be read: bytes that arrive wait meanwhile."""

    def __init__(self, base: Lookup, patience: Callable[[StoreTrouble], None]) -> None:
        """`patience` waits a while after each failure, or raises to give up."""
        self._base = base
        self._patience = patience

    def captures(self, tag: str, before: str | None) -> tuple[PriorCapture, ...]:
        return self._ask(lambda: self._base.captures(tag, before))

    def in_survey(self, survey_id: str, tag: str) -> str | None:
        return self._ask(lambda: self._base.in_survey(survey_id, tag))

    def inventory(self, tag: str) -> Literal["unused", "used"] | None:
        return self._ask(lambda: self._base.inventory(tag))

    def inventory_loaded(self) -> bool:
        return self._ask(self._base.inventory_loaded)

    def length_weights(self, water: str, species: str, before: str) -> list[tuple[float, float]]:
        return self._ask(lambda: self._base.length_weights(water, species, before))

    def _ask(self, question: Callable[[], Answer]) -> Answer:
        while True:
            try:
                return question()
            except StoreTrouble as trouble:
                self._patience(trouble)


def _instant(at: str) -> str:
    return at.rstrip("Z")


def _number(text: str | None) -> float | None:
    return None if text is None else float(text)
