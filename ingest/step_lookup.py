"""The look-up of the engine within one step: what the step itself has just saved is on record too.

One chunk of bytes may hold several lines. Replay gives each line a step of its own, with a commit between; here the
second line must see what the first one saved, or live and replay would differ.
"""

from collections.abc import Sequence

from ingest.assemble.context import Lookup
from ingest.records import Amend, Change, SaveFish, Status


class StepLookup:
    """Answers as `base` does, with the closed fish of `changes` (those of the step so far) counted in."""

    def __init__(self, base: Lookup) -> None:
        self._base = base
        self.changes: Sequence[Change] = ()
        self.captures = base.captures
        self.inventory = base.inventory
        self.inventory_loaded = base.inventory_loaded
        self.length_weights = base.length_weights

    def in_survey(self, survey_id: str, tag: str) -> str | None:
        void = set()
        for change in reversed(self.changes):
            if isinstance(change, Amend) and change.field == "void" and change.new == "1":
                void.add(change.fish_id)
            elif isinstance(change, SaveFish) and change.fish.closed and change.fish.survey_id == survey_id:
                fish = change.fish
                booked = (held for held, role in fish.tags if role != "set_aside")
                if tag in booked and fish.status is not Status.VOID and fish.fish_id not in void:
                    return fish.fish_id
        found = self._base.in_survey(survey_id, tag)
        return None if found in void else found
