"""What the page may give: commands of its list, from any JSON that somebody sends."""

import re
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import station
from ingest.commands import GRAMMAR, parse_command
from station.actions import PAGE_VERBS, ActionError, Pace, read_action

json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=8,
)
commands = st.sampled_from([rule.usage.split(" [")[0] for rule in GRAMMAR.values()]) | st.text(max_size=30)


@settings(deadline=None)
@given(
    json_values | st.fixed_dictionaries({"command": json_values | commands}, optional={"bench": json_values})
)
def test_any_body_is_a_command_of_the_list_or_refused_in_a_sentence(body: Any) -> None:
    refused, question = None, {}
    try:
        question = read_action(body)
    except ActionError as why:
        refused = str(why)
    if refused is not None:
        assert refused.endswith(".")
        return
    assert set(question) == {"ask", "command", "bench", "door"}
    assert (question["ask"], question["door"]) == ("command", "page")
    command = parse_command(question["command"])
    assert command.verb in PAGE_VERBS
    assert command == parse_command(body["command"])
    assert question["bench"] is None or isinstance(question["bench"], str)


@pytest.mark.parametrize(
    "text",
    [
        "survey open water=Reedmace Pond, name=May",
        "survey close",
        "survey name May",
        "run start area=upper bay",
        "run end seconds=640, temperature=14.5, conductivity=240",
        "species bluegill",
        "species-once bluegill",
        "void",
        "again",
        "keep",
        "next",
        "fate removed",
        "sex F",
        "note torn fin",
    ],
)
def test_what_a_crew_with_dry_hands_needs_is_on_the_list(text: str) -> None:
    assert read_action({"command": text, "bench": "main"})["command"] == text


def test_the_list_is_what_the_panel_of_the_crew_has_and_no_more() -> None:
    html = (Path(station.__file__).parent / "templates" / "page.html").read_text(encoding="utf-8")
    fields = {"name": "bluegill", "fate": "removed", "sex": "F", "text": "torn fin", "number": "1"}
    given = re.findall(r'data-(?:command|form)="([^"]+)"', html)
    assert {parse_command(text.format(**fields)).verb for text in given} == PAGE_VERBS


@pytest.mark.parametrize(
    "text", ["note a\x00b", "note a\nb", "note \u202egnp.exe", "note " + "x" * 500, 7, None, ["next"]]
)
def test_what_is_no_line_of_print_is_refused(text: object) -> None:
    with pytest.raises(ActionError, match="printable"):
        read_action({"command": text})


def test_the_pace_of_hands_is_let_through_and_a_flood_is_not() -> None:
    now_s = 0.0
    pace = Pace(burst=3, each_s=0.5, mono_s=lambda: now_s)
    assert [pace.may() for _ in range(5)] == [True, True, True, False, False]
    now_s = 0.5
    assert [pace.may(), pace.may()] == [True, False]
    now_s = 1000.0
    assert [pace.may() for _ in range(4)] == [True, True, True, False]
