"""What every answer over arrays is made of: an interval with its origin, or a plain refusal."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Refused:
    """No number, because the data do not carry one.

    why: one sentence with the figures at fault ("3 fish of stock length or longer").
    wanted: what would do ("55 fish or more, taken at random").
    """

    why: str
    wanted: str


@dataclass(frozen=True, slots=True)
class Interval:
    """Confidence interval in the unit of its estimate. `level` is a share (0.95); `method` names how it was made."""

    low: float
    high: float
    level: float
    method: str

    def holds(self, value: float) -> bool:
        return self.low <= value <= self.high

    @property
    def width(self) -> float:
        return self.high - self.low
