"""Reads a database, a station's or an office's, into `Records`. Only SELECTs; values are those of the public views."""

import json
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from sqlite3 import Connection
from typing import Any

import numpy as np

from ingest.store.amendment_order import ranked
from office.answers.animals import Animals
from office.answers.records import (
    NOT_EXAMINED,
    Batch,
    CheckWeighing,
    Fish,
    Floats,
    Mask,
    Notes,
    Occasion,
    Prior,
    Records,
    Run,
    Survey,
)
from office.answers.waters import WatersFile
from office.protocols import REPORTS

# Captures that somebody told of are no sample of the water: they are no occasion, but belong to an animal's history.
_SURVEYS = f"""SELECT survey_id, name, station, water, opened_at, provisional FROM survey
    WHERE protocol <> '{REPORTS}'
    ORDER BY rtrim(opened_at, 'Z'), survey_id"""
_FISH = """SELECT v.fish_id, v.survey_id, v.run_no, v.worked_up_at, v.species, v.length_mm, v.length_type, f.length_unit,
    v.weight_g, v.fate, v.status, v.tag_status, v.tag, v.individual_id, v.amended
    FROM fish_all AS v JOIN fish AS f ON f.fish_id = v.fish_id
    WHERE v.survey_id = ? AND v.void = 0 ORDER BY rtrim(v.worked_up_at, 'Z'), v.fish_id"""
# Fish of a survey, and fish that an amendment moved into it; both by index.
_MINE = """fish_id IN (SELECT fish_id FROM fish WHERE survey_id = ?1
    UNION ALL SELECT fish_id FROM amended WHERE survey_id = ?1)"""
_DIVISIONS = f"""SELECT fish_id, division FROM reading
    WHERE {_MINE} AND kind = 'weight' AND role = 'used' AND division IS NOT NULL ORDER BY fish_id, seq"""
_FINDINGS = f"SELECT fish_id, name, severity, settled, suspects FROM finding WHERE {_MINE}"
_SECOND_TAGS = f"SELECT fish_id, tag FROM fish_tag WHERE {_MINE} AND role = 'second'"
_AMENDED = f"""SELECT fish_id, field FROM amendment
    WHERE {_MINE} AND field IN ('species', 'tag', 'length_mm', 'weight_g', 'status')"""
# As the view observation_list has it, which would go through the marks of all surveys for one.
_MARKS = f"""SELECT fish_id, code, text FROM observation AS o WHERE {_MINE} AND kind = 'mark' AND NOT EXISTS
    (SELECT 1 FROM amendment AS m WHERE m.fish_id = o.fish_id AND m.field = 'mark')
    UNION ALL SELECT fish_id, NULL, new FROM ({ranked("amendment", "fish_id")})
    WHERE {_MINE} AND field = 'mark' AND new IS NOT NULL AND rank = 1"""
_RUNS = """SELECT run_no, current_on_s, pass_no, area, gear, settings, water_c, conductivity_us_per_cm
    FROM run WHERE survey_id = ? ORDER BY run_no"""
_BATCHES = """SELECT batch_id, run_no, species, n, total_weight_g, fate FROM batch_list
    WHERE survey_id = ? AND closed = 1 ORDER BY rtrim(at, 'Z'), batch_id"""
_BATCH_LENGTHS = """SELECT r.batch_id, r.value FROM batch_reading AS r JOIN batch AS b ON b.batch_id = r.batch_id
    WHERE b.survey_id = ? AND r.kind = 'length' ORDER BY r.batch_id, r.seq"""
_PRIORS = """SELECT tag, individual_id, at, species, length_mm, weight_g, fate, water FROM prior_capture AS p
    WHERE fish_id IS NULL OR NOT EXISTS (SELECT 1 FROM fish WHERE fish_id = p.fish_id)"""
# Survey by survey: joined with its surveys the view would fold the fish of all waters.
_TOLD_OF = """SELECT tag, individual_id, worked_up_at, species, length_mm, weight_g, fate, water FROM fish_all
    WHERE survey_id = ? AND void = 0 AND closed = 1 AND status <> 'queried' AND tag IS NOT NULL"""

_FIELD_OF = {"length": "length_mm", "weight": "weight_g", "tag": "tag", "species": "species"}
_TRUSTED = ("saved", "confirmed")
ONE_TRIP_DAYS = 0.5
"""Two stations that open within half a day of one another are on one trip (proposal); days of a calendar will not do, for
an evening of work crosses midnight, here or in Greenwich."""


class NoSuchScopeError(ValueError):
    """The water or species that was asked for is not in the database; the text names what there is."""


def read_records(
    connection: Connection,
    waters: WatersFile | None = None,
    *,
    water: str | None = None,
    survey: str | None = None,
    species: str | None = None,
    years: tuple[int, int] | None = None,
) -> Records:
    """The records of one water, all occasions in time order.

    water: its name, capitals make no difference. survey: an id; then only occasions up to that of the survey are read,
    and it is the one asked about (the focus). Without a survey the last occasion is. species: a slug; others are left
    out. years: first and last calendar year read. Without water and survey the database must hold one water.

    An empty database gives empty records. Raises NoSuchScopeError for a water, survey or species that it does not hold,
    or if it holds several waters and none was named.
    """
    known = connection.execute(_SURVEYS).fetchall()
    name, chosen = _chosen(known, water, survey, years)
    surveys, occasions = _in_time(chosen, survey)
    loaded = _Loaded(connection, surveys, species)
    if species is not None and known and not (loaded.species & {species}):
        there = ", ".join(sorted(loaded.species - {""})) or "none"
        raise NoSuchScopeError(f"There is no {species} in these surveys: give one of {there}.")
    facts = (waters or WatersFile()).facts(name)
    return loaded.records(name, facts, surveys, occasions)


def _chosen(
    known: Sequence[Any], water: str | None, survey: str | None, years: tuple[int, int] | None
) -> tuple[str | None, list[Any]]:
    """The water, and its surveys that count. A survey whose water nobody named stands for itself."""
    if not known and water is None and survey is None:
        return None, []
    waters = sorted({row[3] for row in known if row[3]})
    if survey is not None:
        mine = next((row for row in known if row[0] == survey), None)
        if mine is None:
            raise NoSuchScopeError(
                f"There is no survey {survey} in this database; fish that were only told of make none."
            )
        if mine[3] is None:
            return None, [mine]
        chosen = [row for row in known if row[3] == mine[3]]
        name = mine[3]
    else:
        if water is None and len(waters) > 1:
            raise NoSuchScopeError(f"There are several waters: name one of {', '.join(waters)}.")
        if water is None:
            name = waters[0] if waters else None
        else:
            name = next((one for one in waters if one.casefold() == water.casefold()), None)
            if name is None:
                there = f"give one of {', '.join(waters)}" if waters else "no survey has named one yet"
                raise NoSuchScopeError(f'There is no water "{water}" in this database: {there}.')
        chosen = [row for row in known if row[3] == name]
        if name is None:
            chosen = chosen[-1:]
    if years is not None:
        chosen = [row for row in chosen if years[0] <= int(_day(row[4])[:4]) <= years[1]]
    return name, chosen


def _in_time(chosen: Sequence[Any], last: str | None) -> tuple[tuple[Survey, ...], tuple[Occasion, ...]]:
    """Surveys that open within `ONE_TRIP_DAYS` of the first of them are one occasion. `last`: the survey whose occasion
    is the last one wanted. Raises NoSuchScopeError for a survey whose opening is no time."""
    years = decimal_years([row[4] for row in chosen])
    groups: list[list[int]] = []
    for i, row in enumerate(chosen):
        if not np.isfinite(years[i]):
            raise NoSuchScopeError(f'Survey {row[0]} opened at "{row[4]}", which is no time: correct it.')
        if groups and (years[i] - years[groups[-1][0]]) * 365.25 < ONE_TRIP_DAYS:
            groups[-1].append(i)
        else:
            groups.append([i])
    if last is not None:
        until = next(place for place, one in enumerate(groups) if any(chosen[i][0] == last for i in one))
        groups = groups[: until + 1]
    surveys: list[Survey] = []
    occasions: list[Occasion] = []
    named: Counter[str] = Counter()
    for place, one in enumerate(groups):
        day = _day(chosen[one[0]][4])
        named[day] += 1
        name = day if named[day] == 1 else f"{day} ({named[day]})"
        mine = tuple(range(len(surveys), len(surveys) + len(one)))
        occasions.append(Occasion(place, name, float(years[one[0]]), _day_of_year(day), mine))
        for i in one:
            survey_id, title, station, _, opened_at, provisional = chosen[i]
            surveys.append(
                Survey(survey_id, title or "", station, opened_at, float(years[i]), place, bool(provisional))
            )
    return tuple(surveys), tuple(occasions)


class _Loaded:
    """The rows of the chosen surveys."""

    def __init__(self, connection: Connection, surveys: Sequence[Survey], species: str | None) -> None:
        self._connection = connection
        self._surveys = surveys
        self._only = species
        fish = [row for i, one in enumerate(surveys) for row in self._rows(_FISH, one, i)]
        self.batches = self._batches()
        self.species = {row[5] or "" for row in fish} | {one.species for one in self.batches}
        if species is not None:
            fish = [row for row in fish if row[5] == species]
            self.batches = tuple(one for one in self.batches if one.species == species)
        self._fish = fish

    def _rows(self, query: str, survey: Survey, *first: Any) -> list[Any]:
        found = self._connection.execute(query, (survey.survey_id,))
        return [(*first, *row) for row in found.fetchall()]

    def _all(self, query: str) -> Iterable[Any]:
        for one in self._surveys:
            yield from self._connection.execute(query, (one.survey_id,))

    def records(
        self, water: str | None, facts: Any, surveys: tuple[Survey, ...], occasions: tuple[Occasion, ...]
    ) -> Records:
        runs = self._runs()
        place = {(run.survey, run.run_no): i for i, run in enumerate(runs)}
        self.batches = tuple(
            Batch(
                one.batch_id,
                one.survey,
                one.occasion,
                place.get((one.survey, one.run), -1),
                one.species,
                one.n,
                one.total_weight_g,
                one.lengths_mm,
                one.fate,
            )
            for one in self.batches
        )
        animals, fish, findings = self._fish_arrays(place)
        return Records(
            water=water,
            facts=facts,
            surveys=surveys,
            occasions=occasions,
            runs=runs,
            batches=self.batches,
            fish=fish,
            priors=self._priors(animals),
            tags=animals.tags,
            notes=self._notes(findings, fish),
            only_species=self._only,
        )

    def _runs(self) -> tuple[Run, ...]:
        return tuple(
            Run(
                index,
                one.occasion,
                number,
                _positive(seconds),
                pass_no,
                area or "",
                gear or "",
                settings or "",
                c,
                us_per_cm,
            )
            for index, one in enumerate(self._surveys)
            for number, seconds, pass_no, area, gear, settings, c, us_per_cm in self._connection.execute(
                _RUNS, (one.survey_id,)
            )
        )

    def _batches(self) -> tuple[Batch, ...]:
        lengths: dict[str, list[float]] = defaultdict(list)
        for batch_id, value in self._all(_BATCH_LENGTHS):
            lengths[batch_id].append(value)
        return tuple(
            # the run's number, until `records` knows the place of the runs
            Batch(
                batch_id,
                index,
                one.occasion,
                -1 if run_no is None else run_no,
                species or "",
                n,
                _positive(weight),
                tuple(lengths[batch_id]),
                fate,
            )
            for index, one in enumerate(self._surveys)
            for batch_id, run_no, species, n, weight, fate in self._connection.execute(
                _BATCHES, (one.survey_id,)
            )
        )

    def _fish_arrays(self, place: dict[tuple[int, int], int]) -> tuple[Animals, Fish, list[Any]]:
        rows = self._fish
        columns = list(zip(*rows, strict=True)) if rows else [()] * 16
        survey, ids, _, run_no, at, species, length, kind, unit = columns[:9]
        weight, fate, status, tag_status, tag, individual, amended = columns[9:]
        at_of = {fish_id: i for i, fish_id in enumerate(ids)}
        findings = list(self._all(_FINDINGS))
        doubt = self._doubts(findings, at_of, status)
        second: dict[int, list[str]] = defaultdict(list)
        self._second = [(fish_id, other) for fish_id, other in self._all(_SECOND_TAGS)]
        for fish_id, other in self._second:
            if fish_id in at_of:
                second[at_of[fish_id]].append(other)
        animals = Animals(tag, individual, second, doubt["tag"])
        divisions = np.zeros(len(rows))
        for fish_id, division in self._all(_DIVISIONS):
            if fish_id in at_of:
                divisions[at_of[fish_id]] = max(division, 0.0)
        number = np.array(survey, dtype=np.int64)
        occasions = np.array([one.occasion for one in self._surveys], dtype=np.int64)
        tag_statuses = _texts(tag_status)
        species_texts = _texts(species)
        species_texts[doubt["species"]] = ""
        return (
            animals,
            Fish(
                ids=_texts(ids),
                survey=number,
                occasion=occasions[number] if len(rows) else number,
                run=np.array(
                    [place.get(key, -1) for key in zip(survey, run_no, strict=True)], dtype=np.int64
                ),
                year=decimal_years(at),
                species=species_texts,
                length_mm=_trusted(length, doubt["length"]),
                length_type=_texts(kind),
                unit=_texts("in" if one == "in" else "mm" for one in unit),
                weight_g=_trusted(weight, doubt["weight"]),
                division_g=divisions,
                fate=_texts(fate),
                status=_texts(status),
                tag_status=tag_statuses,
                animal=animals.of_fish,
                examined=np.asarray(tag_statuses != NOT_EXAMINED, dtype=np.bool_) & ~doubt["tag"],
                length_doubted=doubt["length"],
                weight_doubted=doubt["weight"],
                tag_doubted=doubt["tag"],
                amended=np.array(amended, dtype=np.bool_),
            ),
            findings,
        )

    def _doubts(
        self, findings: Sequence[Any], at_of: dict[str, int], status: Sequence[str]
    ) -> dict[str, Mask]:
        """By part, which fish have it named by a serious finding that nobody settled, confirmed or amended.

        A finding that names several parts (length, weight or species) puts the measures in doubt, and the species only
        if it names nothing else: the fish is still one of the catch.
        """
        doubt = {part: np.zeros(len(status), dtype=np.bool_) for part in _FIELD_OF}
        amended: dict[str, set[str]] = defaultdict(set)
        for fish_id, field in self._all(_AMENDED):
            amended[fish_id].add(field)
        for fish_id, _, severity, settled, suspects in findings:
            i = at_of.get(fish_id)
            if i is None or severity != "serious" or settled or status[i] in _TRUSTED:
                continue
            parts = [part for part in json.loads(suspects) if part in _FIELD_OF]
            if any(_FIELD_OF[part] in amended[fish_id] for part in parts):
                continue
            for part in parts:
                if part != "species" or len(parts) == 1:
                    doubt[part][i] = True
        return doubt

    def _priors(self, animals: Animals) -> tuple[Prior, ...]:
        rows = self._connection.execute(_PRIORS).fetchall()
        for survey in self._connection.execute("SELECT survey_id FROM survey WHERE protocol = ?", (REPORTS,)):
            rows += self._connection.execute(_TOLD_OF, survey)
        rows.sort(key=lambda row: ((row[2] or "").rstrip("Z"), row[0]))
        found = []
        for tag, individual, at, species, length, weight, fate, water in rows:
            animal = animals.known(tag, individual)
            if animal is not None:
                year = float(decimal_years([at])[0])
                found.append(
                    Prior(
                        animal, year, at, species or "", _or_nan(length), _or_nan(weight), fate, water or ""
                    )
                )
        return tuple(one for one in found if np.isfinite(one.year))

    def _notes(self, findings: Sequence[Any], fish: Fish) -> Notes:
        mine = set(fish.ids)
        named: dict[tuple[str, str, bool], list[str]] = defaultdict(list)
        for fish_id, name, severity, settled, _ in findings:
            if fish_id in mine:
                named[name, severity, bool(settled)].append(fish_id)
        marks: dict[str, set[str]] = defaultdict(set)
        for fish_id, code, text in self._all(_MARKS):
            marks[fish_id] |= {one.casefold() for one in (code, text) if one}
        netters: dict[int, set[str]] = defaultdict(set)
        for index, one in enumerate(self._surveys):
            for post, code in self._rows("SELECT post, code FROM crew WHERE survey_id = ?", one):
                if post.casefold().startswith("netter"):
                    netters[self._surveys[index].occasion].add(code)
        counts = [
            list(self._all(f"SELECT count(*) FROM {what} WHERE survey_id = ?{more}"))
            for what, more in (("fish", " AND closed = 0"), ("fish_all", " AND void = 1"))
        ]
        seen = list(self._all("SELECT tag FROM sighting WHERE survey_id = ?"))
        checks = self._connection.execute(
            "SELECT instrument, at, expected, measured, unit FROM check_measurement ORDER BY at, check_id"
        )
        return Notes(
            findings={key: tuple(ids) for key, ids in sorted(named.items())},
            checks=tuple(CheckWeighing(*row) for row in checks),
            sightings=len(seen),
            sighted_tags=len({tag for (tag,) in seen}),
            marks={fish_id: frozenset(one) for fish_id, one in marks.items() if fish_id in mine},
            second_tags=frozenset(fish_id for fish_id, _ in self._second if fish_id in mine),
            netters={occasion: len(codes) for occasion, codes in netters.items()},
            open_fish=sum(n for (n,) in counts[0]),
            void_fish=sum(n for (n,) in counts[1]),
        )


def decimal_years(times: Sequence[str | None]) -> Floats:
    """RFC 3339 times, or dates alone, as decimal years (2026.5 is the middle of 2026); NaN for what is no time."""
    bare = [(at or "NaT").removesuffix("Z") for at in times]
    try:
        if any("+" in at or "-" in at[10:] for at in bare):  # numpy knows no offsets
            raise ValueError
        moments = np.array(bare, dtype="datetime64[ms]")
    except ValueError:
        moments = np.array([_moment(at) for at in times], dtype="datetime64[ms]")
    years = moments.astype("datetime64[Y]")
    start, end = years.astype("datetime64[ms]"), (years + 1).astype("datetime64[ms]")
    # NaT stands for itself through all of it and ends as NaN
    return np.asarray(years.astype(np.float64) + 1970 + (moments - start) / (end - start), dtype=np.float64)


def _moment(at: str | None) -> np.datetime64:
    try:
        when = datetime.fromisoformat(at or "")
    except ValueError:
        return np.datetime64("NaT")
    naive = when if when.tzinfo is None else when.astimezone(UTC).replace(tzinfo=None)
    return np.datetime64(naive, "ms")


def _day(at: str) -> str:
    return at[:10]


def _day_of_year(day: str) -> int:
    try:
        return datetime.fromisoformat(day).timetuple().tm_yday
    except ValueError:
        return 1


def _texts(values: Iterable[str | None]) -> Any:
    return np.array([one or "" for one in values], dtype=object)


def _trusted(values: Sequence[float | None], doubted: Mask) -> Floats:
    found = np.array([_or_nan(one) for one in values], dtype=np.float64)
    found[doubted] = np.nan
    return found


def _or_nan(value: float | None) -> float:
    """A measure that is none, or not above 0, is missing."""
    return value if value is not None and value > 0 else float("nan")


def _positive(value: float | None) -> float | None:
    return value if value is not None and value > 0 else None
