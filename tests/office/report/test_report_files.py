"""What a report of each kind of water says, in both forms: nothing hidden, nothing let in, the same every time."""

import csv
import io
import re
from collections.abc import Callable
from html import unescape
from html.parser import HTMLParser
from pathlib import Path

import pytest
from pypdf import PdfReader

from ingest.store import Store
from office.report.document import MOST_ROWS
from office.report.files import ANSWERS, HTML, PDF, render, write
from simulators.waters import plan_of_size, write_water
from tests.office.report.cases import HOSTILE, PLANS, Case, report_of

Cases = Callable[[str], Case]
Rendered = Callable[[str], tuple[Case, dict[str, bytes]]]


class _Page(HTMLParser):
    def __init__(self, text: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


def flat(text: str) -> str:
    """Without what a line break does to words."""
    return re.sub(r"\s+", "", text)


def pdf_text(content: bytes) -> tuple[PdfReader, str]:
    reader = PdfReader(io.BytesIO(content))
    return reader, "".join(page.extract_text() for page in reader.pages)


@pytest.mark.parametrize("name", PLANS)
def test_both_forms_say_every_answer_and_every_refusal(name: str, rendered: Rendered) -> None:
    case, files = rendered(name)
    page = flat(_Page(files[HTML].decode()).text)
    reader, printed = pdf_text(files[PDF])
    printed = flat(printed)
    first = flat(reader.pages[0].extract_text())
    for sentence in case.report.summary.seen:
        assert flat(sentence) in page
        assert flat(sentence) in first
    for section in case.report.sections:
        assert flat(section.title) in printed
        for group in section.groups:
            for one in group.said:
                assert flat(one.sentence) in page
                if "鯉" not in one.sentence:  # the typeface of the PDF has no such letters
                    assert _starts_somewhere(flat(one.sentence), printed)
    refused = sum(
        one.refused for section in case.report.sections for group in section.groups for one in group.said
    )
    assert page.count("Cannotbetold.") >= refused


def _starts_somewhere(sentence: str, text: str) -> bool:
    """A page may end within a sentence: its beginning or its end stands in one piece."""
    return sentence[:40] in text or sentence[-40:] in text


@pytest.mark.parametrize("name", PLANS)
def test_the_page_asks_for_nothing_and_lets_nothing_in(name: str, rendered: Rendered) -> None:
    _, files = rendered(name)
    page = _Page(files[HTML].decode())
    names = {tag for tag, _ in page.elements}
    assert not names & {"script", "iframe", "object", "embed", "link", "form", "base", "video"}
    for tag, attributes in page.elements:
        assert not {one for one in attributes if one.startswith("on") or one == "style"}
        if tag == "img":
            assert (attributes["src"] or "").startswith("data:image/svg+xml;base64,")
            assert (attributes["alt"] or "").strip()
        if tag == "a":
            assert (attributes["href"] or "").startswith("#")
    policy = next(
        a["content"] for tag, a in page.elements if a.get("http-equiv") == "Content-Security-Policy"
    )
    assert policy is not None
    assert policy.startswith("default-src 'none';")
    assert "unsafe" not in policy


def test_hostile_names_are_names(rendered: Rendered) -> None:
    _, files = rendered("hostile")
    text = files[HTML].decode()
    assert "<script" not in text
    assert "<img src=x" not in text
    page = _Page(text)
    assert HOSTILE in unescape(page.text)
    assert "49" not in page.text.split("Summary")[0]  # nothing was computed from the name
    assert "<script>alert" in pdf_text(files[PDF])[1]


def test_the_same_records_give_the_same_bytes(rendered: Rendered) -> None:
    case, files = rendered("one fish")
    assert render(report_of(case.database)) == files


def test_inches_and_pounds_everywhere(rendered: Rendered) -> None:
    case, files = rendered("inches")
    units = {one.x_unit for one in (figure.plot for figure in case.report.figures)}
    assert "in" in units
    assert not units & {"mm", "g"}
    page = _Page(files[HTML].decode()).text
    assert "Units inches, pounds" in page
    told = [one.sentence for s in case.report.sections for g in s.groups for one in g.said]
    # Formulas name the units that they were published in.
    assert not [one for one in told if re.search(r"\d (mm|g)\b", one) and "log10" not in one]
    width = float(PdfReader(io.BytesIO(files[PDF])).pages[0].mediabox.width)
    assert width == pytest.approx(612)  # letter


def test_drugged_fish_are_the_first_thing_on_page_one(rendered: Rendered) -> None:
    case, files = rendered("removal")
    assert case.report.warnings == (
        "Fish of this survey were treated with sedative. They may not be eaten before 2026-06-02.",
    )
    assert "may not be eaten" in PdfReader(io.BytesIO(files[PDF])).pages[0].extract_text()
    page = _Page(files[HTML].decode()).text
    assert page.index("may not be eaten before 2026-06-02") < page.index("What we saw")


@pytest.mark.parametrize("name", PLANS)
def test_cautions_stand_in_every_report(name: str, rendered: Rendered) -> None:
    _, files = rendered(name)
    for words in (
        "Electrofishing can kill people",
        "withdrawal period",
        "Local regulation",
        "consumption advice",
    ):
        assert flat(words) in flat(_Page(files[HTML].decode()).text)
        assert flat(words) in flat(pdf_text(files[PDF])[1])


def test_the_pdf_has_bookmarks_page_numbers_a_title_and_words_for_pictures(rendered: Rendered) -> None:
    case, files = rendered("removal")
    reader, _ = pdf_text(files[PDF])
    marks = [str(one["/Title"]) for one in reader.outline if not isinstance(one, list)]
    assert marks == [
        "Summary",
        *(one.title for one in case.report.sections),
        "Methods and sources",
        "Cautions",
    ]
    assert reader.metadata is not None
    assert (reader.metadata.title or "").startswith(case.report.title)
    pages = len(reader.pages)
    for number, page in enumerate(reader.pages, 1):
        assert f"page {number} of {pages}" in page.extract_text()
    assert b"/Alt" in files[PDF]


def test_a_table_that_is_longer_than_its_page_is_whole_as_csv(rendered: Rendered) -> None:
    case, files = rendered("removal")
    long = [one for one in case.report.listings if one.left_out]
    assert long
    for listing in long:
        rows = list(csv.reader(io.StringIO(files[f"{listing.stem}.csv"].decode())))
        assert len(rows) - 1 == len(listing.table.rows) == MOST_ROWS + listing.left_out
        assert f"{listing.left_out} more rows stand in {listing.stem}.csv" in _Page(files[HTML].decode()).text


def test_every_answer_and_every_point_stands_in_the_csv_files(rendered: Rendered) -> None:
    case, files = rendered("one species")
    rows = list(csv.DictReader(io.StringIO(files[ANSWERS].decode())))
    told = [one for chapter in case.report.chapters for one in chapter.answers]
    assert [row["key"] for row in rows] == [one.key for one in told]
    for row, one in zip(rows, told, strict=True):
        assert (float(row["value"]) if row["value"] else None) == one.value
        assert bool(row["refused"]) == (one.refused is not None)
    for figure in case.report.figures:
        points = list(csv.reader(io.StringIO(files[f"{figure.stem}.csv"].decode())))[1:]
        assert len(points) == sum(len(one.x) for one in figure.plot.series)
        assert files[f"{figure.stem}.png"].startswith(b"\x89PNG")
        assert b"<svg" in files[f"{figure.stem}.svg"]


def test_a_smaller_report_leaves_no_plot_of_the_one_before(rendered: Rendered, tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("mine")
    _, larger = rendered("one species")
    _, smaller = rendered("one fish")
    write(larger, tmp_path)
    write(smaller, tmp_path)
    assert {path.name for path in tmp_path.iterdir()} == {*smaller, "notes.txt"}
    assert (tmp_path / HTML).read_bytes() == smaller[HTML]


@pytest.mark.long
def test_fifty_thousand_fish_over_ten_years_make_a_report_that_can_be_carried(tmp_path: Path) -> None:
    with Store.open(tmp_path / "water.sqlite") as store:
        truth = write_water(store, plan_of_size(50_000))
    report = report_of(tmp_path / "water.sqlite")
    files = render(report)
    page = _Page(files[HTML].decode()).text
    assert "10 surveys" in page or "with the 9 before it since 2017-05-12" in page
    assert "points are drawn, evenly picked" in page
    assert sum(map(len, files.values())) < 20_000_000
    assert len(PdfReader(io.BytesIO(files[PDF])).pages) < 60
    caught = sum(seen.caught for seen in truth.occasions[-1].stocks.values())
    told = re.search(r"the crew caught ([\d,]+) fish", report.summary.seen[0])
    assert told is not None
    # A fish that was worked up twice in a survey is told twice.
    assert int(told[1].replace(",", "")) == pytest.approx(caught, rel=0.005)
