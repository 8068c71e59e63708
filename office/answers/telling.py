"""How results of the science become answers: the sentence, the refusal, the fish behind it."""

from collections.abc import Mapping

from fishery.answers import Estimate, Interval, Refused
from fishery.length_types import (
    BLUEGILL_FROM_FORK,
    BLUEGILL_FROM_STANDARD,
    LAKE_TROUT_FROM_FORK,
    LAKE_TROUT_TO_FORK,
    LengthConversion,
)
from office.answers.model import Answer
from office.answers.records import said

_CONVERSIONS = (BLUEGILL_FROM_FORK, BLUEGILL_FROM_STANDARD, LAKE_TROUT_FROM_FORK, LAKE_TROUT_TO_FORK)


def conversions(species: str, wanted: str) -> Mapping[str, LengthConversion]:
    """The cited ways of this species from another length type to the one that is wanted, by the type given."""
    return {one.given: one for one in _CONVERSIONS if (one.species, one.wanted) == (species, wanted)}


def estimated(
    key: str,
    title: str,
    sentence: str,
    found: Estimate,
    *,
    unit: str | None = None,
    ids: tuple[str, ...] = (),
    n_of: str = "fish",
    subject: str = "",
    headline: bool = False,
    cautions: tuple[str, ...] = (),
    covers: str | None = None,
) -> Answer:
    """An estimate as an answer; `unit` where its own is none that readers convert."""
    return Answer(
        key=key,
        title=title,
        sentence=sentence,
        value=found.value,
        unit=found.unit if unit is None else unit,
        interval=found.interval,
        n=found.n,
        n_of=n_of,
        formula=found.method,
        source=found.source,
        fish_ids=ids,
        cautions=(*found.cautions, *cautions),
        measured_coverage=covers,
        subject=subject,
        headline=headline,
    )


def refusal(
    key: str,
    title: str,
    refused: Refused,
    *,
    about: str = "",
    n: int = 0,
    n_of: str = "fish",
    ids: tuple[str, ...] = (),
    subject: str = "",
    formula: str = "",
    source: str = "",
    cautions: tuple[str, ...] = (),
) -> Answer:
    """No number, in plain words: what was there, and what would do."""
    where = f"{about}: " if about else ""
    wanted = refused.wanted[:1].lower() + refused.wanted[1:]
    return Answer(
        key=key,
        title=title,
        sentence=_sentence(f"{where}{title} cannot be told. {refused.why} It takes {wanted}"),
        n=n,
        n_of=n_of,
        formula=formula,
        source=source,
        fish_ids=ids,
        refused=refused.why,
        wanted=refused.wanted,
        cautions=cautions,
        subject=subject,
    )


def _sentence(text: str) -> str:
    text = text[:1].upper() + text[1:]
    return text if text.endswith((".", "?", "!")) else f"{text}."


def some(n: int, one: str, rest: str = "") -> str:
    """`1 run` or `3 runs`; with `rest`, its verb too: `1 run is left out`, `3 runs are left out`."""
    said_so = f"{n} {one if n == 1 else f'{one}es' if one.endswith('s') else f'{one}s'}"
    return f"{said_so} {'is' if n == 1 else 'are'} {rest}" if rest else said_so


def named(species: str) -> str:
    """`Largemouth bass`, to begin a sentence with."""
    return said(species).capitalize()


def change(interval: Interval | None, up: str, down: str, neither: str) -> str:
    """What an interval of a change says: its words for a rise, a fall, or for neither."""
    if interval is None or interval.holds(0.0):
        return neither
    return up if interval.low > 0 else down
