"""Random days of fish, counts, batches, runs and voids: the sums of `catch` are those of a plain list, and the journal
gives the same records again."""

import tempfile
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ingest.records import Change, SaveRun
from ingest.store import Store
from tests.ingest.desk import Desk

SPECIES = (None, "bluegill", "yellow_perch")
counts = st.tuples(st.just("count"), st.sampled_from(SPECIES), st.integers(1, 60))
batches = st.tuples(
    st.just("batch"),
    st.sampled_from(SPECIES),
    st.integers(1, 60),
    st.none() | st.integers(1000, 3000),  # weight with the container, typed
    st.booleans(),  # weighed on the scale instead
    st.none() | st.integers(100, 900),  # container
    st.lists(st.integers(60, 300), max_size=3),
)
days = st.lists(
    st.one_of(
        counts,
        batches,
        st.just(("fish",)),
        st.just(("void",)),
        st.just(("void",)),
        st.just(("run",)),
    ),
    max_size=16,
)


@dataclass
class Model:
    """Everything that was caught, each with [run, species, n, g, kind]; the two that `void` may mean."""

    caught: list[list[Any]] = field(default_factory=list)
    tally: list[Any] | None = None
    saved: list[Any] | None = None
    runs: int = 0

    def add(self, species: str | None, n: int, weight_g: float, kind: str) -> list[Any]:
        entry = [self.runs or None, species or "largemouth_bass", n, weight_g, kind]
        self.caught.append(entry)
        return entry

    def void(self) -> None:
        gone, last_was_tally = self.tally or self.saved, self.tally is not None
        self.tally = None
        if gone is not None:
            self.caught = [one for one in self.caught if one is not gone]
        if not last_was_tally:
            self.saved = None

    def sums(self) -> dict[tuple[Any, Any], list[float]]:
        sums: dict[tuple[Any, Any], list[float]] = {}
        for run, species, n, weight_g, kind in self.caught:
            row = sums.setdefault((run, species), [0, 0, 0, 0.0])
            row[("fish", "count", "batch").index(kind)] += n
            row[3] += weight_g
        for run in range(1, self.runs + 1):
            if all(place[0] != run for place in sums):
                sums[run, None] = [0, 0, 0, 0.0]
        return sums


def play(desk: Desk, model: Model, act: tuple[Any, ...], number: int) -> None:
    match act:
        case ("count", species, n):
            desk.command(f"count {species} {n}" if species else f"count +{n}")
            model.tally = model.add(species, n, 0.0, "count")
        case ("batch", species, n, typed_g, on_scale, container_g, lengths):
            gross_g = typed_g or (1500 if on_scale else None)
            options = [f"count={n}"]
            options += ["weight=scale" if on_scale else f"weight={gross_g}"] if gross_g else []
            options += [f"container={container_g}"] if container_g else []
            options += [f"lengths={','.join(map(str, lengths))}"] if lengths else []
            desk.command(f"batch {species or ''} {', '.join(options)}")
            if gross_g and on_scale:
                desk.weigh(gross_g)
            net_g = gross_g - (container_g or 0) if gross_g else 0.0
            model.tally = model.add(species, n, net_g, "batch")
        case ("fish",):
            desk.scan(f"98500000001{number:04d}").length(300 + number).weigh(400 + number)
            model.tally, model.saved = None, model.add(None, 1, 400.0 + number, "fish")
        case ("void",):
            desk.command("void")
            model.void()
        case _:
            desk.command("run start").command("run end seconds=600")
            model.runs += 1


@settings(deadline=None, max_examples=15, suppress_health_check=[HealthCheck.too_slow])
@given(days)
def test_the_catch_is_what_a_plain_list_says_and_follows_from_the_journal_again(
    day: list[tuple[Any, ...]],
) -> None:
    with tempfile.TemporaryDirectory() as place:
        folder, model = Path(place), Model()
        desk = Desk.at(folder, inventory=False)
        for number, act in enumerate(day):
            play(desk, model, act, number)
        again = Desk(desk.engine.station)
        for frame in desk.frames:
            again.feed(frame)
        assert again.changes == desk.changes
        assert caught(folder / "day.sqlite", desk.changes) == model.sums()


def caught(path: Path, changes: list[Change]) -> dict[tuple[Any, Any], list[float]]:
    with Store.open(path) as store:
        store.begin_batch()
        store.commit(changes)
        store.end_batch()
        rows = store.connection.execute(
            "SELECT run_no, species, sum(n_measured), sum(n_counted), sum(n_in_batches), sum(weight_measured_g) "
            "FROM catch GROUP BY 1, 2"
        ).fetchall()
        runs = store.connection.execute("SELECT count(*), sum(n_caught) FROM run_list").fetchone()
    assert runs[0] == len({change.run_no for change in changes if isinstance(change, SaveRun)})
    return {(run, species): list(sums) for run, species, *sums in rows}
