"""The corrections of one record in their order, and what it would read without one of them. Pure.

A record (a fish, a batch) is what it was saved as, and the corrections made since. A correction is all that one
person amended in it at one time: every amendment that carries one journal id and number. Undoing is a correction
too. Its amendments bear ids that follow from those of the amendments they undo, so that every office, in whatever
order it learned of them, sees which correction was taken back by which.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import groupby

from ingest.frames import parse_rfc3339, rfc3339
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


class Timeline:
    """A record as it was saved, and its corrections in the order in which they count."""

    def __init__(self, saved: Values, corrections: Iterable[Correction] = ()) -> None:
        self.saved = saved
        self.corrections = tuple(corrections)
        self._undoes: dict[Correction, Correction] = {}
        self._undone_by: dict[Correction, Correction] = {}  # whether that one stands or not
        by_undo: dict[str, Correction] = {}
        for one in self.corrections:
            target = next((by_undo[c.amendment_id] for c in one.changes if c.amendment_id in by_undo), None)
            if target is not None:
                self._undoes[one], self._undone_by[target] = target, one
            by_undo |= {undo_id(change.amendment_id): one for change in one.changes}
        self._stands: set[Correction] = set()
        for one in reversed(self.corrections):  # what takes another back is younger
            if self._undone_by.get(one) not in self._stands:
                self._stands.add(one)

    def next_at(self, now: str) -> str:
        """When the next correction of the office is made: `now` by its clock (RFC 3339 UTC), but after everything that
        was amended before, for it must count from now on."""
        last = max((one.at.rstrip("Z") for one in self.corrections), default="")
        return now if now.rstrip("Z") > last else rfc3339(parse_rfc3339(f"{last}Z") + 0.001)

    def find(self, amendment_id: str) -> Correction:
        """The correction that this amendment is part of. Raises KeyError."""
        for one in self.corrections:
            if any(change.amendment_id == amendment_id for change in one.changes):
                return one
        raise KeyError(amendment_id)

    def undone_by(self, correction: Correction) -> Correction | None:
        """The correction that took this one back and stands itself; None while this one stands."""
        return None if correction in self._stands else self._undone_by[correction]

    def to_undo(self, correction: Correction) -> Correction:
        """What has to be taken back so that this one, which stands, does so no more: itself, or what brought it back
        after it had been undone before."""
        while correction in self._undone_by:
            correction = self._undone_by[self._undone_by[correction]]
        return correction

    def standing_on(self, correction: Correction) -> Correction | None:
        """The newest correction that stands and changed the same fields later: it has to be undone first.

        A relative weight that changed later stands on nothing: it is worked out anew.
        """
        place = self._place(correction)
        fields = correction.fields - {"relative_weight"}
        for later in reversed(self.corrections[place + 1 :]):
            target = self._undoes.get(later)
            takes_back_later = target is not None and self._place(target) > place
            if later in self._stands and not takes_back_later and fields & later.fields:
                return later
        return None

    def without(self, correction: Correction) -> Values:
        """What the record would read had this correction never been made.

        Only for fields that follow from no other: those are worked out anew from what this gives.
        """
        rest = Timeline(self.saved, tuple(one for one in self.corrections if one is not correction))
        state = dict(self.saved)
        for one in rest.corrections:
            if one in rest._stands and one not in rest._undoes:
                state |= {change.field: change.new for change in one.changes}
        return state

    def remembered(self, name: str, state: Values) -> tuple[str | None] | None:
        """What a field that follows from others was when these last read as in `state`; None if they never did."""
        found: tuple[str | None] | None = None
        for earlier in self._history():
            if all(earlier.get(base) == state.get(base) for base in FOLLOWS[name]):
                found = (earlier.get(name),)
        return found

    def _place(self, correction: Correction) -> int:
        return self.corrections.index(correction)

    def _history(self) -> Iterator[Values]:
        """What the record has read: as it was saved, then after each correction."""
        state = dict(self.saved)
        yield state
        for one in self.corrections:
            given = {change.field: change.new for change in one.changes}
            emptied = [name for name in LEFT_EMPTY if name not in given and _rested_on(name) & given.keys()]
            state = state | given | dict.fromkeys(emptied)
            yield state


def _rested_on(name: str) -> set[str]:
    return set(FOLLOWS[name]) - {"weight_quality"}


AmendmentRow = tuple[str, str, str, str, str, str | None, str | None, str, int]


def corrections_of(rows: Iterable[AmendmentRow]) -> tuple[Correction, ...]:
    """Corrections from amendments in the order in which they count (see `ingest.store.amendment_order`).

    A row: amendment_id, at, who, why, field, old, new, journal_id, n.
    """
    found = []
    for (journal_id, n), group in groupby(rows, key=lambda row: (row[7], row[8])):
        amendments = list(group)
        _, at, who, why, *_ = amendments[0]
        changes = tuple(Change(name, old, new, key) for key, _, _, _, name, old, new, _, _ in amendments)
        found.append(Correction(journal_id, n, at, who, why, changes))
    return tuple(found)
