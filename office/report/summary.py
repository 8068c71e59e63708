"""Page one: a few plain sentences for the person who owns the water. Numbers and limits come from the answers."""

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from math import isfinite

from office.answers.model import Answer, Chapter
from office.answers.records import said
from office.answers.units import number
from office.report.facts import Facts

MOST_SEEN = 7
MOST_QUESTIONS = 4
MOST_UNTOLD = 3
MOST_APART = 10
"""Upper over lower limit of a number of fish that page one still tells (proposal)."""
CUES = "cues"


@dataclass(frozen=True, slots=True)
class Summary:
    """seen: what was found. questions: what it may mean, worded as questions for the biologist. untold: what these data
    cannot tell, and what would. more_untold: how many more such answers stand in the chapters."""

    seen: tuple[str, ...]
    questions: tuple[str, ...]
    untold: tuple[str, ...]
    more_untold: int


def summarise(facts: Facts, chapters: Sequence[Chapter]) -> Summary:
    """Choose what an owner should know first; everything else stands in the chapters."""
    order = {name: place for place, (name, _) in enumerate(facts.caught)}
    headlines = [
        (_rank(one, order), _instead(one, chapter))
        for chapter in chapters
        if chapter.key != CUES
        for one in chapter.answers
        if one.headline and one.refused is None and not _says_little(one)
    ]
    chosen = sorted(headlines, key=lambda pair: pair[0])[:MOST_SEEN]
    chosen.sort(key=lambda pair: (order.get(pair[1].subject, len(order)), pair[0]))
    cues = [one for chapter in chapters if chapter.key == CUES for one in chapter.answers if one.headline]
    cues.sort(key=lambda one: order.get(one.subject, len(order)))
    refused = [one for chapter in chapters for one in chapter.answers if one.refused is not None]
    first = _once(
        together(one.sentence) for one in _unanswered(chapters, order, removed=bool(facts.removed))
    )[:MOST_UNTOLD]
    return Summary(
        seen=tuple(together(one) for one in (caught_sentence(facts), *(plain(one) for _, one in chosen))),
        questions=_once(together(one.sentence) for one in _one_of_a_kind(cues))[:MOST_QUESTIONS],
        untold=first,
        more_untold=len(refused) - len(first),
    )


def _one_of_a_kind(cues: Sequence[Answer]) -> list[Answer]:
    """The first question about each index of each species: PSD and its increments ask much the same."""
    kinds: dict[tuple[str, str], Answer] = {}
    for one in cues:
        tail = one.key.removeprefix(f"{one.subject}.")
        kinds.setdefault((one.subject, tail.split(".")[0].split("_")[0]), one)
    return list(kinds.values())


def _unanswered(chapters: Sequence[Chapter], order: dict[str, int], *, removed: bool) -> list[Answer]:
    """Refusals of questions that no other answer of the chapter settles, those of the most numerous species first."""
    found = []
    for chapter in chapters:
        # A catch that cannot be compared, or that nobody took out, is no question of the owner's.
        if chapter.key in (CUES, "catch", "quality") or (chapter.key == "removal" and not removed):
            continue
        settled = {one.subject for one in chapter.answers if one.headline and one.refused is None}
        for one in chapter.answers:
            if one.refused is not None and one.subject not in settled:
                settled.add(one.subject)
                found.append(one)
    return sorted(found, key=lambda one: order.get(one.subject, -1))


def together(text: str) -> str:
    """The text with per cent signs that stay on the line of their number."""
    return text.replace(" %", "\u00a0%")


def caught_sentence(facts: Facts) -> str:
    """`On 2026-05-12 the crew caught 912 fish of 5 species: 549 largemouth bass, ...`"""
    if not facts.when:
        return "There is no survey here yet, so there is nothing to report."
    total = sum(n for _, n in facts.caught)
    if not total:
        runs = f" in {_some(facts.runs, 'run')}" if facts.runs else ""
        return f"On {facts.when} no fish was caught{runs}."
    kinds = [(name, n) for name, n in facts.caught if name]
    named = [f"{n:,} {said(name)}" for name, n in kinds[:5]]
    if len(kinds) > 5:
        named.append(f"{sum(n for _, n in kinds[5:]):,} of {len(kinds) - 5} other species")
    unknown = total - sum(n for _, n in kinds)
    if unknown:
        named.append(f"{unknown:,} of a species that nobody noted")
    effort = f" in {_some(facts.runs, 'run')}" if facts.runs else ""
    if facts.seconds:
        effort += f" and {number(facts.seconds / 3600, 2)} hours of fishing"
    removed = sum(n for _, n in facts.removed)
    taken = [f"{n:,} {said(name)}" for name, n in facts.removed if name] if len(kinds) > 1 else []
    which = f" ({_and(taken)})" if 0 < len(taken) <= 4 else ""
    gone = f" {removed:,} of them were taken out{which}." if removed else ""
    if len(named) == 1:
        return f"On {facts.when} the crew caught {named[0]}{effort}.{gone}"
    what = f"{total:,} fish" + (f" of {len(kinds)} species" if len(kinds) > 1 else "")
    return f"On {facts.when} the crew caught {what}{effort}: {_and(named)}.{gone}"


def plain(answer: Answer) -> str:
    """The answer for a reader who has never heard of an index; its own sentence where no plainer one is known."""
    tail = answer.key.removeprefix(f"{answer.subject}.") if answer.subject else answer.key
    tell = _PLAIN.get(tail)
    told = answer.sentence if tell is None or answer.value is None else tell(answer)
    # A number of fish rests on what nobody can see: what the answer itself doubts belongs beside it.
    doubts = _doubts(answer) if tail in ("chapman", "jolly_seber", "survival") else []
    return f"{told} Mind: {doubts[0]}" if doubts else told


def _condition(one: Answer) -> str:
    return (
        f"{_name(one)} weigh {_value(one)} % of the standard weight for their length{_limits(one, ' %')}, {_fish(one)}. "
        "The standard is a fish in very good flesh; many waters lie near 93 %."
    )


def _sizes(one: Answer) -> str:
    return (
        f"Of every 100 {said(one.subject)} longer than the least size that anglers take an interest in, {_value(one)} have "
        f"reached a size that they like to catch{_limits(one)}, {_fish(one)}. Biologists call this share the PSD."
    )


def _growth(one: Answer) -> str:
    grown = f"{_value(one)} {one.unit}{_limits(one)}"
    return f"Tagged {said(one.subject)} that were caught again had grown {grown}, {_fish(one)}."


def _catch(one: Answer) -> str:
    fish = f"{number(one.value or 0.0, 2)} {said(one.subject)}"
    return f"One hour of fishing caught {fish}{_limits(one)}, {_some(one.n, 'run')}."


def _number(one: Answer) -> str:
    return (
        f"About {one.value or 0.0:,.0f} {said(one.subject)} of the size that gets a tag live here{_limits(one)}; "
        f"{one.n:,} were examined for tags."
    )


def _number_then(one: Answer) -> str:
    """Of an open water, which tells of a survey before the last: the day stands in the sentence of the answer."""
    day = re.search(r"\d{4}-\d{2}-\d{2}", one.sentence)
    then = f"On {day[0]}" if day else "On an earlier survey"
    return (
        f"{then} about {one.value or 0.0:,.0f} {said(one.subject)} of the size that gets a tag lived here"
        f"{_limits(one)}; how many live here now can be told after a further survey."
    )


def _survival(one: Answer) -> str:
    return (
        f"Of every 100 {said(one.subject)} with a tag, about {_value(one)} are still alive and here a year "
        f"later{_limits(one)}."
    )


_PLAIN: dict[str, Callable[[Answer], str]] = {
    "wr": _condition,
    "psd": _sizes,
    "mm_per_year": _growth,
    "cpue": _catch,
    "chapman": _number,
    "jolly_seber": _number_then,
    "survival": _survival,
}

_FIRST = ("chapman", "abundance", "left", "survival", "wr", "psd", "year", "cpue")
"""What an owner asks first: how many, how many are left, how well they do. By a word of the answer's key."""


def _doubts(one: Answer) -> list[str]:
    return [caution for caution in one.cautions if not caution.endswith("left out.")]


def _instead(one: Answer, chapter: Chapter) -> Answer:
    """Of a number from two surveys that the answer itself doubts, the one that takes less for granted, if there is one."""
    if not one.key.endswith(".chapman") or not _doubts(one):
        return one
    key = f"{one.subject}.jolly_seber"
    others = (other for other in chapter.answers if other.key == key)
    return next((other for other in others if other.refused is None and not _says_little(other)), one)


def _says_little(one: Answer) -> bool:
    """A number that may be anything upwards, or ten times another, tells an owner nothing; it stands in its chapter, with
    its limits. Shares and changes, which may be 0, are told."""
    if one.interval is None:
        return False
    return not isfinite(one.interval.high) or (
        one.unit.startswith("fish") and one.interval.high > MOST_APART * one.interval.low
    )


def _rank(one: Answer, order: dict[str, int]) -> tuple[float, int]:
    tail = one.key.removeprefix(f"{one.subject}.")
    place = next((place for place, word in enumerate(_FIRST) if word in tail), len(_FIRST))
    return place + 2.5 * order.get(one.subject, 0), place


def _name(one: Answer) -> str:
    return said(one.subject).capitalize() if one.subject else "The fish"


def _value(one: Answer) -> str:
    return number(one.value or 0.0, 2 if one.unit in ("", "%", "% a year", "% per year") else 3).removesuffix(
        ".0"
    )


def _limits(one: Answer, unit: str = "") -> str:
    if one.interval is None:
        return " (no honest limits can be given)"
    share = f"{100 * one.interval.level:g} % limits"
    low = number(one.interval.low, 2)
    if not isfinite(one.interval.high):
        return f" ({share}: at least {low}{unit})"
    return f" ({share} {low} to {number(one.interval.high, 2)}{unit})"


def _fish(one: Answer) -> str:
    return _some(one.n, one.n_of if one.n_of != "runs" else "run")


def _some(n: int, what: str) -> str:
    return f"{n:,} {what}" if n == 1 or what.endswith(("s", "fish")) else f"{n:,} {what}s"


def _and(parts: Sequence[str]) -> str:
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"


def _once(texts: Iterable[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(texts))
