"""A thousand random amendments and undos: the views equal a model, undone all is as it was, nothing is overwritten."""

from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import Any

import pytest

from fishery.single import relative_weight, standard_weight_g
from ingest.catch_records import SaveBatch
from ingest.records import Observation
from office.amend import Wanted
from tests.ingest import builders
from tests.office.offices import amending, bass, book, contents, office_with, one_row, shown

SPECIES = ("largemouth_bass", "bluegill", "yellow_perch", "bowfin")
STEPS = 1000
BOOK = book()
BASES = ("species", "length_mm", "weight_g", "length_type", "weight_quality")


@dataclass(eq=False)
class Made:
    """A correction as the model keeps it."""

    amendment_id: str
    values: dict[str, Any]
    undoes: "Made | None" = None
    dead: bool = False


@dataclass
class Model:
    """One record: what it was, and its corrections. What counts is what was not taken back, the newest last."""

    original: dict[str, Any]
    made: list[Made] = field(default_factory=list)

    def now(self) -> dict[str, Any]:
        state = dict(self.original)
        for one in self.made:
            if one.undoes is None and not one.dead:
                state |= one.values
        return state

    def _to_undo(self, wanted: Made) -> Made:
        """What was undone and brought back is undone by taking back what brought it back."""
        for undone in [one for one in self.made if one.undoes is wanted]:
            for back in [one for one in self.made if one.undoes is undone]:
                return self._to_undo(back)
        return wanted

    def may_undo(self, wanted: Made) -> bool:
        if wanted.dead:
            return False
        wanted = self._to_undo(wanted)
        place = self.made.index(wanted)
        later = [one for one in self.made[place + 1 :] if not one.dead]
        of_later = [one for one in later if one.undoes is not None and self.made.index(one.undoes) > place]
        standing = [one for one in later if one not in of_later]
        return not any(one.values.keys() & wanted.values.keys() for one in standing)

    def undo(self, wanted: Made, amendment_id: str) -> None:
        self.made.append(Made(amendment_id, wanted.values, self._to_undo(wanted)))
        for one in reversed(
            self.made
        ):  # what takes another back is younger: whether it counts is known by then
            one.dead = any(later.undoes is one and not later.dead for later in self.made)


def _random_value(random: Random, name: str) -> Any:
    match name:
        case "length_mm":
            return random.choice(
                [float(random.randint(150, 500)), round(random.uniform(6, 20), 1) * 25.4, None]
            )
        case "weight_g":
            return random.choice([round(random.uniform(50, 3000), 1), float(random.randint(5, 9)), None])
        case "species":
            return random.choice(SPECIES)
        case "tag":
            return random.choice([f"985120{random.randint(1, 20):09}", None])
        case "fate":
            return random.choice(("released", "removed", "died"))
        case "void":
            return random.randint(0, 1)
        case "status":
            return random.choice(("saved", "confirmed", "queried", "incomplete"))
        case "run_no":
            return random.choice((1, 2, None))
        case _:
            return random.choice(("M", "F", "a note", "'quoted', \"twice\"\nsecond line", None))


def _written(value: Any) -> str:
    return "" if value is None else f"{value:.6f}" if isinstance(value, float) else str(value)


def _expected_wr(state: dict[str, Any], original: dict[str, Any]) -> float | None:
    if all(state[base] == original[base] for base in BASES):
        return original["relative_weight"]  # type: ignore[no-any-return]
    line = BOOK.by_slug[state["species"]].recommended
    if (
        line is None
        or not state["length_mm"]
        or not state["weight_g"]
        or state["weight_quality"] != "measured"
    ):
        return None
    ws_g = standard_weight_g(line, state["length_mm"])
    return None if ws_g is None else round(relative_weight(state["weight_g"], ws_g), 1)


@pytest.mark.parametrize(
    "seed", [1, pytest.param(2, marks=pytest.mark.long), pytest.param(3, marks=pytest.mark.long)]
)
def test_a_thousand_random_amendments_and_undos_equal_a_model(seed: int, tmp_path: Path) -> None:
    random = Random(seed)
    fish = [
        bass(number, observations=(Observation("sex", "M"),) if number % 2 else ()) for number in range(1, 81)
    ]
    batches = [builders.batch(number, species="bluegill") for number in (1, 2)]
    with office_with(tmp_path / "office.sqlite", *fish, *map(SaveBatch, batches)) as office:
        # Two thousand commits: that they are durable is shown elsewhere, and costs four syncs each.
        office.connection.execute("PRAGMA synchronous = OFF")
        before = contents(office.connection)
        views_before = {one.fish_id: shown(office, one.fish_id) for one in fish}
        models = {
            one.fish_id: Model(dict(views_before[one.fish_id]) | _sex(office, one.fish_id)) for one in fish
        }
        models |= {
            one.batch_id: Model({"species": one.species, "fate": one.fate, "note": one.note, "void": 0})
            for one in batches
        }
        amendments: dict[str, tuple[Any, ...]] = {}
        work = amending(office)
        for step in range(STEPS):
            record_id = random.choice([*models])
            model = models[record_id]
            is_fish = record_id in views_before
            if model.made and random.random() < 0.4:
                wanted = random.choice(model.made)
                outcome = work.undo([wanted.amendment_id], why="on second thoughts")
                assert outcome.stored == model.may_undo(wanted), outcome.verdicts
                if outcome.stored:
                    model.undo(wanted, outcome.verdicts[0].amendment_ids[0])
            else:
                known = (
                    "length_mm",
                    "weight_g",
                    "species",
                    "tag",
                    "fate",
                    "void",
                    "status",
                    "run_no",
                    "note",
                    "sex",
                )
                names = random.sample(
                    known if is_fish else ("species", "fate", "note", "void"), random.randint(1, 3)
                )
                values = {name: _random_value(random, name) for name in names}
                values = {name: None if value is None else float(f"{value:.6f}") if isinstance(value, float) else value
                          for name, value in values.items()}  # fmt: skip
                state = model.now()
                values = {name: value for name, value in values.items() if value != state[name]}
                wish = Wanted(
                    record_id, {name: _written(value) for name, value in values.items()}, "wet sheet"
                )
                outcome = work.amend([wish], confirm=True)
                assert outcome.stored == bool(values), outcome.verdicts
                if values:
                    model.made.append(Made(outcome.verdicts[0].amendment_ids[0], values))
            _compare(office, record_id, model, is_fish)
            if step % 50 == 0:
                now = {row[1]: row for row in office.connection.execute("SELECT * FROM amendment")}
                assert now.items() >= amendments.items()  # nothing that was once amended is touched again
                amendments = now
        for model in models.values():
            for one in reversed(list(model.made)):
                if not one.dead and one.undoes is None:
                    (verdict,) = work.undo([one.amendment_id], why="all of it").verdicts
                    assert verdict.good, verdict
                    model.undo(one, verdict.amendment_ids[0])
        assert contents(office.connection) == before
        for fish_id, row in views_before.items():
            assert shown(office, fish_id) | {"amended": 0} == row
            assert _sex(office, fish_id)["sex"] == models[fish_id].original["sex"]


def _compare(office: Any, record_id: str, model: Model, is_fish: bool) -> None:
    state = model.now()
    if not is_fish:
        rows = office.connection.execute(
            "SELECT species, fate, note FROM batch_list WHERE batch_id = ?", (record_id,)
        )
        assert rows.fetchall() == (
            [] if state["void"] else [(state["species"], state["fate"], state["note"])]
        )
        return
    row = shown(office, record_id) | _sex(office, record_id)
    named = ("length_mm", "weight_g", "species", "tag", "fate", "void", "run_no", "note", "worked_up_at")
    assert {name: row[name] for name in named} == {name: state[name] for name in named}
    assert row["status"] == ("void" if state["void"] else state["status"])
    if not state["void"]:
        assert row["sex"] == state["sex"]
    assert (row["weight_g"] is None) == (row["weight_quality"] == "not_weighed")
    assert row["relative_weight"] == _expected_wr(row, model.original)
    assert (row["tag"] is None) == (row["individual_id"] is None)


def _sex(office: Any, fish_id: str) -> dict[str, Any]:
    query = "SELECT max(text) AS sex FROM observation_list WHERE fish_id = ? AND kind = 'sex'"
    return one_row(office.connection, query, fish_id)
