"""The ways in which a bench works: what happens with each reading, command and deadline, by the name in its file."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any, Generic, TypeVar

from ingest.assemble import batch_rules, command_rules, measure_rules, tag_rules, timer_rules
from ingest.assemble.bench import Bench
from ingest.assemble.context import Context
from ingest.assemble.line import commands as line_commands
from ingest.assemble.line import readings as line_readings
from ingest.assemble.line import times as line_times
from ingest.assemble.line.bench import LineBench
from ingest.assemble.parts import BenchState, Measure, MeasureKind, Ref
from ingest.assemble.settings import FlowName
from ingest.commands import Command

Kind = TypeVar("Kind", bound=Bench)


@dataclass(frozen=True, slots=True)
class Flow(Generic[Kind]):
    """The rules of one way of working; `bench` makes the bench of one step, which all of them take first."""

    bench: Callable[[BenchState, Context, Ref], Kind]
    on_tag: Callable[[Kind, str, bool, Ref], None]
    on_measure: Callable[[Kind, MeasureKind, Measure], None]
    on_command: Callable[[Kind, Command, Ref], None]
    on_time: Callable[[Kind, Ref], None]
    on_restart: Callable[[Kind, Ref], None]
    on_stop: Callable[[Kind, Ref], None]
    close_all: Callable[[Kind, str, Ref], None]


def _with_batches(flow: Flow[Kind]) -> Flow[Kind]:
    """The same way of working, where a batch in hand comes first."""

    def on_tag(bench: Kind, tag: str, checked: bool, ref: Ref) -> None:
        batch_rules.before_tag(bench, tag, ref)
        flow.on_tag(bench, tag, checked, ref)

    def on_measure(bench: Kind, kind: MeasureKind, measure: Measure) -> None:
        if not batch_rules.takes_measure(bench, kind, measure):
            flow.on_measure(bench, kind, measure)

    def on_command(bench: Kind, command: Command, ref: Ref) -> None:
        if not batch_rules.takes_command(bench, command, ref):
            flow.on_command(bench, command, ref)

    def on_time(bench: Kind, ref: Ref) -> None:
        batch_rules.on_time(bench, ref)
        flow.on_time(bench, ref)

    def on_restart(bench: Kind, ref: Ref) -> None:
        batch_rules.over(bench, ref)
        flow.on_restart(bench, ref)

    def close_all(bench: Kind, rule: str, ref: Ref) -> None:
        batch_rules.over(bench, ref)
        flow.close_all(bench, rule, ref)

    return replace(
        flow,
        on_tag=on_tag,
        on_measure=on_measure,
        on_command=on_command,
        on_time=on_time,
        on_restart=on_restart,
        close_all=close_all,
    )


FLOWS: Mapping[FlowName, Flow[Any]] = {
    "single": _with_batches(
        Flow(
            Bench,
            tag_rules.on_tag,
            measure_rules.on_measure,
            command_rules.on_command,
            timer_rules.on_time,
            timer_rules.on_restart,
            command_rules.on_stop,
            command_rules.close_all,
        )
    ),
    "line": _with_batches(
        Flow(
            LineBench,
            line_readings.on_tag,
            line_readings.on_measure,
            line_commands.on_command,
            line_times.on_time,
            line_times.on_restart,
            line_times.on_stop,
            line_times.close_all,
        )
    ),
}
