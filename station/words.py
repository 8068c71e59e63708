"""Small words that several parts of a scene share."""

from collections.abc import Mapping, Sequence
from typing import Any


def common(species: Mapping[str, Any] | None) -> str | None:
    """The common name of a species as the facts give it."""
    return None if species is None else str(species["common"])


def tail(tag: str) -> str:
    """The end of a tag's code, as the crew compares it with the reader's display: `…0101`."""
    return f"…{tag[-4:]}"


def of_bench(said: Sequence[Mapping[str, Any]], bench: str) -> list[Mapping[str, Any]]:
    """The announcements for this bench and those for all, oldest first."""
    return [one for one in said if one.get("bench") in (None, bench)]


def list_of(words: Sequence[str]) -> str:
    """`length`, `length and weight`, `tag, length and weight`."""
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def fish_subject(fish: Mapping[str, Any]) -> str:
    """The name of a fish above its figures; its number too on a two-person line."""
    name = common(fish["species"]) or "Species not chosen"
    number = f"Fish {fish['line_no']}: " if fish.get("line_no") else ""
    return number + name
