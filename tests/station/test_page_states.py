"""Every state of the page: real Chromium, the real daemon, real bytes on pseudo-terminals."""

from collections.abc import Callable
from typing import NamedTuple

import pytest

from tests.station import stage as acts
from tests.station.conftest import OpenView
from tests.station.stage import Stage


class Case(NamedTuple):
    act: Callable[[Stage], None]
    state: str
    headline: str
    do: str
    sentence: str = ""
    bench: str = "main"


CASES = (
    Case(acts.no_survey, "no_survey", "NO SURVEY", "Just begin"),
    Case(acts.ready, "ready", "READY", "Next fish", "Scan it for a tag"),
    Case(acts.in_hand, "in_hand", "IN HAND", "Weigh it", "Still missing: weight."),
    Case(acts.saved, "saved", "SAVED", "Next fish", "Saved: largemouth bass"),
    Case(acts.incomplete, "saved", "INCOMPLETE", "Next fish", "Saved without weight"),
    Case(acts.queried, "saved", "QUERIED", "Next fish", "Saved with a query. It was asked: 305 mm"),
    Case(acts.echo, "echo", "SAME FISH", "Next fish", "is the fish just saved"),
    Case(acts.already_done, "already_done", "ALREADY DONE", "Put it back", "already done in this survey"),
    Case(acts.recapture, "recapture", "RECAPTURE", "Weigh it", "+13 mm"),
    Case(acts.recapture_gone, "recapture", "RECAPTURE", "Measure, then weigh", "Last caught"),
    Case(acts.recapture_saved, "saved", "SAVED", "Next fish", "+58 g. Relative weight 97, now 97."),
    Case(
        acts.held,
        "held",
        "HELD",
        "Weigh it again",
        "412 g would (the weight is ten times too low: a slipped decimal?): measure the weight again.",
    ),
    Case(acts.held_recapture, "held", "HELD", "Weigh it again", "447 g would ("),
    Case(acts.two_tags, "two_tags", "TWO TAGS", "Clear, scan again", "Clear the antenna"),
    Case(acts.tag_not_read, "tag_not_read", "TAG NOT READ", "Scan and weigh", "without its tag read"),
    Case(acts.batch, "batch", "BATCH", "Weigh container", "the empty container is to be weighed"),
    Case(acts.counted, "counted", "COUNTED", "Next fish", "12 bluegill"),
    Case(acts.again, "again", "MEASURE AGAIN", "Length or weight"),
    Case(acts.corrected, "corrected", "CORRECTED", "Next fish", "the fish saved last: removed"),
    Case(acts.void, "void", "VOID", "Next fish"),
    Case(acts.scan_again, "scan_again", "SCAN AGAIN", "Scan it again"),
    Case(acts.parked, "parked", "PARKED", "Next fish", "Parked: largemouth bass 256 mm", "hasty"),
    Case(acts.line_passing, "line", "LINE", "Measure and weigh", "At the scale next", "line"),
    Case(acts.line_stopped, "line_stopped", "LINE STOPPED", "Shift or keep", "off by one", "line"),
    Case(lambda stage: None, "instrument_silent", "BOARD SILENT", "Look at its cable", "", "mute"),
)


@pytest.mark.parametrize("case", CASES, ids=lambda case: f"{case.headline} {case.do}".lower())
def test_each_state_says_what_to_do_and_can_be_read(stage: Stage, open_view: OpenView, case: Case) -> None:
    if case.bench != "mute":
        stage.clear(case.bench)
    view = open_view(stage.address, bench=case.bench)
    case.act(stage)
    view.wait(case.state, case.sentence)
    assert view.text("#headline") == case.headline
    assert view.text("#do") == case.do
    view.check()
    if case.act is acts.batch:
        stage.command("void")
