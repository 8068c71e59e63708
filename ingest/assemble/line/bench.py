"""The bench of a two-person line: the fish at the measuring end, and the fish that wait to be weighed.

The fish "in hand" is the one at the measuring end; the rules for its tag, its length and its questions are those of
the single bench. What differs is where it goes from there: into the queue, where the first weight finds the first fish.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace

from fishery.alignment import WINDOW
from ingest.assemble.bench import Bench, describe
from ingest.assemble.facts import missing_parts, value_findings
from ingest.assemble.parts import LineState, OpenFish, Ref, SavedFish, WeighedFish
from ingest.records import Part, Severity, Sound, Status

MOST_WEIGHED = 3 * WINDOW
"""So many fish are kept while the line is off by one and nobody decides; then the oldest go."""


@dataclass(slots=True)
class LineBench(Bench):
    """One step of a bench with `flow = "line"`."""

    @property
    def line(self) -> LineState:
        return self.state.line

    # --- at the measuring end -----------------------------------------------------------------------------------

    def review(self, fish: OpenFish, ref: Ref) -> None:
        """As on the single bench, but a fish that lacks only its weight is passed on."""
        state = self.state
        self._sync_questions(fish, value_findings(fish, self.context), ref)
        if fish.questions:
            self.store_unclosed(fish, Status.HELD, fish.questions[0].finding or fish.questions[0].kind)
            return
        if missing_parts(fish, self.context) - {Part.WEIGHT}:
            if fish.stored:
                self.store_unclosed(fish, Status.PARKED, "in_hand")
            return
        if self._may_wait_for_tag(fish) and fish.line_no is None:
            if state.grace_until_s is None:
                state.grace_until_s = ref.t_s + self.context.rules.tag_grace_s
            return
        self.hand_on(fish, "complete", ref)

    def close_as_it_is(self, fish: OpenFish, rule: str, ref: Ref) -> None:
        """The measurer went on: the fish lies between the two people now, whatever it lacks."""
        untagged = Part.TAG in missing_parts(fish, self.context) and not fish.tags
        if untagged:
            self.mark(fish, "tag_not_read", "The tag of this fish was not read before the crew went on.")
        self.hand_on(fish, rule, ref)
        if untagged:
            self.say_of(
                fish.fish_id,
                "tag_not_read",
                Sound.REMINDER,
                "The fish before went on without a tag read.",
                ref.at,
            )

    def hand_on(self, fish: OpenFish, rule: str, ref: Ref) -> None:
        """From the measuring end into the queue; a fish that is not to be weighed, or was, is saved instead."""
        state, line = self.state, self.line
        if Part.WEIGHT not in missing_parts(fish, self.context):
            self.close(fish, rule, ref)
            return
        if state.fish is fish:
            state.fish, state.grace_until_s = None, None
        if fish.line_no is not None:
            self.put_back(fish)
            return
        line.last_no += 1
        fish.line_no = line.last_no
        line.queue.append(fish)
        self.say_of(
            fish.fish_id,
            "fish_passed_on",
            Sound.PART,
            f"Fish {fish.line_no} to the scale: {describe(fish)}.",
            ref.at,
            number=fish.line_no,
            waiting=len(line.queue) + len(line.owed),
        )

    def put_back(self, fish: OpenFish) -> None:
        """A fish that a command reached for lies in its old place again."""
        self.line.queue.append(fish)  # only the newest is ever reached for

    # --- at the scale ---------------------------------------------------------------------------------------------

    def close_weighed(self, fish: OpenFish, rule: str, ref: Ref) -> None:
        """Save a fish that has its weight, or shall have none. What is doubtful now goes with it: the line moves on."""
        self._sync_questions(fish, value_findings(fish, self.context), ref)
        self.close(fish, rule, ref)

    def close(self, fish: OpenFish, rule: str, ref: Ref, *, status: Status | None = None) -> None:
        line = self.line
        line.queue = [one for one in line.queue if one.fish_id != fish.fish_id]
        weight = fish.used("weight")
        Bench.close(self, fish, rule, ref, status=status)
        saved = self.state.saved
        if saved is None:
            self.forget(fish.fish_id)
        if saved is None or weight is None or fish.line_no is None:
            return
        line.weighed.append(WeighedFish(fish.line_no, slim(saved), weight))
        self.trim()

    def forget(self, void: str) -> None:
        """A void fish is nobody's echo, and nobody measures it again."""
        line = self.line
        if line.last_length is not None and line.last_length.fish_id == void:
            line.last_length = None
        if line.last_weight is not None and line.last_weight.fish_id == void:
            line.last_weight = None
        if line.again is not None and line.again.fish_id == void:
            line.again = None

    def trim(self) -> None:
        line = self.line
        most = MOST_WEIGHED if line.slip is not None else WINDOW
        del line.weighed[:-most]
        if line.slip is not None and line.weighed[0].number > line.slip.number:
            line.slip = (
                None  # nobody decided for so long that its start is gone; the fish themselves are marked
            )

    def waiting(self) -> OpenFish | None:
        """The fish whose turn it is at the scale: the oldest between, else the one just measured."""
        if self.line.queue:
            return self.line.queue[0]
        fish = self.state.fish
        if (
            fish is None
            or fish.used("length") is None
            or Part.WEIGHT not in missing_parts(fish, self.context)
        ):
            return None
        return fish

    def part_failed(self, name: str, sentence: str) -> None:
        """What the scale could not say is of the fish whose turn it is there."""
        fish = self.waiting() if name.startswith("scale_") else self.state.fish
        if fish is not None:
            self.mark(fish, name, sentence)

    # --- fish that were saved ---------------------------------------------------------------------------------------

    def entry(self, fish_id: str) -> WeighedFish | None:
        line = self.line
        return next((one for one in (*line.owed, *line.weighed) if one.saved.record.fish_id == fish_id), None)

    @contextmanager
    def as_saved(self, entry: WeighedFish) -> Iterator[SavedFish]:
        """Amendments within go to this fish, though others were saved after it."""
        state = self.state
        before = state.saved
        state.saved = entry.saved
        try:
            yield entry.saved
        finally:
            entry.saved = state.saved
            last = before is not None and before.record.fish_id == entry.saved.record.fish_id
            state.saved = entry.saved if last else before

    def keep_in_step(self) -> None:
        """A command amended the fish saved last: the line's own copy of it reads the same."""
        saved = self.state.saved
        entry = self.entry(saved.record.fish_id) if saved is not None else None
        if saved is not None and entry is not None:
            entry.saved = slim(saved)


def slim(saved: SavedFish) -> SavedFish:
    """A saved fish without its trail: what amendments need, so that a checkpoint stays small."""
    serious = tuple(f for f in saved.record.findings if f.severity is Severity.SERIOUS and not f.settled)
    return replace(saved, record=replace(saved.record, readings=(), findings=serious))
