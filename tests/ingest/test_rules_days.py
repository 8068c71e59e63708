"""Recorded days: one file for each situation at a work-up bench, beside it what must come of it.

`days/<name>.jsonl` says in its first line, a comment, what happens; `days/<name>.expected.toml` holds the station's
settings, the fish, and everything else that the day must leave behind. All fish, tags and waters are invented.
"""

import difflib
import tomllib
from collections.abc import Iterable, Mapping
from pathlib import Path

import pytest

from ingest.catch_records import AmendBatch, SaveBatch
from ingest.frames import Frame, Header, decode_line
from ingest.records import AddFinding, AttachReading, FishRecord, SaveRun, Sound, Status
from tests.ingest.desk import Desk

DAYS = Path(__file__).parent / "days"
NAMES = sorted(path.stem for path in DAYS.glob("*.jsonl"))


def read_day(path: Path) -> list[Header | Frame]:
    """The journal lines of a day written by hand. A day may hold several journals: a header begins the next."""
    lines: list[Header | Frame] = []
    header: Header | None = None
    last_n, last_t_s = 0, float("-inf")
    for number, raw in enumerate(path.read_bytes().splitlines(), 1):
        line = decode_line(raw, number, header, last_n, last_t_s)
        if line is None:
            continue
        assert isinstance(line, Header | Frame), f"{path.name}, line {number}: {line}"
        if isinstance(line, Header):
            header, last_n, last_t_s = line, 0, float("-inf")
        else:
            last_n, last_t_s = line.n, line.t_s
        lines.append(line)
    return lines


def run_day(lines: Iterable[Header | Frame], folder: Path, settings: Mapping[str, object]) -> Desk:
    desk = Desk.at(folder, **settings)
    desk.changes.clear()
    desk.said.clear()
    for line in lines:
        if isinstance(line, Header):
            desk.begin(line)
        else:
            desk.feed(line)
    return desk


def fish_lines(fish: FishRecord) -> list[str]:
    findings = sorted(f"{f.name}{' (settled)' if f.settled else ''}" for f in fish.findings)
    return [
        f"tag = {fish.tag}",
        f"length_mm = {fish.length_mm}",
        f"weight_g = {fish.weight_g}",
        f"species = {fish.species}",
        f"status = {fish.status.value}{_unlike(fish)}",
        f"tag_status = {fish.tag_status.value}",
        f"fate = {fish.fate}",
        f"rule = {fish.rule}",
        f"findings = {', '.join(findings)}",
        f"tags = {', '.join(f'{tag} {role}' for tag, role in fish.tags)}",
    ]


def _unlike(fish: FishRecord) -> str:
    """Held and parked fish are open, all others closed; what differs is said."""
    may_be_open = fish.status in (Status.HELD, Status.PARKED)
    return "" if fish.closed is not may_be_open else " (closed)" if fish.closed else " (open)"


def as_lines(desk: Desk) -> list[str]:
    """Everything that a day left behind, one line each, in an order that a person can compare."""
    number = {fish.fish_id: index for index, fish in enumerate(desk.fish, 1)}
    lines: list[str] = []
    for fish in desk.fish:
        lines += [f"[fish {number[fish.fish_id]}]", *fish_lines(fish)]
    lines += [f"amendment: fish {number[a.fish_id]}, {a.field}: {a.old} -> {a.new}" for a in desk.amendments]
    lines += [f"sighting: {s.tag}, {s.why}" for s in desk.sightings]
    lines += [f"attached: fish {number[e.fish_id]}, {_reading(e)}" for e in desk.echoes]
    added = [change for change in desk.changes if isinstance(change, AddFinding)]
    lines += [f"added: fish {number[a.fish_id]}, {a.finding.name}" for a in added]
    lines += _batch_lines(desk) + _run_lines(desk)
    for index, fish in enumerate(desk.fish, 1):
        if fish.withdrawal_until:
            lines.append(f"drugged: fish {index}, not to be eaten before {fish.withdrawal_until}")
        lines += [
            f"observed: fish {index}, {one.kind}: {one.text}{f' ({one.code})' if one.code else ''}"
            for one in fish.observations
            if one.code or one.kind in ("anomaly", "sample")
        ]
    lines += [
        f"survey: {s.water}, {s.name}{', provisional' if s.provisional else ''}{', closed' if s.closed_at else ''}"
        for s in desk.surveys
    ]
    sounds = [said.sound.value for said in desk.said if said.sound is not Sound.NONE]
    return [*lines, f"heard: {', '.join(sounds)}"]


def _batch_lines(desk: Desk) -> list[str]:
    latest = {change.batch.batch_id: change.batch for change in desk.changes if isinstance(change, SaveBatch)}
    lines = []
    for batch in latest.values():
        name = f"{batch.n} {batch.species}"
        lengths = [f"{reading.value:g}" for reading in batch.readings if reading.kind == "length"]
        amended = [
            change
            for change in desk.changes
            if isinstance(change, AmendBatch) and change.batch_id == batch.batch_id
        ]
        said = [
            f"batch of {name}" if batch.kind == "batch" else f"{name} counted",
            f"{batch.total_weight_g:g} g" if batch.total_weight_g is not None else "",
            f"container {batch.container_g:g} g" if batch.container_g is not None else "",
            f"lengths {' '.join(lengths)}" if lengths else "",
            f"run {batch.run_no}" if batch.run_no is not None else "",
            batch.fate,
            *("void" if change.field == "void" else f"{change.field} -> {change.new}" for change in amended),
            "" if batch.closed else "open",
        ]
        lines.append(f"batch: {', '.join(part for part in said if part)}")
    return lines


def _run_lines(desk: Desk) -> list[str]:
    runs = {change.run_no: change for change in desk.changes if isinstance(change, SaveRun)}
    lines = []
    for run in runs.values():
        said = [
            run.method.area,
            run.method.gear,
            f"pass {run.method.pass_no}" if run.method.pass_no else None,
            f"{run.current_on_s:g} s" if run.current_on_s is not None else None,
            f"{sum(fish.run_no == run.run_no for fish in desk.fish)} fish",
        ]
        lines.append(f"run: {run.run_no} {', '.join(part for part in said if part)}")
    return lines


def _reading(echo: AttachReading) -> str:
    reading = echo.reading
    return f"{reading.kind} {reading.text or reading.value} {reading.role}"


def expected_lines(expected: Mapping[str, object]) -> list[str]:
    """The same lines from an expected file, where what is not written has its usual value."""
    lines: list[str] = []
    fish_rows = expected.get("fish", [])
    assert isinstance(fish_rows, list)
    for index, row in enumerate(fish_rows, 1):
        tag = row.get("tag")
        values = {
            "tag": tag,
            "length_mm": _number(row.get("length_mm")),
            "weight_g": _number(row.get("weight_g")),
            "species": row.get("species", "largemouth_bass"),
            "status": row["status"],
            "tag_status": row["tag_status"],
            "fate": row.get("fate", "released"),
            "rule": row["rule"],
            "findings": ", ".join(sorted(row.get("findings", []))),
            "tags": ", ".join(row.get("tags", [f"{tag} primary"] if tag else [])),
        }
        lines += [f"[fish {index}]", *(f"{key} = {value}" for key, value in values.items())]
    for key, text in (
        ("amendments", "amendment"),
        ("sightings", "sighting"),
        ("attached", "attached"),
        ("added", "added"),
        ("batches", "batch"),
        ("runs", "run"),
        ("drugged", "drugged"),
        ("observed", "observed"),
    ):
        lines += [f"{text}: {line}" for line in _texts(expected, key)]
    lines += [f"survey: {line}" for line in _texts(expected, "surveys") or ["Alder Pond, None"]]
    return [*lines, f"heard: {', '.join(_texts(expected, 'heard'))}"]


def _number(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) else None


def _texts(expected: Mapping[str, object], key: str) -> list[str]:
    values = expected.get(key, [])
    assert isinstance(values, list)
    return [str(value) for value in values]


def test_there_are_days_and_each_says_what_it_is_about() -> None:
    assert len(NAMES) > 50
    for name in NAMES:
        first = (DAYS / f"{name}.jsonl").read_text(encoding="utf-8").splitlines()[0]
        assert first.startswith("# "), name
        assert first.endswith("."), name


def test_no_expected_file_is_without_its_day() -> None:
    assert {path.name.removesuffix(".expected.toml") for path in DAYS.glob("*.toml")} == set(NAMES)


@pytest.mark.parametrize("name", NAMES)
def test_day(name: str, tmp_path: Path) -> None:
    expected = tomllib.loads((DAYS / f"{name}.expected.toml").read_text(encoding="utf-8"))
    desk = run_day(read_day(DAYS / f"{name}.jsonl"), tmp_path, expected.get("station", {}))
    wanted, got = expected_lines(expected), as_lines(desk)
    diff = "\n".join(difflib.unified_diff(wanted, got, "expected", "came of it", lineterm="", n=12))
    said = "\n".join(f"  {a.at[11:23]} {a.name}: {a.sentence}" for a in desk.said)
    assert wanted == got, f"{diff}\nwhat was said:\n{said}"


def test_two_lengths_are_said_each_with_its_unit(tmp_path: Path) -> None:
    desk = run_day(read_day(DAYS / "two_lengths_newer_measured_twice.jsonl"), tmp_path, {})
    (said,) = [one.sentence for fish in desk.fish for one in fish.findings if one.name == "two_lengths"]
    assert said == "Measured as 312 mm, 352 mm; 351 mm came twice."
