"""Files of hand readers: what they say is a sighting, and what they do not say is refused with its reason.

The codes and times are invented; the forms of a code are those of the tag parser and tested there.
"""

from datetime import UTC
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.sighting_files import SightedTag, parse_sightings

ONE, TWO = "985120000000101", "985120000000102"
CHICAGO = ZoneInfo("America/Chicago")


@pytest.mark.parametrize(
    ("text", "sighted"),
    [
        (f"{ONE}\n{TWO}\n", [(ONE, None), (TWO, None)]),
        (f"\ufeff{ONE}\r\n\r\n# the end\r\n{ONE}", [(ONE, None), (ONE, None)]),
        ("985.120000000101\n3E50000000\n", [(ONE, None), ("3E50000000", None)]),
        (f"{ONE},2026-05-12T08:00:00\n", [(ONE, "2026-05-12T13:00:00.000Z")]),
        (f"{ONE};2026-05-12 08:00:00\n", [(ONE, "2026-05-12T13:00:00.000Z")]),
        (f"{ONE};2026-05-12T08:00:00,3;\n", [(ONE, "2026-05-12T13:00:00.300Z")]),
        (f"{ONE}\t2026-05-12T13:00:00Z\n", [(ONE, "2026-05-12T13:00:00.000Z")]),
        (f"tag,at\n{ONE},2026-05-12T13:00:00Z\n{TWO},\n", [(ONE, "2026-05-12T13:00:00.000Z"), (TWO, None)]),
        (f'"Date","Time","Code"\n2026-05-12,08:00:00,{ONE}\n', [(ONE, "2026-05-12T13:00:00.000Z")]),
        (f"tag;date;antenna\n{ONE};2026-05-12;7\n", [(ONE, "2026-05-12T17:00:00.000Z")]),
        ("", []),
        ("tag,at\n", []),
    ],
)
def test_codes_with_and_without_a_time_are_sightings(
    text: str, sighted: list[tuple[str, str | None]]
) -> None:
    found, refused = parse_sightings(text.encode(), CHICAGO)
    assert [(one.tag, one.at) for one in found] == sighted
    assert refused == ()


@pytest.mark.parametrize(
    ("text", "line", "why"),
    [
        (f"{ONE}\n98512000000010\n", 2, "98512000000010 is no tag code"),
        (f"{ONE}\n{TWO},yesterday\n", 2, '"yesterday" is no date'),
        (f"{ONE},2026-05-12T08:00:00,3\n", 1, "more than a code and a time"),
        (f"tag,at\n{ONE},12.5.2026\n", 2, '"12.5.2026" is no date'),
        (f"tag,at\n9.8512E+14,\n{ONE},\n", 2, "its digits are lost"),
        (f'tag,at\n"{ONE},\n', 2, "mend the quotes"),
    ],
)
def test_a_line_that_is_no_sighting_is_refused_with_its_number_and_the_reason(
    text: str, line: int, why: str
) -> None:
    _, refused = parse_sightings(text.encode(), CHICAGO)
    (one,) = refused
    assert one.line == line
    assert why in one.why


LINES = st.one_of(
    st.text(max_size=40),
    st.integers(0, 10**15 - 1).map(lambda number: f"985{number:012d}"[:15]),
    st.sampled_from([f"{ONE},2026-05-12", "tag,at", "#", f"{TWO};x", '"', ""]),
)


@given(st.lists(LINES, max_size=30).map("\n".join))
@settings(deadline=None, max_examples=150)
def test_every_line_without_a_heading_is_a_sighting_or_refused_and_none_is_lost(text: str) -> None:
    data = text.encode()
    sighted, refused = parse_sightings(data, UTC)
    lines = [line.strip() for line in data.decode("utf-8-sig").replace("\x00", "\ufffd").splitlines()]
    said = [line for line in lines if line and not line.startswith("#")]
    if said and not {"tag", "code"} & set(said[0].replace('"', "").replace(";", ",").lower().split(",")):
        assert len(sighted) + len(refused) == len(said)


@given(st.binary(max_size=300))
@settings(deadline=None, max_examples=200)
def test_no_bytes_make_it_fail_and_a_sighting_has_a_canonical_code(data: bytes) -> None:
    sighted, refused = parse_sightings(data, CHICAGO)
    assert all(isinstance(one, SightedTag) and len(one.tag) in (10, 15) for one in sighted)
    assert all(one.why and one.line > 0 for one in refused)
