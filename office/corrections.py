"""The corrections of one record in their order, and what it would read without one of them. Pure.

A record (a fish, a batch) is what it was saved as, and the corrections made since. A correction is all that one
person amended in it at one time: every amendment that carries one journal id and number. Undoing is a correction
too. Its amendments bear ids that follow from those of the amendments they undo, so that every office, in whatever
order it learned of them, sees which correction was taken back by which.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from itertools import groupby

from ingest.records import derived_id

Values = dict[str, str | None]  # every field as the text of an amendment

FOLLOWS: Mapping[str, tuple[str, ...]] = {
    "weight_quality": ("weight_g",),
    "tag_status": ("tag",),
    "individual_id": ("tag",),
    "relative_weight": ("species", "length_mm", "length_type", "weight_g", "weight_quality"),
}
"""Fields that follow from others, and from which: in the order in which they are worked out."""

LEFT_EMPTY = ("relative_weight", "individual_id")
"""What the store leaves empty when a field that it rests on is amended without it (see `ingest.store.tables`)."""


@dataclass(frozen=True, slots=True)
class Change:
    """One field of a correction."""

    field: str
    old: str | None
    new: str | None
    amendment_id: str


@dataclass(frozen=True, slots=True)
class Correction:
    """What one person amended in this record at one time."""

    journal_id: str
    n: int
    at: str
    who: str
    why: str
    changes: tuple[Change, ...]

    @property
    def fields(self) -> frozenset[str]:
        return frozenset(change.field for change in self.changes)


def undo_id(amendment_id: str, index: int = 0) -> str:
    """The id of the amendment that undoes this one; `index` above 0 for what follows from it besides."""
    return derived_id("undo", amendment_id, 0, index)


def number_text(value: float | None) -> str | None:
    """A number as an amendment writes it: the same number when SQLite reads it again.

    With 16 digits, as `repr` writes some, SQLite's own reading may be off by the last bit; with 17 it was in none of
    400,000 trials.
    """
    if value is None:
        return None
    short = f"{value:.15g}"
    return short if float(short) == value else f"{value:.17g}"


@dataclass(slots=True)
class Timeline:
    """A record as it was saved, and its corrections from the oldest to the newest."""

    saved: Values
    corrections: tuple[Correction, ...] = ()
    _undoes: dict[Correction, Correction] = field(default_factory=dict, init=False, repr=False)

    def __post_init__(self) -> None:
        by_undo: dict[str, Correction] = {}
        for one in self.corrections:
            target = next((by_undo[c.amendment_id] for c in one.changes if c.amendment_id in by_undo), None)
            if target is not None:
                self._undoes[one] = target
            by_undo |= {undo_id(change.amendment_id): one for change in one.changes}

    def find(self, amendment_id: str) -> Correction:
        """The correction that this amendment is part of. Raises KeyError."""
        for one in self.corrections:
            if any(change.amendment_id == amendment_id for change in one.changes):
                return one
        raise KeyError(amendment_id)

    def undone_by(self, correction: Correction) -> Correction | None:
        """The correction that took this one back and stands itself; None while this one stands."""
        for one, target in self._undoes.items():
            if target is correction and self.undone_by(one) is None:
                return one
        return None

    def standing_on(self, correction: Correction) -> Correction | None:
        """The newest correction that stands and changed the same fields later: it has to be undone first.

        A relative weight that changed later stands on nothing: it is worked out anew.
        """
        place = self.corrections.index(correction)
        fields = correction.fields - {"relative_weight"}
        for later in reversed(self.corrections[place + 1 :]):
            target = self._undoes.get(later)
            takes_back_later = target is not None and self.corrections.index(target) > place
            if self.undone_by(later) is None and not takes_back_later and fields & later.fields:
                return later
        return None

    def without(self, correction: Correction) -> "Timeline":
        """The same record as if this correction had never been made."""
        return Timeline(self.saved, tuple(one for one in self.corrections if one is not correction))

    def states(self) -> Iterator[Values]:
        """What the record read: as it was saved, then after each correction that counts.

        A correction that was taken back does not count, nor does the taking back.
        """
        state = dict(self.saved)
        yield dict(state)
        for one in self.corrections:
            if one in self._undoes or self.undone_by(one) is not None:
                continue
            given = {change.field: change.new for change in one.changes}
            state |= given
            state |= {
                name: None for name in LEFT_EMPTY if name not in given and _rested_on(name) & given.keys()
            }
            yield dict(state)

    def last(self) -> Values:
        *_, state = self.states()
        return state

    def remembered(self, name: str, state: Values) -> tuple[str | None] | None:
        """What a field that follows from others was when these last read as in `state`; None if they never did."""
        bases = FOLLOWS[name]
        found: tuple[str | None] | None = None
        for earlier in self.states():
            if all(earlier.get(base) == state.get(base) for base in bases):
                found = (earlier.get(name),)
        return found


def _rested_on(name: str) -> set[str]:
    return set(FOLLOWS[name]) - {"weight_quality"}


def corrections_of(
    rows: Iterable[tuple[str, str, str, str, str, str | None, str | None, str, int]],
) -> tuple[Correction, ...]:
    """Corrections from rows of amendments, oldest first: (amendment_id, at, who, why, field, old, new, journal_id, n).

    The order is that of the views: by time, and by id where two have the same.
    """
    ordered = sorted(rows, key=lambda row: (row[1].rstrip("Z"), row[7], row[8], row[0]))
    return tuple(
        Correction(
            journal_id,
            n,
            group[0][1],
            group[0][2],
            group[0][3],
            tuple(
                Change(name, old, new, amendment_id) for amendment_id, _, _, _, name, old, new, _, _ in group
            ),
        )
        for (journal_id, n), group in (
            (key, list(found)) for key, found in groupby(ordered, key=lambda row: (row[7], row[8]))
        )
    )
