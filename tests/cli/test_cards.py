"""The sheet of command cards."""

import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import zxingcpp
from hypothesis import given, settings
from hypothesis import strategies as st

from cli.cards import Card, card_sheet
from ingest.commands import parse_command
from tests.cli.command_line import call, call_json
from tests.cli.invented_day import ESCAPED_KEY, REMOVED_CARD


class Page(HTMLParser):
    """Collects the text, and fails where tags do not close."""

    VOID = ("meta",)

    def __init__(self, html: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.text: list[str] = []
        self.links: list[str] = []
        self.cards = 0
        self.feed(html)
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.links += [value or "" for name, value in attrs if name in ("src", "href")]
        self.cards += ("class", "card") in attrs
        if tag not in (*self.VOID, "br"):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def test_the_command_writes_a_card_for_every_command(station: Path) -> None:
    found = call_json("tags", "cards", "STATION.toml", "--out", "cards.html", folder=station.parent)
    page = Page((station.parent / "cards.html").read_text())
    text = "".join(page.text)
    for code in (REMOVED_CARD, ESCAPED_KEY, "08"):
        assert code in text
    for says in ("Fate of this fish: removed", "Fate of this fish: escaped", "Note on this fish: a & b"):
        assert says in text
    assert page.cards == len(found["cards"]) == 3
    assert {one["door"] for one in found["cards"]} == {"tag", "key", "key of the board"}
    assert (
        "open it in a browser"
        in call("tags", "cards", "STATION.toml", "--out", "cards.html", folder=station.parent).stdout
    )


@settings(deadline=None, max_examples=50)
@given(st.text(max_size=30), st.text(max_size=30))
def test_the_page_stands_alone_whatever_the_codes_are(code: str, says: str) -> None:
    html = card_sheet("bank", [Card(code, says, says, "tag"), Card(code, says, says, "key")])
    page = Page(html)
    assert page.links == []
    assert page.cards == 2
    assert not re.search(r"https?:|url\(|@import|<script", html.replace(code, "").replace(says, ""))


def test_a_frame_for_the_tag_is_only_on_the_card_of_a_tag() -> None:
    assert "tag here" in card_sheet("bank", [Card("1", "next", "next", "tag")])
    assert "tag here" not in card_sheet("bank", [Card("1", "next", "next", "key")])


def test_no_code_or_command_can_become_markup() -> None:
    text = "<script>&amp;"
    page = Page(card_sheet(text, [Card(text, text, text, text)]))
    assert page.text.count(text) == 4  # what is said, the command, the door, the code


def modules(path: str, size: int) -> np.ndarray[Any, np.dtype[np.uint8]]:
    """The squares of a QR code as a picture, from the lines of its SVG path (M, m and h only)."""
    picture = np.full((size, size), 255, np.uint8)
    x = y = 0.0
    for step, *numbers in re.findall(r"([Mmh])(-?[0-9.]+)(?: (-?[0-9.]+))?", path):
        if step == "h":
            picture[int(y), int(x) : int(x) + int(numbers[0])] = 0
            x += int(numbers[0])
        else:
            dx, dy = float(numbers[0]), float(numbers[1])
            x, y = (dx, dy) if step == "M" else (x + dx, y + dy)
    return picture


def read_by_another_program(html: str) -> list[str]:
    found = []
    for size, path in re.findall(r'<svg viewBox="0 0 ([0-9]+) [0-9]+".*? stroke="#000" d="([^"]+)"', html):
        picture = np.kron(modules(path, int(size)), np.ones((4, 4), np.uint8))
        found += [code.text for code in zxingcpp.read_barcodes(picture)]
    return found


COMMANDS = (
    "count +1",
    "species largemouth_bass",
    "batch bluegill count=40, weight=scale, container=850",
    "note a & b <c>",
)


def test_another_reader_reads_each_command_off_the_sheet_and_the_station_knows_it() -> None:
    html = card_sheet("bank", [Card(str(at), text, "says", "tag") for at, text in enumerate(COMMANDS)])
    assert read_by_another_program(html) == list(COMMANDS)
    assert [str(parse_command(text)) for text in COMMANDS] == list(COMMANDS)


def test_what_card_readers_would_not_send_is_printed_as_its_key_or_not_at_all() -> None:
    long = f"note {'x' * 60}"
    assert read_by_another_program(card_sheet("bank", [Card("07", long, long, "key")])) == ["07"]
    assert read_by_another_program(card_sheet("bank", [Card("é", "note é", "é", "key")])) == []
