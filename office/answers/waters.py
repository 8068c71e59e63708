"""What an office knows of its waters beside the records: area, conductivity, marks, stockings of known age.

It stands in a file of its own (`waters.toml`, see `config/waters/example.toml`), because nobody measures it at the
work-up table.
"""

from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Annotated, Self

from pydantic import BaseModel, ConfigDict, Field, StrictBool, model_validator

from ingest.toml_file import load_toml

Positive = Annotated[float, Field(allow_inf_nan=False, gt=0)]


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Cohort(_Table):
    """Fish of one stocking that can be told from others: by a mark, or because there are no others.

    age_years: their age on the day of stocking. mark: the observation `mark` (its words or its code) that they bear;
    all: every fish of the species in this water comes from this stocking.
    """

    species: Annotated[str, Field(min_length=1)]
    on: date
    age_years: Annotated[float, Field(allow_inf_nan=False, ge=0)] = 0.0
    n: Annotated[int, Field(ge=0)] | None = None
    mark: str | None = None
    all: StrictBool = False

    @model_validator(mode="after")
    def _known_by_one(self) -> Self:
        if (self.mark is None) != self.all:
            raise ValueError("give `mark`, or `all = true`: how are these fish known from others?")
        return self


class WaterFacts(_Table):
    """One water. Nothing of it is needed; what is missing is not answered.

    second_marks: by year, the mark that does not fall off (a fin clip) given to the fish tagged in that year: shows lost
    tags. Another mark each year: with one for all years a fish that lost its tag and got a new one looks newly marked.
    least_tag_mm: by species, the least length at which the crew inserts a tag. wanted_left: by species, to how many
    fish a removal shall bring an unwanted one down.
    """

    area_ha: Positive | None = None
    conductivity_us_per_cm: Positive | None = None
    second_marks: Mapping[str, str] = {}
    least_tag_mm: Mapping[str, Positive] = {}
    wanted_left: Mapping[str, Positive] = {}
    stocking: tuple[Cohort, ...] = ()
    note: str | None = None

    @model_validator(mode="after")
    def _marks_by_year(self) -> Self:
        for year in self.second_marks:
            if not (year.isdigit() and len(year) == 4):
                raise ValueError(f"`second_marks` has {year!r}: give the year of the tagging, such as 2025.")
        if len({mark.casefold() for mark in self.second_marks.values()}) < len(self.second_marks):
            raise ValueError(
                "`second_marks` gives two years one mark: a mark of one year must tell that year."
            )
        return self


class WatersFile(_Table):
    water: Mapping[str, WaterFacts] = {}

    def facts(self, water: str | None) -> WaterFacts:
        """What is known of this water; capitals make no difference."""
        wanted = (water or "").casefold()
        return next(
            (one for name, one in self.water.items() if name.casefold() == wanted and wanted), WaterFacts()
        )


def load_waters(path: Path) -> WatersFile:
    """Raises ConfigError with file, key and line of each mistake."""
    return load_toml(path, WatersFile)
