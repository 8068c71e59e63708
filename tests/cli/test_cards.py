"""The sheet of command cards."""

import re
from html.parser import HTMLParser
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from cli.cards import Card, card_sheet
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
