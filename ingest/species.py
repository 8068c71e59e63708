"""What the station knows about each species: one TOML file each, every number with its source.

`how_known` says how a number came into the file, `confidence` how far to trust it: A = the paper's own
abstract or two sources that agree, B = one secondary compilation that cites the paper, C = from memory, D =
sources that disagree.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from enum import StrEnum
from functools import cached_property
from pathlib import Path
from typing import Annotated, Literal, Self, TypeVar

from pydantic import BaseModel, ConfigDict, Field, StrictBool, model_validator

from fishery.single import CategoryBound, StandardWeight
from ingest.toml_file import ConfigError, Problem, parse_toml, read_text

Number = Annotated[float, Field(strict=True, allow_inf_nan=False)]
Positive = Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0)]
LengthType = Literal["TL", "FL", "SL"]
Confidence = Literal["A", "A-", "B", "C", "D"]


class HowKnown(StrEnum):
    PAPER = "paper"  # the paper's own text was read
    ABSTRACT = "abstract"  # the paper's own abstract was read
    SECONDARY = "secondary"  # a compilation or text that cites the paper was read, the paper was not
    MEASURED = "measured"  # computed from published data
    MEMORY = "memory"  # recalled, not read
    DERIVED = "derived"  # follows from other numbers of the file
    PROPOSAL = "proposal"  # our own choice


class Status(StrEnum):
    RECOMMENDED = "recommended"
    SUBGROUP = "subgroup"  # for the named group of fish only, used when asked for by that name
    ALTERNATIVE = "alternative"
    SUPERSEDED = "superseded"
    DISPUTED = "disputed"  # the sources disagree: shown, never used


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Equation(_Table):
    """A standard weight equation: log10(Ws in g) = log10_a + b x + c x^2, x = log10(length in mm)."""

    status: Status
    group: str | None = None
    length_type: LengthType = "TL"
    percentile: int
    method: str  # how the line was made: RLP, EmP, quantile regression, other
    log10_a: Number
    b: Number
    c: Number = 0.0
    min_mm: Positive | None = None
    max_mm: Positive | None = None
    source: str
    how_known: HowKnown
    confidence: Confidence
    note: str | None = None

    @cached_property
    def line(self) -> StandardWeight:
        return StandardWeight(
            self.log10_a, self.b, self.c, self.min_mm, self.max_mm, self.length_type, self.source
        )


class Bounds(_Table):
    """Least lengths of the categories, in one unit, as published."""

    stock: Positive
    quality: Positive
    preferred: Positive | None = None
    memorable: Positive | None = None
    trophy: Positive | None = None

    @property
    def named(self) -> dict[str, float]:
        return self.model_dump(exclude_none=True)

    @model_validator(mode="after")
    def _ascending(self) -> Self:
        values = list(self.named.values())
        if values != sorted(set(values)):
            raise ValueError(f"the lengths {values} must ascend from stock to trophy.")
        return self


class LengthCategories(_Table):
    status: Status
    group: str | None = None
    mm: Bounds
    inch: Bounds
    source: str
    how_known: HowKnown
    confidence: Confidence
    corrected: str | None = None  # which number differs from the listing it came from, and why
    note: str | None = None

    @property
    def bounds(self) -> tuple[CategoryBound, ...]:
        inch = self.inch.named
        return tuple(CategoryBound(name, mm, inch[name]) for name, mm in self.mm.named.items())

    @model_validator(mode="after")
    def _same_categories(self) -> Self:
        if self.mm.named.keys() != self.inch.named.keys():
            raise ValueError("`mm` and `inch` must name the same categories.")
        return self


class Maximum(_Table):
    """The greatest length or weight that somebody published; not `credible` is shown but binds nothing."""

    length_mm: Positive | None = None
    length_type: LengthType | None = None
    weight_g: Positive | None = None
    source: str
    how_known: HowKnown
    credible: StrictBool = True
    note: str | None = None

    @model_validator(mode="after")
    def _one_measure(self) -> Self:
        if (self.length_mm is None) == (self.weight_g is None):
            raise ValueError("give either `length_mm` or `weight_g`.")
        if (self.length_mm is None) != (self.length_type is None):
            raise ValueError("`length_type` goes with `length_mm`, and only with it.")
        return self


class Ceiling(_Table):
    """Above this, a value is held as impossible: set above every credible maximum, so that no good fish is
    held."""

    length_mm: Positive | None = None
    weight_g: Positive | None = None
    why: str


class RelativeWeightLimits(_Table):
    """Relative weight outside `serious` holds a fish, outside `notice` marks it. Each is [least,
    greatest]."""

    serious: tuple[Positive, Positive]
    notice: tuple[Positive, Positive]
    source: str
    how_known: HowKnown

    @model_validator(mode="after")
    def _nested(self) -> Self:
        if not self.serious[0] <= self.notice[0] < 100 < self.notice[1] <= self.serious[1]:
            raise ValueError("`notice` must lie inside `serious`, and 100 inside both.")
        return self


class GrowthLimit(_Table):
    """Faster growth than this, over at least `min_days`, is doubtful."""

    min_days: Positive
    mm_per_day: Positive
    source: str
    how_known: HowKnown


class SpeciesFile(_Table):
    """One file of `config/species`; the species' slug is the name of the file."""

    common: Annotated[str, Field(min_length=1)]
    scientific: Annotated[str, Field(min_length=1)]
    also: tuple[str, ...] = ()
    itis_tsn: Annotated[int, Field(strict=True, ge=1, lt=10_000_000)] | None = None
    itis_tsn_known: str | None = None
    note: str | None = None
    relative_weight: RelativeWeightLimits | None = None
    equations: tuple[Equation, ...] = Field((), alias="standard_weight")
    categories: tuple[LengthCategories, ...] = Field((), alias="length_categories")
    maxima: tuple[Maximum, ...] = Field((), alias="maximum")
    ceiling: Ceiling | None = None
    growth_limits: tuple[GrowthLimit, ...] = Field((), alias="growth_limit")

    @model_validator(mode="after")
    def _agrees_with_itself(self) -> Self:
        for rows, what in ((self.equations, "standard_weight"), (self.categories, "length_categories")):
            groups = [row.group for row in rows if row.status is Status.RECOMMENDED]
            if len(groups) != len(set(groups)):
                raise ValueError(f"two recommended `{what}` tables are for the same group; keep one of them.")
        usable = any(equation.status is Status.RECOMMENDED for equation in self.equations)
        if usable and self.relative_weight is None:
            raise ValueError("a recommended `standard_weight` needs a `relative_weight` table beside it.")
        ceiling_mm, ceiling_g = (
            (self.ceiling.length_mm, self.ceiling.weight_g) if self.ceiling else (None, None)
        )
        for maximum in self.maxima:
            for least, ceiling in ((maximum.length_mm, ceiling_mm), (maximum.weight_g, ceiling_g)):
                if maximum.credible and least and ceiling and least > ceiling:
                    raise ValueError(f"the ceiling {ceiling:g} lies below the credible maximum {least:g}.")
        return self


class Species(SpeciesFile):
    """A species of the book."""

    model_config = ConfigDict(populate_by_name=True)

    slug: str

    @property
    def max_length_mm(self) -> float | None:
        return self.ceiling.length_mm if self.ceiling else None

    @property
    def max_weight_g(self) -> float | None:
        return self.ceiling.weight_g if self.ceiling else None

    @cached_property
    def recommended(self) -> StandardWeight | None:
        """The line of `equation()`."""
        equation = self.equation()
        return equation.line if equation else None

    def equation(self, group: str | None = None) -> Equation | None:
        """The standard weight equation to use for fish of `group` ("lentic", "lotic", "female" ...).

        That group's own, if there is one that may be used; else the recommended one (of several, the first in
        the file: still water before running water). None if no equation may be used.
        """
        return _choice(self.equations, group)

    def length_categories(self, group: str | None = None) -> LengthCategories | None:
        """The length categories to use for fish of `group`, chosen as in `equation`."""
        return _choice(self.categories, group)

    def growth_limit(self, days: float) -> GrowthLimit | None:
        """The growth limit for fish at large for `days`; None if that is too short for any."""
        reached = [limit for limit in self.growth_limits if limit.min_days <= days]
        return max(reached, key=lambda limit: limit.min_days, default=None)


Row = TypeVar("Row", Equation, LengthCategories)


def _choice(rows: tuple[Row, ...], group: str | None) -> Row | None:
    usable = [row for row in rows if row.status in (Status.RECOMMENDED, Status.SUBGROUP)]
    for row in usable:
        if group is not None and row.group == group:
            return row
    return next((row for row in usable if row.status is Status.RECOMMENDED), None)


@dataclass(frozen=True)
class SpeciesBook:
    """All species that this station knows, by slug."""

    by_slug: Mapping[str, Species]

    def get(self, slug: str | None) -> Species | None:
        return self.by_slug.get(slug) if slug is not None else None

    def find(self, name: str) -> Species | None:
        """By slug, common, scientific or other name; capitals, blanks and hyphens make no difference."""
        wanted = _folded(name)
        return next((one for one in self.by_slug.values() if wanted in _names(one)), None)

    def nearest(self, name: str) -> str | None:
        """The slug whose name is most like `name`, for "did you mean ...?"; None if nothing is like it."""
        slugs = {known: one.slug for one in self.by_slug.values() for known in _names(one)}
        near = get_close_matches(_folded(name), list(slugs), n=1)
        return slugs[near[0]] if near else None


def _folded(name: str) -> str:
    return " ".join(name.replace("_", " ").replace("-", " ").casefold().split())


def _names(one: Species) -> set[str]:
    return {_folded(name) for name in (one.slug, one.common, one.scientific, *one.also)}


def load_species(*folders: Path) -> SpeciesBook:
    """Every `*.toml` of the folders as one species; a file in a later folder replaces one of the same name.

    Raises `ConfigError` listing the problems of all files.
    """
    return species_book(species_texts(*folders))


def species_texts(*folders: Path) -> dict[str, str]:
    """The files of `load_species`, `{file name: TOML text}`. Raises `ConfigError`."""
    paths: dict[str, Path] = {}
    problems: list[Problem] = []
    for folder in folders:
        found = {path.name: path for path in sorted(folder.glob("*.toml"))}
        if not found:
            problems.append(Problem(str(folder), "no species file (*.toml) is in this folder."))
        paths |= found
    texts: dict[str, str] = {}
    for path in paths.values():
        try:
            texts[str(path)] = read_text(path)
        except ConfigError as error:
            problems.extend(error.problems)
    if problems:
        raise ConfigError(tuple(problems))
    return texts


def species_book(texts: Mapping[str, str]) -> SpeciesBook:
    """The same from texts already read. Raises `ConfigError` with the problems of all of them."""
    by_slug: dict[str, Species] = {}
    taken: dict[str, str] = {}
    problems: list[Problem] = []
    for file, text in texts.items():
        slug = Path(file).stem
        try:
            parsed = parse_toml(text, SpeciesFile, file)
        except ConfigError as error:
            problems.extend(error.problems)
            continue
        one = Species.model_validate({"slug": slug, **dict(parsed)})
        for name in sorted(_names(one) & taken.keys()):
            problems.append(Problem(file, f"the name {name!r} is already that of {taken[name]}; change one."))
        taken |= dict.fromkeys(_names(one), file)
        by_slug[slug] = one
    if problems:
        raise ConfigError(tuple(problems))
    return SpeciesBook(by_slug)
