"""What an invented water is to be like, and what is known about it because it was invented."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

Handling = Literal["measured", "counted", "batched"]


@dataclass(frozen=True, slots=True)
class Population:
    """The fish of one species in an invented water.

    animals: alive before the first survey. recruits: that join at each turn of the year, at `first_age` years.
    survival: share of animals that live over one turn of the year. Within a year nobody dies but in the crew's hands.
    linf_mm, k_per_year, t0_years: von Bertalanffy growth (von Bertalanffy 1938); linf_sd_mm: between animals.
    wr: relative weight of the median fish; wr_sd_log10: scatter of log10 weight about it at each capture.
    capture: probability that an animal is caught in one pass over its area.
    tag_from_mm: longer fish without a tag get one, with probability `tag_share`; None: nobody is tagged.
    tag_loss: probability to lose a tag over a turn of the year. second_mark: share of tagged fish that also get a mark
    that is never lost.
    handling: how the crew works it up. Counted and batched fish are never tagged. weighed: share of the measured.
    stocked: animals of `stocked_mm` put in each spring, all with the lasting mark `stocked_mark`.
    """

    species: str
    animals: int
    recruits: int = 0
    survival: float = 0.6
    linf_mm: float = 500.0
    k_per_year: float = 0.3
    t0_years: float = -0.3
    linf_sd_mm: float = 15.0
    first_age: int = 2
    wr: float = 93.0
    wr_sd_log10: float = 0.05
    capture: float = 0.3
    tag_from_mm: float | None = 200.0
    tag_share: float = 1.0
    tag_loss: float = 0.0
    second_mark: float = 0.0
    handling: Handling = "measured"
    weighed: float = 1.0
    fate: Literal["released", "removed", "kept"] = "released"
    stocked: int = 0
    stocked_mm: float = 200.0
    stocked_mark: str = "right pelvic clip"


@dataclass(frozen=True, slots=True)
class Flaws:
    """How often each thing goes wrong, as a share of measured fish. The default is a crew without a flaw.

    slipped: the scale shows a tenth; of these half are weighed again and saved, a quarter stay queried, a quarter are
    amended by the office. odd: a starved fish, held and confirmed by weighing it twice. amended: the length is
    corrected right after. twice: worked up a second time in the same survey.
    """

    missed_scan: float = 0.0
    missed_weighing: float = 0.0
    slipped: float = 0.0
    odd: float = 0.0
    amended: float = 0.0
    void: float = 0.0
    escaped: float = 0.0
    died: float = 0.0
    twice: float = 0.0


USUAL_FLAWS = Flaws(0.02, 0.01, 0.004, 0.001, 0.003, 0.003, 0.005, 0.004, 0.002)


@dataclass(frozen=True, slots=True)
class Plan:
    """An invented water, its fish, and how it was surveyed.

    Each survey fishes `areas` areas, each `passes` times over, `seconds` of current on every time; `empty_areas` more
    areas hold no fish: their runs are zero catches. `unevenness` is the CV of fish between areas. `unit` is that of the
    measuring board: whole millimetres, or tenths of an inch. `scale_step_g` is one division of the scale,
    written in `scale_unit`. `treatment`: agent and days of withdrawal, for every fish. `station` names the station that
    worked there. `water_c` is the range of the water's temperature, one for each survey; `conductance_us_per_cm` its
    conductivity at 25 C, from which the ambient one of each run follows. `provenance`: readings and frames behind each
    fish are written too.
    """

    water: str
    populations: tuple[Population, ...]
    first_year: int = 2022
    years: int = 3
    surveys_per_year: int = 1
    days_between: int = 14
    month: int = 5
    areas: int = 6
    empty_areas: int = 0
    passes: int = 1
    seconds: float = 600.0
    unevenness: float = 0.0
    gear: str = "boat electrofishing"
    settings: str = "DC, 60 pulses a second"
    water_c: tuple[float, float] = (14.0, 19.0)
    conductance_us_per_cm: float = 290.0
    unit: Literal["mm", "in"] = "mm"
    length_sd_mm: float = 1.5
    scale_step_g: float = 1.0
    scale_unit: str = "g"
    flaws: Flaws = Flaws()
    treatment: tuple[str, int] | None = None
    inventory: bool = True
    sightings: int = 0
    station: str = "invented bank"
    provenance: bool = False


@dataclass(slots=True)
class StockSeen:
    """One species at one survey, in animals. `alive`, `tagged` (a tag in the body) and `marked` (the lasting second
    mark) count before the survey; the others what it did to them. `caught` animals went through the crew's hands,
    each counted once; `recaptured` of them carried a tag from an earlier survey, whether it was read or not."""

    alive: int = 0
    tagged: int = 0
    marked: int = 0
    caught: int = 0
    recaptured: int = 0
    newly_tagged: int = 0
    not_scanned: int = 0
    removed: int = 0
    died: int = 0
    by_pass: dict[int, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Occasion:
    """One survey. `at` is its opening, RFC 3339 UTC."""

    survey_id: str
    year: int
    at: str
    stocks: Mapping[str, StockSeen]


@dataclass(frozen=True, slots=True)
class Truth:
    """What is true of an invented water. Truths of a species itself (growth, survival, capture) stand in the plan.

    mean_wr: by species, the mean relative weight of its fish. fish, void: rows of the table `fish`, void ones among
    them. in_batches: fish of batches and counts, by species. tags_lost: by species, over all years. animal_of: by
    fish record, the number of the animal (only with `Plan.provenance`): who was who, over lost tags too.
    """

    plan: Plan
    seed: int
    occasions: tuple[Occasion, ...]
    mean_wr: Mapping[str, float]
    fish: int
    void: int
    in_batches: Mapping[str, int]
    tags_lost: Mapping[str, int]
    animal_of: Mapping[str, int]
