"""What the report says of the survey itself: where, when, how much was fished, what was caught, who was drugged."""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from sqlite3 import Connection

from office.answers.records import Records


@dataclass(frozen=True, slots=True)
class Facts:
    """when: the day of the survey asked about, or "". caught: species (slug, "" unknown) and how many, the most first, of
    that survey. seconds: current-on time of its runs that have one. drugged: agent and day (ISO 8601, or "") of each
    treatment of that survey's fish. only_species: the report holds this species alone."""

    water: str
    when: str
    first_day: str
    surveys: int
    stations: tuple[str, ...] = ()
    names: tuple[str, ...] = ()
    runs: int = 0
    seconds: float = 0.0
    gear: tuple[str, ...] = ()
    caught: tuple[tuple[str, int], ...] = ()
    removed: tuple[tuple[str, int], ...] = ()
    drugged: tuple[tuple[str, str], ...] = ()
    provisional: bool = False
    only_species: str | None = None


def read_facts(connection: Connection, records: Records) -> Facts:
    """The facts of the occasion asked about. Only SELECTs."""
    here = records.now
    surveys = [one for one in records.surveys if one.occasion == records.focus]
    runs = [one for one in records.runs if one.occasion == records.focus]
    caught: Counter[str] = Counter(str(one) for one in records.fish.species[here])
    removed: Counter[str] = Counter(
        str(one) for one in records.fish.species[here & (records.fish.fate == "removed")]
    )
    for batch in records.batches:
        if batch.occasion == records.focus:
            caught[batch.species] += batch.n
            removed[batch.species] += batch.n if batch.fate == "removed" else 0
    return Facts(
        water=records.water or "",
        when=records.occasions[-1].name if records.occasions else "",
        first_day=records.occasions[0].name if records.occasions else "",
        surveys=len(records.occasions),
        stations=_once(one.station for one in surveys),
        names=_once(one.name for one in surveys),
        runs=len(runs),
        seconds=sum(one.seconds or 0.0 for one in runs),
        gear=_once(one.gear for one in runs),
        caught=_most_first(caught),
        removed=_most_first(removed),
        drugged=_drugged(connection, [one.survey_id for one in surveys]),
        provisional=any(one.provisional for one in surveys),
        only_species=records.only_species,
    )


def _once(texts: Iterable[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(one for one in texts if one))


def _most_first(counts: Counter[str]) -> tuple[tuple[str, int], ...]:
    return tuple(sorted(((name, n) for name, n in counts.items() if n), key=lambda one: (-one[1], one[0])))


def _drugged(connection: Connection, surveys: Sequence[str]) -> tuple[tuple[str, str], ...]:
    found: list[tuple[str, str]] = []
    for survey_id in surveys:
        rows = connection.execute(
            "SELECT agent, coalesce(withdrawal_until, '') FROM treatment WHERE survey_id = ? "
            "ORDER BY started_at, treatment_id",
            (survey_id,),
        )
        found += [(agent, until) for agent, until in rows]
    return tuple(dict.fromkeys(found))
