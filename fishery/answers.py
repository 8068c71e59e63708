"""What every answer over arrays is made of: an estimate with its interval and origin, or a plain refusal."""

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

    def times(self, factor: float) -> "Interval":
        """The same interval in another unit: 100 for percent from shares, -1 for the opposite sign."""
        ends = sorted((self.low * factor, self.high * factor))
        return Interval(ends[0], ends[1], self.level, self.method)


@dataclass(frozen=True, slots=True)
class Estimate:
    """One number with what a reader needs to judge it.

    value: in `unit` ("mm", "g", "mm/y", "" for none). n: the fish (or surveys, runs) behind it. interval: None where
    no honest one can be given; then a caution says why. method: the formula in words. source: where it was published.
    cautions: what the reader should know before using it; empty if nothing special.
    """

    value: float
    unit: str
    n: int
    interval: Interval | None
    method: str
    source: str
    cautions: tuple[str, ...] = ()
