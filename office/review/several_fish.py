"""What to ask about fish that only show it together: one tag twice, tags alike, weights off by one. Pure."""

from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from itertools import groupby
from math import log10
from statistics import median

from fishery.alignment import LEAST_GAIN, WINDOW, Measured, SlipKind, find_slip
from fishery.single import Relation
from office.review.questions import Question, ReviewFish

_MISFIT_SD = 2.0
_MISFITS = 2  # of the last _LOOK weights: a slip that can be called has at least four that fit badly
_LOOK = 6
_FAR = 4.0  # SD: further off is wrong anyway


def tags_twice(fish: Iterable[ReviewFish]) -> Iterator[Question]:
    """Fish of one survey that bear the same tag."""
    by_tag: dict[tuple[str, str], list[ReviewFish]] = defaultdict(list)
    for one in fish:
        if one.tag is not None:
            by_tag[one.survey_id, one.tag].append(one)
    for (_, tag), same in by_tag.items():
        if len(same) > 1 and not all(one.looked_at for one in same):
            for one in same:
                others = tuple(other.fish_id for other in same if other is not one)
                named = ", ".join(other[:8] for other in others)
                said = f"Tag {tag} stands on fish {named} of this survey too: caught again, saved twice, or a wrong tag."
                yield Question("tag_twice", one.fish_id, said, others)


def alike_tags(
    fish: Iterable[ReviewFish], known: Collection[str], times: Mapping[str, int]
) -> Iterator[Question]:
    """Tags that were written by hand, or that nobody knows, and look like a known one: one digit off, two swapped.

    known: tags of inventory and history. times: how often each tag was captured. A reader's telegram has a checksum,
    and boxes hold consecutive codes; so only a tag that nothing vouches for is doubted.
    """
    for one in fish:
        tag = one.tag
        if tag is None or one.looked_at or times.get(tag, 0) > 1:
            continue
        typed = "tag" in one.amended or one.journal_id.startswith("import:")
        if one.tag_status != "unknown" and not (typed and tag not in known):
            continue
        like = sorted(other for other in _neighbours(tag) if other in known and other != tag)
        if like:
            said = f"Tag {tag} was seen once and looks like {', '.join(like[:3])}, which is known: read or written wrongly?"
            yield Question("tag_alike", one.fish_id, said)


def _neighbours(tag: str) -> Iterator[str]:
    digits = "0123456789" if tag.isdigit() and len(tag) == 15 else "0123456789ABCDEF"
    for place, digit in enumerate(tag):
        before, after = tag[:place], tag[place + 1 :]
        yield from (before + other + after for other in digits if other != digit)
        if after and after[0] != digit:
            yield before + after[0] + digit + after[1:]


def off_by_one(
    fish: Iterable[ReviewFish], relation: Callable[[ReviewFish], Relation | None]
) -> Iterator[Question]:
    """Stretches of a bench's day in which the weights fit the neighbours better than the fish that bear them.

    The fish in the order in which they were opened, those with length and weight; compared as on a line at the
    station (`fishery.alignment`), after the fact.
    """
    in_order = sorted(
        fish, key=lambda one: (one.survey_id, one.bench, one.opened_at.rstrip("Z"), one.opened_n)
    )
    for _, group in groupby(in_order, key=lambda one: (one.survey_id, one.bench)):
        pairs = [one for one in group if one.length_mm and one.weight_g and one.weight_g > 0]
        measured = [Measured(one.length_mm, relation(one), one.species or "") for one in pairs]
        for kind, first, last in _stretches(pairs, measured):
            mixed = pairs[first : last + 1]
            if all(one.looked_at for one in mixed):
                continue
            step = "the next fish" if kind == "missed" else "the fish before"
            said = (
                f"From fish {pairs[first].fish_id[:8]} to {pairs[last].fish_id[:8]} ({len(mixed)} fish) the weights "
                f"fit {step} better: they may be off by one."
            )
            for one in mixed:
                yield Question(
                    "off_by_one", one.fish_id, said, tuple(o.fish_id for o in mixed if o is not one)
                )


def _stretches(pairs: Sequence[ReviewFish], measured: Sequence[Measured]) -> list[tuple[SlipKind, int, int]]:
    """(kind, first, last) of the stretches that are off by one."""
    weights = [one.weight_g or 0.0 for one in pairs]
    misfit = _misfits(measured, weights)
    found: list[tuple[SlipKind, int, int]] = []
    from_place = 0
    for end in range(1, len(pairs) + 1):
        if sum(misfit[max(from_place, end - _LOOK) : end]) < _MISFITS:
            continue
        low = max(from_place, end - WINDOW)
        slip = find_slip(measured[low : end + 1], weights[low:end])
        if slip is not None:
            last = _last_off(measured, weights, slip.kind, low + slip.at, end)
            found.append((slip.kind, low + slip.at, last))
            from_place = last + 1
    return found


def _last_off(
    measured: Sequence[Measured], weights: Sequence[float], kind: SlipKind, first: int, end: int
) -> int:
    """The last weight of a stretch that was called at `end`: up to there the neighbours go on fitting better."""
    step = 1 if kind == "missed" else -1
    off = [_off(measured, weights, place, place + step) for place in range(first, end)]
    level = (
        median(value for value in off if value is not None)
        if any(value is not None for value in off)
        else 0.0
    )
    gain = best = 0.0
    last = end - 1
    for place in range(end, len(weights)):
        own, shifted = _off(measured, weights, place, place), _off(measured, weights, place, place + step)
        if own is not None and shifted is not None:
            sd = measured[place].sd
            gain += (min(abs(own - level) / sd, _FAR) ** 2 - min(abs(shifted - level) / sd, _FAR) ** 2) / 2
        if gain > best:
            best, last = gain, place
        elif gain < best - LEAST_GAIN:
            break
    return last


def _off(measured: Sequence[Measured], weights: Sequence[float], place: int, fish: int) -> float | None:
    """log10 of a weight less what this fish should weigh; None where nothing is expected of it."""
    if not 0 <= fish < len(measured):
        return None
    expected = measured[fish].expected
    return None if expected is None else log10(weights[place]) - expected


def _misfits(measured: Sequence[Measured], weights: Sequence[float]) -> list[bool]:
    """Whether each weight lies far from what its fish should weigh, the level of all of them taken off."""
    off = [_off(measured, weights, place, place) for place in range(len(weights))]
    known = [value for value in off if value is not None]
    level = median(known) if known else 0.0
    return [
        value is not None and abs(value - level) > _MISFIT_SD * one.sd
        for value, one in zip(off, measured, strict=True)
    ]
