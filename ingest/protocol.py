"""What the survey asks of a fish: which parts it needs, by species and length. Read from TOML, judged purely.

The first rule that names the species and holds the length applies; fish that no rule holds, and fish of
unknown species, fall under the default rule.
"""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Annotated, Literal, Self

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    StrictBool,
    ValidationInfo,
    field_validator,
    model_validator,
)

from ingest.toml_file import parse_toml

Millimetres = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0)]
Fate = Literal["released", "removed", "kept", "died", "escaped"]
CLASS_MM = 10
"""Weighing by length class counts fish per centimetre class, the class of fish up to 30 cm (Anderson and
Neumann 1996, read in open course notes)."""


def _check_range(least: float | None, greatest: float | None, name: str, other: str) -> None:
    if least is not None and greatest is not None and least >= greatest:
        raise ValueError(f"`{name}` ({least:g}) must be less than `{other}` ({greatest:g}).")


def _within(length_mm: float, least: float | None, greatest: float | None) -> bool:
    return (least is None or length_mm >= least) and (greatest is None or length_mm < greatest)


class Asked(BaseModel):
    """What a rule asks for. Lengths in mm, from the least (included) to the greatest (excluded)."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    tag: Literal["none", "required"] = "none"
    tag_min_mm: Millimetres | None = None  # shorter fish need no tag
    length: Literal["measure", "none"] = "measure"
    weigh: Literal["every", "none", "every_nth", "first_per_cm"] = "every"
    weigh_n: Annotated[int, Field(strict=True, ge=1)] | None = None
    weigh_from_mm: Millimetres | None = None
    weigh_below_mm: Millimetres | None = None
    count_only: StrictBool = False
    fate: Fate | None = None  # what becomes of these fish unless the crew says otherwise

    @model_validator(mode="after")
    def _makes_sense(self) -> Self:
        if self.count_only:
            others = sorted(self.model_fields_set & {"tag", "tag_min_mm", "length", "weigh", "weigh_n"})
            if others:
                raise ValueError(f"`count_only` asks for no part; remove {', '.join(others)}.")
        by_length = (self.tag_min_mm, self.weigh_from_mm, self.weigh_below_mm)
        measured = self.length == "measure" and not self.count_only
        if not measured and (any(by_length) or self.weigh == "first_per_cm"):
            raise ValueError('a rule that goes by length needs `length = "measure"`.')
        if self.tag_min_mm is not None and self.tag == "none":
            raise ValueError('`tag_min_mm` needs `tag = "required"`.')
        if (self.weigh_n is not None) != (self.weigh in ("every_nth", "first_per_cm")):
            raise ValueError(
                '`weigh_n` goes with `weigh = "every_nth"` or "first_per_cm", and is needed there.'
            )
        if self.weigh == "none" and (self.weigh_from_mm is not None or self.weigh_below_mm is not None):
            raise ValueError("nothing is weighed under this rule; remove its lengths for weighing.")
        _check_range(self.weigh_from_mm, self.weigh_below_mm, "weigh_from_mm", "weigh_below_mm")
        return self

    def weighs_at(self, length_mm: float | None) -> bool:
        """Whether the length is one that is weighed; an unknown length only if every length is."""
        if length_mm is None:
            return self.weigh_from_mm is None and self.weigh_below_mm is None
        return _within(length_mm, self.weigh_from_mm, self.weigh_below_mm)


class Rule(Asked):
    """What is asked of these species, within these lengths."""

    species: Annotated[tuple[str, ...], Field(min_length=1)]
    from_mm: Millimetres | None = None
    below_mm: Millimetres | None = None

    @field_validator("species")
    @classmethod
    def _known(cls, species: tuple[str, ...], info: ValidationInfo) -> tuple[str, ...]:
        known: Collection[str] = (info.context or {}).get("species", species)
        for slug in species:
            if slug not in known:
                near = get_close_matches(slug, known, n=1)
                advice = f"; did you mean {near[0]!r}?" if near else "; add a species file for it."
                raise ValueError(f"no species {slug!r} is known{advice}")
        return species

    @model_validator(mode="after")
    def _range(self) -> Self:
        _check_range(self.from_mm, self.below_mm, "from_mm", "below_mm")
        if self.length == "none" and not self.holds_all:
            raise ValueError('a rule for a range of lengths needs `length = "measure"`.')
        return self

    def holds(self, length_mm: float) -> bool:
        return _within(length_mm, self.from_mm, self.below_mm)

    @property
    def holds_all(self) -> bool:
        return self.from_mm is None and self.below_mm is None


class Protocol(BaseModel):
    """A survey protocol, one file of `config/protocol`."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: Annotated[str, Field(min_length=1)]
    summary: str
    default_fate: Fate = "released"
    default: Asked
    rules: tuple[Rule, ...] = Field((), alias="rule")

    def may_tag(self, species_slug: str | None) -> bool:
        """Whether fish of this species need a tag, at whatever length."""
        return any(rule.tag == "required" for rule in self._rules(species_slug, None))

    def fate(self, species_slug: str | None, length_mm: float | None = None) -> str:
        """What becomes of this fish unless the crew says otherwise.

        Without a length: what all rules of the species agree on, else the protocol's default.
        """
        fates = {rule.fate for rule in self._rules(species_slug, length_mm)}
        return (fates.pop() if len(fates) == 1 else None) or self.default_fate

    def weighing_class(
        self, species_slug: str | None, length_mm: float | None, weighed: bool = True
    ) -> tuple[str, ...]:
        """The counts to which a fish adds one when it is closed; to be asked for every fish, weighed or not.

        Every n-th: each fish within the rule's lengths counts; the first is weighed, then the (n+1)-th.
        First n per centimetre class: only a fish that was `weighed` counts.
        """
        rules = self._rules(species_slug, length_mm)
        key = _count_key(rules[0], species_slug, length_mm) if len(rules) == 1 else None
        return (key,) if key and (weighed or rules[0].weigh == "every_nth") else ()

    def _rules(self, species_slug: str | None, length_mm: float | None) -> list[Asked]:
        """The one rule that applies, or while the length is unknown all that may."""
        found: list[Asked] = []
        for rule in self.rules:
            if species_slug in rule.species and (length_mm is None or rule.holds(length_mm)):
                found.append(rule)
                if length_mm is not None or rule.holds_all:
                    return found
        return [*found, self.default]


def parse_protocol(text: str, file: str, species: Collection[str] | None = None) -> Protocol:
    """The protocol of a TOML text; `file` is the name that messages give.

    With `species` (the known slugs), a rule for another one is an error. Raises `ConfigError`.
    """
    return parse_toml(text, Protocol, file, None if species is None else {"species": species})


@dataclass(frozen=True, slots=True)
class Needs:
    """The parts that a fish needs to be complete."""

    tag: bool
    length: bool
    weight: bool


def needed_parts(
    protocol: Protocol,
    species_slug: str | None,
    length_mm: float | None,
    weighed_counts: Mapping[str, int],
) -> Needs:
    """What the protocol asks of this fish now.

    `weighed_counts` holds how many fish went before, under the keys of `Protocol.weighing_class`; a key not
    in it is 0. While the length is unknown, a part that depends on it is not asked for, but the length is.
    """
    needs = [
        Needs(
            tag=_needs_tag(rule, length_mm),
            length=rule.length == "measure" and not rule.count_only,
            weight=_needs_weight(rule, species_slug, length_mm, weighed_counts),
        )
        for rule in protocol._rules(species_slug, length_mm)
    ]
    if len(needs) == 1:
        return needs[0]
    return Needs(
        tag=all(need.tag for need in needs),
        length=any(need.length for need in needs),
        weight=all(need.weight for need in needs),
    )


def _needs_tag(rule: Asked, length_mm: float | None) -> bool:
    if rule.tag == "none" or rule.count_only:
        return False
    return not rule.tag_min_mm or (length_mm is not None and length_mm >= rule.tag_min_mm)


def _needs_weight(
    rule: Asked, species_slug: str | None, length_mm: float | None, counts: Mapping[str, int]
) -> bool:
    if rule.weigh == "none" or rule.count_only or not rule.weighs_at(length_mm):
        return False
    if rule.weigh == "every":
        return True
    key = _count_key(rule, species_slug, length_mm)
    if key is None:
        return False
    before, n = counts.get(key, 0), rule.weigh_n or 1
    return before % n == 0 if rule.weigh == "every_nth" else before < n


def _count_key(rule: Asked, species_slug: str | None, length_mm: float | None) -> str | None:
    if rule.count_only or not rule.weighs_at(length_mm):
        return None
    species = species_slug or "unknown"
    if rule.weigh == "every_nth":
        lengths = f"{rule.from_mm}-{rule.below_mm} mm" if isinstance(rule, Rule) else "default"
        return f"{species} {lengths}, every {rule.weigh_n}"
    if rule.weigh == "first_per_cm" and length_mm is not None:
        return f"{species} {int(length_mm // CLASS_MM)} cm"
    return None
