"""The review of a database: what is asked about which fish, with the bytes behind their values. Reads only."""

import sqlite3
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence

from fishery.single import Relation, fit_length_weight, prior_relation
from ingest.checks import Limits
from ingest.records import PriorCapture, individual_id
from ingest.species import SpeciesBook
from ingest.store.amendment_order import ranked
from office.review.one_fish import findings_now, fish_questions
from office.review.questions import Doubtful, Evidence, Mark, Question, ReviewFish, Value
from office.review.several_fish import alike_tags, off_by_one, tags_twice

_FISH = """SELECT v.fish_id, v.survey_id, v.station, v.bench, v.water, s.name, v.run_no, f.opened_at, f.opened_n,
    v.worked_up_at, v.species, v.tag, v.tag_status, v.individual_id, v.length_mm, v.length_type, v.weight_g,
    v.weight_quality, v.fate, v.status, v.closed, f.journal_id
FROM fish_all AS v JOIN fish AS f ON f.fish_id = v.fish_id JOIN survey AS s ON s.survey_id = v.survey_id
WHERE v.void = 0 AND (?1 IS NULL OR v.survey_id = ?1) AND (?2 IS NULL OR v.water = ?2)
ORDER BY rtrim(s.opened_at, 'Z'), v.survey_id, rtrim(v.worked_up_at, 'Z'), v.fish_id"""

_CAPTURES = """SELECT tag, worked_up_at, water, survey_id, species, length_mm, weight_g, fate, individual_id, fish_id
FROM fish_all WHERE void = 0 AND closed = 1 AND tag IS NOT NULL
UNION ALL
SELECT tag, at, water, survey_id, species, length_mm, weight_g, fate, individual_id, fish_id FROM prior_capture AS p
WHERE p.fish_id IS NULL OR p.fish_id NOT IN (SELECT fish_id FROM fish)"""

_DIVISION = """SELECT fish_id, max(division) FROM reading
WHERE kind = 'weight' AND role = 'used' AND division IS NOT NULL GROUP BY fish_id"""
_MARKS = "SELECT fish_id, name, severity, sentence, settled FROM finding ORDER BY fish_id, seq"
_PAIRS = """SELECT length_mm, weight_g FROM fish_all WHERE water = ?1 AND species = ?2 AND void = 0 AND closed = 1
    AND status <> 'queried' AND weight_quality = 'measured' AND length_mm > 0 AND weight_g > 0
UNION ALL SELECT length_mm, weight_g FROM prior_capture WHERE water = ?1 AND species = ?2 AND length_mm > 0 AND weight_g > 0
    AND (fish_id IS NULL OR fish_id NOT IN (SELECT fish_id FROM fish))"""
_MOST_PAIRS = 3000  # more fish do not move a robust line; thinned evenly


def review(
    connection: sqlite3.Connection,
    book: SpeciesBook,
    *,
    survey_id: str | None = None,
    water: str | None = None,
) -> list[Doubtful]:
    """Every fish of the survey or water (or of all) about which something is asked, in the order of the days."""
    return _Review(connection, book).run(survey_id, water)


class _Review:
    def __init__(self, connection: sqlite3.Connection, book: SpeciesBook) -> None:
        self._connection = connection
        self._book = book
        self._limits = Limits()
        self._relations: dict[tuple[str | None, str | None], Relation | None] = {}

    def run(self, survey_id: str | None, water: str | None) -> list[Doubtful]:
        fish = self._fish(survey_id, water)
        chosen = {one.fish_id: one for one in fish}
        histories, times = self._histories({_animal(one.tag, one.individual_id) for one in fish if one.tag})
        marks = self._marks(chosen)
        questions: dict[str, list[Question]] = defaultdict(list)
        for one in fish:
            prior = _before(one, histories.get(_animal(one.tag, one.individual_id), ())) if one.tag else ()
            found = findings_now(one, prior, self._relation(one), self._book, self._limits)
            questions[one.fish_id] += fish_questions(one, marks.get(one.fish_id, ()), found, prior)
        final = [one for one in fish if one.closed]
        for question in (
            *tags_twice(final),
            *alike_tags(final, self._known_tags(times), times),
            *off_by_one(final, self._line_of),
        ):
            questions[question.fish_id].append(question)
        doubtful = [Doubtful(one, questions[one.fish_id]) for one in fish if questions[one.fish_id]]
        for each in doubtful:
            each.evidence = list(evidence(self._connection, each.fish.fish_id))
        return doubtful

    # --- what is on record ------------------------------------------------------------------------------------

    def _fish(self, survey_id: str | None, water: str | None) -> list[ReviewFish]:
        rows = self._connection.execute(_FISH, (survey_id, water)).fetchall()
        divisions = dict(self._connection.execute(_DIVISION))
        amended: dict[str, set[str]] = defaultdict(set)
        for fish_id, field in self._connection.execute("SELECT fish_id, field FROM amendment"):
            amended[fish_id].add(field)
        return [
            ReviewFish(*(*row, divisions.get(row[0]) or 0.0, frozenset(amended.get(row[0], ()))))
            for row in rows
        ]

    def _histories(self, animals: set[str]) -> tuple[dict[str, tuple[PriorCapture, ...]], Counter[str]]:
        """All captures of these animals, oldest first, and how often each tag was captured at all."""
        times: Counter[str] = Counter()
        found: dict[str, list[PriorCapture]] = defaultdict(list)
        for tag, at, water, survey, species, mm, g, fate, individual, fish_id in self._connection.execute(
            _CAPTURES
        ):
            times[tag] += 1
            animal = _animal(tag, individual)
            if animal in animals:
                capture = PriorCapture(at, water, survey, species, mm, g, fate, individual, fish_id)
                found[animal].append(capture)
        in_order = {
            animal: tuple(sorted(captures, key=_when))
            for animal, captures in found.items()
            if len(captures) > 1
        }
        return in_order, times

    def _marks(self, chosen: dict[str, ReviewFish]) -> dict[str, list[Mark]]:
        marks: dict[str, list[Mark]] = defaultdict(list)
        for fish_id, name, severity, sentence, settled in self._connection.execute(_MARKS):
            if fish_id in chosen:
                marks[fish_id].append(Mark(name, severity == "serious", sentence, bool(settled)))
        return marks

    def _known_tags(self, times: Counter[str]) -> set[str]:
        """Tags that something vouches for: an inventory, or a second capture."""
        held = {tag for (tag,) in self._connection.execute("SELECT tag FROM tag_inventory")}
        return held | {tag for tag, number in times.items() if number > 1} | self._from_elsewhere()

    def _from_elsewhere(self) -> set[str]:
        return {tag for (tag,) in self._connection.execute("SELECT DISTINCT tag FROM prior_capture")}

    def _relation(self, fish: ReviewFish) -> Relation | None:
        """This water's own length-weight relation over all its years; None with too few fish."""
        key = (fish.water, fish.species)
        if key not in self._relations:
            pairs = self._connection.execute(_PAIRS, key).fetchall() if None not in key else []
            thinned = pairs[:: 1 + len(pairs) // _MOST_PAIRS]
            species = self._book.get(fish.species)
            self._relations[key] = fit_length_weight(
                [mm for mm, _ in thinned], [g for _, g in thinned], species.recommended if species else None
            )
        return self._relations[key]

    def _line_of(self, fish: ReviewFish) -> Relation | None:
        species = self._book.get(fish.species)
        line = species.recommended if species else None
        return self._relation(fish) or (prior_relation(line) if line else None)


def evidence(connection: sqlite3.Connection, fish_id: str) -> Iterator[Evidence]:
    """The readings and amendments behind tag, length and weight of a fish, oldest first."""
    rows = connection.execute(
        "SELECT kind, value, text, unit, role, instrument, at, journal_id, n, raw FROM reading "
        "WHERE fish_id = ? AND kind IN ('tag', 'length', 'weight') ORDER BY rtrim(at, 'Z'), n, seq",
        (fish_id,),
    )
    for kind, value, text, _, role, instrument, at, journal_id, n, raw in rows:
        unit = {"length": " mm", "weight": " g"}.get(kind, "")
        shown = text if value is None else f"{value:g}{unit}"
        yield Evidence(kind, shown or "", role, instrument, at, journal_id, n, bytes(raw))
    fields: dict[str, Value] = {"tag": "tag", "length_mm": "length", "weight_g": "weight"}
    amended = connection.execute(
        f"SELECT field, new, who, at, journal_id, n FROM ({ranked('amendment', 'fish_id')}) "
        "WHERE fish_id = ? AND field IN ('tag', 'length_mm', 'weight_g') AND rank = 1 ORDER BY field",
        (fish_id,),
    )
    for field, new, who, at, journal_id, n in amended:
        yield Evidence(fields[field], new or "empty", "amended", who, at, journal_id, n)


def _animal(tag: str | None, individual: str | None) -> str:
    return individual or individual_id(tag or "")


def _when(capture: PriorCapture) -> tuple[str, str]:
    return capture.at.rstrip("Z"), capture.fish_id or ""


def _before(fish: ReviewFish, captures: Sequence[PriorCapture]) -> tuple[PriorCapture, ...]:
    at = fish.worked_up_at.rstrip("Z")
    return tuple(one for one in captures if one.fish_id != fish.fish_id and one.at.rstrip("Z") < at)
