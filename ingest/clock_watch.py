"""Whether the wall clock can be trusted, and by how much it jumped. Pure: both clocks are arguments.

A small computer without a battery clock starts in the past and jumps when the network comes. Records keep
the order and the intervals of the monotonic clock; the wall clock's steps are noted, never applied backwards.
"""

STEP_S = 0.5
LOOK_S = 1.0


class ClockWatch:
    """Compares the wall clock (s since 1970) with the monotonic one (s)."""

    def __init__(self, wall_s: float, mono_s: float, not_before_s: float, doubtful: bool) -> None:
        """`wall_s` is what the journal takes for the time at `mono_s`, `doubtful` what it says of it; no true
        time lies before `not_before_s`."""
        self._offset_s = wall_s - mono_s
        self._not_before_s = not_before_s
        self._looked_s = float("-inf")
        self.doubtful = doubtful

    def look(self, wall_s: float, mono_s: float) -> dict[str, object] | None:
        """The body of an event `clock` if there is something to note: `step_s`, `doubtful`."""
        if mono_s - self._looked_s < LOOK_S:
            return None
        self._looked_s = mono_s
        step_s = wall_s - mono_s - self._offset_s
        doubtful = wall_s < self._not_before_s
        if abs(step_s) <= STEP_S and doubtful == self.doubtful:
            return None
        self.doubtful = doubtful
        if abs(step_s) <= STEP_S:
            return {"doubtful": doubtful}
        self._offset_s += step_s
        return {"step_s": round(step_s, 3), "doubtful": doubtful}
