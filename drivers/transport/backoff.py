"""How long to wait before a port is tried again."""

from collections.abc import Callable

FIRST_S = 0.5
LONGEST_S = 5.0


class Backoff:
    """0.5 s, doubling to 5 s, each up to a quarter shorter by chance: readers must not march in step.

    `chance` gives numbers from 0 to 1.
    """

    def __init__(self, chance: Callable[[], float]) -> None:
        self._chance = chance
        self._base_s = FIRST_S

    def next_s(self) -> float:
        """Seconds to wait now; the next answer is longer."""
        base_s, self._base_s = self._base_s, min(LONGEST_S, self._base_s * 2)
        return base_s * (1 - 0.25 * self._chance())

    def reset(self) -> None:
        self._base_s = FIRST_S
