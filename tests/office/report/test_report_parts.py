"""The parts of a report one by one: what is drawn, what is put first, how numbers and names are written."""

import io
import random
import re
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.figure import Figure
from PIL import Image
from pypdf import PdfReader

from fishery.answers import Interval
from ingest.store import Store
from office.answers.model import Answer, Chapter, Column, Series, Table
from office.answers.reading import read_records
from office.report import figures, html
from office.report.document import build_report, cell_text, file_name
from office.report.facts import Facts, read_facts
from office.report.figures import MOST_POINTS, draw, picked
from office.report.fonts import MISSING, drawable
from office.report.pdf import pdf_of
from office.report.summary import MOST_QUESTIONS, MOST_SEEN, MOST_UNTOLD, summarise
from simulators.waters import REED_WEIHER, Population, write_water
from tests.office.report.cases import PLANS, Case, plot

Cases = Callable[[str], Case]
FACTS = Facts("Still Pond", "2026-05-12", "2026-05-12", 1, caught=(("bluegill", 20),))
LIMITS = Interval(80.0, 100.0, 0.95, "t")


def answer(key: str = "bluegill.wr", **more: object) -> Answer:
    given = {
        "key": key, "title": "mean relative weight", "sentence": f"The sentence of {key}.", "value": 90.0,
        "interval": LIMITS, "n": 20, "subject": "bluegill", "headline": True,
    }  # fmt: skip
    return Answer(**{**given, **more})  # type: ignore[arg-type]


def points(n: int, **more: object) -> Series:
    rng = random.Random(n)
    x = tuple(rng.uniform(100, 500) for _ in range(n))
    return Series("fish", "points", x, tuple(rng.gauss(93, 10) for _ in range(n)), **more)  # type: ignore[arg-type]


# --- plots ------------------------------------------------------------------------------------------------------------


def test_of_many_points_some_are_drawn_and_the_plot_says_so() -> None:
    drawn = draw(plot(points(50_000)))
    assert (drawn.drawn, drawn.points) == (MOST_POINTS, 50_000)
    assert "1,500 of 50,000 points are drawn" in drawn.thinned
    assert len(drawn.svg) < 600_000
    assert draw(plot(points(MOST_POINTS))).thinned == ""


@given(st.lists(st.floats(0, 1000), min_size=1, max_size=80), st.integers(5, 40))
def test_picked_points_are_few_in_order_and_hold_the_ends(y: list[float], most: int) -> None:
    series = Series("x", "points", tuple(map(float, range(len(y)))), tuple(y))
    kept = picked(series, most)
    assert len(kept) <= max(most, 1)
    assert kept == sorted(set(kept))
    assert {min(y), max(y)} <= {y[one] for one in kept}
    if len(y) <= most:
        assert kept == list(range(len(y)))


def test_the_same_plot_gives_the_same_bytes() -> None:
    one = plot(points(30), Series("line", "line", (100.0, 500.0), (90.0, 95.0)))
    assert draw(one) == draw(one)


def test_series_differ_in_more_than_colour() -> None:
    assert (
        len(set(figures._MARKERS))
        == len(set(figures._LINES))
        == len(set(figures._HATCHES))
        == len(figures._COLOURS)
    )

    def grey(way: int) -> float:
        red, green, blue = (int(figures._COLOURS[way][place : place + 2], 16) for place in (1, 3, 5))
        return 0.299 * red + 0.587 * green + 0.114 * blue

    assert all(grey(way) < 120 for way in range(len(figures._COLOURS)))  # thin lines stay visible on white


@pytest.mark.parametrize(
    "series",
    [
        Series("fish", "bars", (0.0, 1.0, 2.0), (3.0, 0.0, 5.0), width=0.8),
        Series("fish", "points", (2026.4,), (93.0,), (90.0,), (96.0,)),
        Series("fish", "points", (2026.4, 2026.5), (93.0, 94.0), (None, 90.0), (None, 99.0)),
        Series("fish", "line", (1.0, 2.0), (3.0, 4.0), (2.0, 3.0), (4.0, 5.0)),
        Series("fish", "points", (), ()),
        Series("fish", "bars", (1.0,), (0.0,)),
    ],
)
def test_every_form_is_drawn_and_no_blank_paper(series: Series) -> None:
    for more in ({}, {"x_label": "year"}, {"x_names": ("run 1", "$x$ 鯉", "a" * 80)}):
        picture = Image.open(io.BytesIO(draw(plot(series, **more)).png)).convert("L")
        assert sum(picture.histogram()[:80]) > 0


def test_limits_far_beyond_all_values_end_at_the_frame_in_words() -> None:
    def drawn(high: float) -> tuple[float, str]:
        shown = points(3, low=(90.0,) * 3, high=(110.0, 110.0, high))
        axes = Figure().add_subplot()
        figures._furnish(axes.figure, axes, plot(shown, kind="trend"))  # type: ignore[arg-type]
        return axes.get_ylim()[1], " ".join(one.get_text() for one in axes.texts)

    highest = max(points(3).y)
    assert drawn(120.0)[1] == ""
    top, told = drawn(9170.0)
    assert top == pytest.approx(3 * highest)
    assert told == "to 9,170"
    assert drawn(float("inf"))[1] == "no limit"


def test_words_that_the_typeface_lacks_are_seen_to_be_missing() -> None:
    assert drawable("Öster  Łąka\n鯉 Ω") == f"Öster Łąka {MISSING} Ω"


# --- page one ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", PLANS)
def test_page_one_is_short(name: str, case: Cases) -> None:
    summary = case(name).report.summary
    assert 1 <= len(summary.seen) <= MOST_SEEN + 1
    assert len(summary.questions) <= MOST_QUESTIONS
    assert len(summary.untold) <= MOST_UNTOLD
    assert all("nan" not in one.lower().split() for one in summary.seen)


def test_the_catch_comes_first_and_counts_what_was_taken_out() -> None:
    facts = replace(
        FACTS, runs=2, seconds=3600, caught=(("bluegill", 20), ("", 3)), removed=(("bluegill", 4),)
    )
    (first, *_) = summarise(facts, ()).seen
    assert first == (
        "On 2026-05-12 the crew caught 23 fish in 2 runs and 1.0 hours of fishing: 20 bluegill and 3 of a species that "
        "nobody noted. 4 of them were taken out."
    )
    assert summarise(replace(FACTS, caught=()), ()).seen == ("On 2026-05-12 no fish was caught.",)


def test_fish_of_batches_are_among_those_caught_and_taken_out(tmp_path: Path) -> None:
    shad = Population("gizzard_shad", 60, capture=0.5, tag_from_mm=None, handling="batched", fate="removed")
    with Store.open(tmp_path / "water.sqlite") as store:
        truth = write_water(store, replace(REED_WEIHER, populations=(shad,), years=1))
    with closing(sqlite3.connect(tmp_path / "water.sqlite")) as connection:
        facts = read_facts(connection, read_records(connection))
    taken = ("gizzard_shad", truth.occasions[-1].stocks["gizzard_shad"].removed)
    assert facts.caught == facts.removed == (taken,)
    assert taken[1] > 10


def test_a_number_without_an_upper_limit_stays_off_page_one() -> None:
    endless = answer("bluegill.left", interval=Interval(3.0, float("inf"), 0.95, "x"))
    summary = summarise(FACTS, [Chapter("removal", "Removal", (endless,))])
    assert len(summary.seen) == 1


@pytest.mark.parametrize(("high", "told"), [(70.0, True), (90.0, False)])
def test_a_catch_that_may_be_ten_times_another_stays_off_page_one(high: float, told: bool) -> None:
    rate = answer("bluegill.cpue", unit="fish per hour", interval=Interval(8.0, high, 0.95, "t"))
    assert (len(summarise(FACTS, [Chapter("catch", "Catch", (rate,))]).seen) == 2) is told


def test_how_many_are_left_is_asked_though_the_fish_taken_out_are_told() -> None:
    taken = answer("bluegill.removed", value=9.0, unit="fish", interval=None, headline=False)
    left = answer(
        "bluegill.left", refused="One survey.", value=None, headline=False, sentence="Nobody knows."
    )
    facts = replace(FACTS, removed=(("bluegill", 9),))
    assert summarise(facts, [Chapter("removal", "Removal", (taken, left))]).untold == ("Nobody knows.",)


def test_a_doubted_number_is_replaced_or_carries_its_doubt() -> None:
    doubted = answer(
        "bluegill.chapman", value=500.0, cautions=("3 fish are left out.", "365 days lie between.")
    )
    alone = summarise(FACTS, [Chapter("abundance", "Number", (doubted,))])
    assert alone.seen[1].endswith("Mind: 365 days lie between.")
    told = "Bluegill, 2024-05-12: 300 fish (Jolly-Seber)."
    better = answer("bluegill.jolly_seber", value=300.0, headline=False, sentence=told)
    both = summarise(FACTS, [Chapter("abundance", "Number", (doubted, better))])
    (plain,) = both.seen[1:]
    assert plain.startswith("On 2024-05-12 about 300 bluegill of the size that gets a tag lived here (95")
    assert "Jolly" not in plain
    sure = summarise(FACTS, [Chapter("abundance", "Number", (replace(doubted, cautions=()), better))])
    assert "About 500 bluegill" in sure.seen[1]
    assert "Mind" not in sure.seen[1]


def test_what_cannot_be_told_is_said_unless_another_answer_tells_it() -> None:
    no = answer(
        "bluegill.schnabel", refused="Too few.", value=None, headline=False, sentence="It cannot be told."
    )
    told = summarise(FACTS, [Chapter("abundance", "Number", (answer("bluegill.chapman"), no))])
    assert told.untold == ()
    assert told.more_untold == 1
    untold = summarise(FACTS, [Chapter("abundance", "Number", (no,))])
    assert untold.untold == ("It cannot be told.",)


def test_questions_ask_once_for_each_index_of_a_species() -> None:
    cues = tuple(answer(f"bluegill.{one}") for one in ("psd", "psd_p", "wr"))
    handful = answer("bluegill.cpue", headline=False)
    asked = summarise(FACTS, [Chapter("cues", "What to ask", (*cues, handful))]).questions
    assert asked == ("The sentence of bluegill.psd.", "The sentence of bluegill.wr.")


# --- chapters ---------------------------------------------------------------------------------------------------------


def test_methods_and_notes_are_told_once_and_numbered() -> None:
    one = answer("bluegill.a", formula="f = 1", source="Somebody 1999", cautions=("Mind this.",))
    same = replace(one, key="bluegill.b", cautions=("Mind that.", "Mind this."))
    other = replace(one, key="bluegill.c", formula="f = 2", cautions=())
    report = build_report(FACTS, [Chapter("x", "X", (one, same)), Chapter("y", "Y", (other,))], "metric")
    assert [(m.number, m.formula) for m in report.methods] == [(1, "f = 1"), (2, "f = 2")]
    assert report.sections[0].cautions == ("Mind this.", "Mind that.")
    assert [one.notes for one in report.sections[0].groups[0].said] == [(1,), (2, 1)]


def test_a_table_goes_with_its_species_or_with_the_whole() -> None:
    tables = tuple(Table(key, key, (Column("n"),), ((1,),)) for key in ("bluegill.x", "by_run"))
    report = build_report(FACTS, [Chapter("x", "X", (answer(),), tables)], "metric")
    assert [(g.title, [t.title for t in g.listings]) for g in report.sections[0].groups] == [
        ("Bluegill", ["bluegill.x"]),
        ("", ["by_run"]),
    ]


def test_a_long_table_goes_on_over_pages_with_its_headings() -> None:
    names = ("first of all", "second", "third", "fourth", "fifth", "sixth", "seventh")
    rows = tuple(tuple(f"row {n} " + "word " * 120 if c == 0 else n for c in range(7)) for n in range(25))
    table = Table("x", "A table", tuple(map(Column, names)), rows)
    report = build_report(FACTS, [Chapter("x", "X", tables=(table,))], "metric")
    texts = [page.extract_text() for page in PdfReader(io.BytesIO(pdf_of(report, {}))).pages]
    holding = [text for text in texts if re.search(r"row \d+", text)]
    assert len(holding) > 1
    assert all("seventh" in text for text in holding)
    assert {f"row {n} " for n in range(25)} <= set(re.findall(r"row \d+ ", " ".join(holding)))


@given(st.text(max_size=120))
@settings(max_examples=60)
def test_any_name_can_be_a_file(key: str) -> None:
    name = file_name(key)
    assert re.fullmatch(r"[A-Za-z0-9_][A-Za-z0-9._-]{0,59}|[A-Za-z0-9._-]{1,60}", name)
    assert name not in (".", "..")
    assert Path(name).name == name


@pytest.mark.parametrize(
    ("cell", "decimals", "text"),
    [
        (None, None, "–"),
        (1234.56, 1, "1,234.6"),
        (-0.0001, 1, "0.0"),
        (-0.06, 1, "-0.1"),
        (92.64, None, "92.6"),
        (1234.56, None, "1,235"),
        (12345, None, "12,345"),
        (2026, None, "2026"),
        ("a\tb", None, "a\tb"),
    ],
)
def test_cells_are_written_for_readers(
    cell: float | int | str | None, decimals: int | None, text: str
) -> None:
    assert cell_text(cell, Column("x", decimals=decimals)) == text


def test_the_style_can_be_read_by_tired_eyes() -> None:
    """Contrast of at least 4.5 to 1 (WCAG 2.2, success criterion 1.4.3) of every colour of type on every ground."""
    style = (Path(html.__file__).with_name("templates") / "report.css").read_text()
    colours = dict(re.findall(r"--(\w+): (#[0-9a-f]{3,6})", style))
    for ground in ("paper", "tint"):
        for ink in ("ink", "soft", "deep"):
            assert _contrast(colours[ink], colours[ground]) >= 4.5, (ink, ground)


def _contrast(one: str, other: str) -> float:
    """Relative luminance and contrast ratio as WCAG 2.2 defines them."""

    def luminance(colour: str) -> float:
        digits = colour[1:] if len(colour) == 7 else "".join(2 * digit for digit in colour[1:])
        parts = [int(digits[place : place + 2], 16) / 255 for place in (0, 2, 4)]
        linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)
