"""Whatever is saved and amended in whatever order, views and look-ups say what a plain dictionary says."""

import tempfile
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ingest.records import Amend, FishRecord, SaveFish, Status
from ingest.store import ConflictingFish, RecordRefused, Store
from tests.ingest.builders import OTHER_TAG, TAG, amend, fish, ready, run

TAGS = (TAG, OTHER_TAG, "12E4567890")
SHOWN = (
    "fish_id", "survey_id", "run_no", "species", "tag", "length_mm", "weight_g", "fate", "status",
    "relative_weight", "individual_id", "note",
)  # fmt: skip

numbers = st.sampled_from((100.0, 412.0, 0.25, 1e-7, 123456.789))
records = st.builds(
    fish,
    st.integers(1, 4),
    tag=st.sampled_from((*TAGS, None)),
    species=st.sampled_from(("LMB", "BLG", None)),
    length_mm=st.none() | numbers,
    weight_g=st.none() | numbers,
    closed=st.sampled_from((True, True, False)),
    status=st.sampled_from((Status.SAVED, Status.SAVED, Status.QUERIED, Status.VOID)),
)
amendments = st.one_of(
    st.tuples(st.just("species"), st.sampled_from(("SMB", None))),
    st.tuples(st.sampled_from(("length_mm", "weight_g", "relative_weight")), st.none() | numbers.map(repr)),
    st.tuples(st.just("tag"), st.sampled_from((*TAGS, None))),
    st.tuples(st.just("individual_id"), st.sampled_from(("somebody", None))),
    st.tuples(st.just("run_no"), st.sampled_from(("2", None))),
    st.tuples(st.just("void"), st.sampled_from(("0", "1"))),
    st.tuples(st.just("status"), st.sampled_from(("confirmed", "queried"))),
    st.tuples(st.just("note"), st.text(max_size=3) | st.none()),
)
steps = st.lists(
    st.one_of(
        records,
        st.tuples(st.integers(1, 4), st.integers(9000, 9003), st.lists(amendments, min_size=1, max_size=2)),
    ),
    max_size=14,
)


@dataclass
class Model:
    """Fish as saved, amendments in order of arrival."""

    fish: dict[str, FishRecord] = field(default_factory=dict)
    amendments: list[Amend] = field(default_factory=list)

    def save(self, record: FishRecord) -> bool:
        stored = self.fish.get(record.fish_id)
        if stored is not None and stored.closed:
            return stored == record
        self.fish[record.fish_id] = record
        return True

    def amend(self, changes: list[Amend]) -> bool:
        for change in changes:
            stored = self.fish.get(change.fish_id)
            if stored is None or not stored.closed:
                return False
            same_id = [known for known in self.amendments if known.amendment_id == change.amendment_id]
            if same_id and same_id[0] != change:
                return False
        self.amendments += [change for change in changes if change not in self.amendments]
        return True

    def shown(self, record: FishRecord) -> dict[str, Any]:
        values = {**asdict(record), "void": record.status is Status.VOID, "amended": False}
        mine = [change for change in self.amendments if change.fish_id == record.fish_id]
        for at, change in enumerate(mine):
            one_correction = {known.field for known in mine[: at + 1] if known.n == change.n}
            number = change.field in ("length_mm", "weight_g", "relative_weight") and change.new is not None
            new: Any = float(change.new) if number and change.new is not None else change.new
            if change.field == "run_no" and change.new is not None:
                new = int(change.new)
            values[change.field] = change.new == "1" if change.field == "void" else new
            values["amended"] = True
            if (
                change.field in ("length_mm", "weight_g", "species")
                and "relative_weight" not in one_correction
            ):
                values["relative_weight"] = None
            if change.field == "tag" and "individual_id" not in one_correction:
                values["individual_id"] = None
        if values["void"]:
            values["status"] = "void"
        elif values["status"] == "void":
            values["status"] = "queried"
        return values


def check(store: Store, model: Model) -> None:
    shown = {record.fish_id: model.shown(record) for record in model.fish.values()}
    columns = (*SHOWN, "amended", "void")
    query = f"SELECT {', '.join(columns)} FROM fish_all"
    assert {row[0]: row for row in store.connection.execute(query)} == {
        fish_id: tuple(values[column] for column in columns) for fish_id, values in shown.items()
    }
    valid = {fish_id: values for fish_id, values in shown.items() if not values["void"]}
    query = f"SELECT {', '.join(SHOWN)} FROM worked_fish"
    assert {row[0]: row for row in store.connection.execute(query)} == {
        fish_id: tuple(values[column] for column in SHOWN) for fish_id, values in valid.items()
    }
    final = {fish_id: values for fish_id, values in valid.items() if values["closed"]}
    history = store.connection.execute("SELECT fish_id, tag, length_mm, relative_weight FROM tag_history")
    assert sorted(history.fetchall()) == sorted(
        (fish_id, values["tag"], values["length_mm"], values["relative_weight"])
        for fish_id, values in final.items()
        if values["tag"] is not None
    )
    caught = store.connection.execute(
        "SELECT sum(n_measured), sum(n_counted), sum(n_weighed) FROM catch"
    ).fetchone()
    measured = sum(values["length_mm"] is not None for values in valid.values())
    weighed = sum(values["weight_g"] is not None for values in valid.values())
    assert caught == (measured, len(valid) - measured, weighed)
    for tag in TAGS:
        bearers = {fish_id for fish_id, values in final.items() if values["tag"] == tag}
        known = {final[fish_id]["individual_id"] for fish_id in bearers} - {None}
        animal = {fish_id for fish_id, values in final.items() if values["individual_id"] in known}
        assert {capture.fish_id for capture in store.lookup.captures(tag)} == bearers | animal
        found = store.lookup.in_survey("survey-1", tag)
        assert found in bearers if bearers else found is None
    for record in model.fish.values():
        assert store.lookup.saved(record.fish_id) == record


@settings(deadline=None, max_examples=60, suppress_health_check=[HealthCheck.too_slow])
@given(steps)
def test_views_and_lookups_agree_with_a_plain_model(
    sequence: list[FishRecord | tuple[int, int, list[tuple[str, str | None]]]],
) -> None:
    model = Model()
    with tempfile.TemporaryDirectory() as folder, ready(Path(folder) / "bank.sqlite") as store:
        store.commit([run(2)])
        store.begin_batch()
        for step in sequence:
            if isinstance(step, FishRecord):
                try:
                    store.commit([SaveFish(step)])
                    stored = True
                except ConflictingFish:
                    stored = False
                assert stored == model.save(step)
            else:
                number, n, fields = step
                # The amendment's id comes from its frame, so the same frame may speak of one fish only.
                changes = [
                    amend(fish(number), name, new, n=n * 10 + number, index=index)
                    for index, (name, new) in enumerate(fields)
                ]
                try:
                    store.commit(changes)
                    stored = True
                except RecordRefused:
                    stored = False
                assert stored == model.amend(changes)
            check(store, model)
        store.end_batch()
        check(store, model)
