"""Reading species files: what they must say, how names are found, and that bad files never pass or crash."""

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.species import SpeciesBook, load_species, species_book, species_texts
from ingest.toml_file import ConfigError

SHIPPED = Path(__file__).parents[2] / "config" / "species"
PIKE = """common = "Test Pike"
scientific = "Esox invented"
also = ["jack"]

[relative_weight]
serious = [40, 200]
notice = [60, 140]
source = "invented"
how_known = "proposal"

[[standard_weight]]
status = "recommended"
percentile = 75
method = "RLP"
log10_a = -5.4
b = 3.1
min_mm = 100
source = "invented"
how_known = "memory"
confidence = "C"

[[length_categories]]
status = "recommended"
mm = { stock = 200, quality = 300 }
inch = { stock = 8, quality = 12 }
source = "invented"
how_known = "memory"
confidence = "C"

[[maximum]]
weight_g = 9000
source = "invented"
how_known = "memory"

[ceiling]
length_mm = 1000
weight_g = 10000
why = "invented"

[[growth_limit]]
min_days = 14
mm_per_day = 2.0
source = "invented"
how_known = "proposal"
"""


def message(text: str) -> str:
    with pytest.raises(ConfigError) as caught:
        species_book({"test_pike.toml": text})
    return str(caught.value)


def test_a_species_file_of_ones_own_is_enough_with_two_names() -> None:
    book = species_book({"lake_chub.toml": 'common = "Lake Chub"\nscientific = "Couesius plumbeus"\n'})
    chub = book.get("lake_chub")
    assert chub is not None
    assert (chub.equation(), chub.length_categories(), chub.max_length_mm, chub.growth_limit(99)) == (
        None,
    ) * 4


def test_what_a_species_exposes() -> None:
    pike = species_book({"/somewhere/test_pike.toml": PIKE}).get("test_pike")
    assert pike is not None
    assert (pike.slug, pike.common, pike.scientific) == ("test_pike", "Test Pike", "Esox invented")
    assert (pike.max_length_mm, pike.max_weight_g) == (1000, 10_000)
    assert pike.relative_weight is not None
    assert (pike.relative_weight.serious, pike.relative_weight.notice) == ((40, 200), (60, 140))
    limit = pike.growth_limit(20)
    assert limit is not None
    assert limit.mm_per_day == 2.0


@pytest.mark.parametrize("name", ["test_pike", "Test Pike", "TEST-PIKE", " esox  invented ", "Jack"])
def test_a_species_is_found_by_any_of_its_names(name: str) -> None:
    found = species_book({"test_pike.toml": PIKE}).find(name)
    assert found is not None
    assert found.slug == "test_pike"


def test_a_name_that_is_not_known_gets_the_nearest() -> None:
    book = load_species(SHIPPED)
    assert book.find("largemouth") is None
    assert book.nearest("largemout bass") == "largemouth_bass"
    assert book.nearest("hybrid stripped bass") == "palmetto_bass"
    assert book.nearest("qqqq") is None
    assert book.get(None) is None


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        (
            "b = 3.1\n",
            "b = true\n",
            "line 16, `standard_weight[0].b`: should be a valid number, but it is True.",
        ),
        (
            "b = 3.1\n",
            "b = nan\n",
            "line 16, `standard_weight[0].b`: should be a finite number, but it is nan.",
        ),
        (
            "log10_a = -5.4",
            "loga = -5.4",
            "line 15, `standard_weight[0].loga`: unknown key; did you mean `log10_a`?",
        ),
        (
            "stock = 200, quality = 300",
            "stock = 300, quality = 200",
            "line 24, `length_categories[0].mm`: the lengths",
        ),
        (
            "inch = { stock = 8, quality = 12 }",
            "inch = { stock = 8, quality = 12, trophy = 30 }",
            "must name the same",
        ),
        (
            "notice = [60, 140]",
            "notice = [30, 140]",
            "line 5, `relative_weight`: `notice` must lie inside `serious`",
        ),
        (
            "weight_g = 10000",
            "weight_g = 8000",
            "line 1: the ceiling 8000 lies below the credible maximum 9000.",
        ),
        (
            "weight_g = 9000",
            "weight_g = 9000\nlength_mm = 5",
            "`maximum[0]`: give either `length_mm` or `weight_g`.",
        ),
        ("weight_g = 9000", "length_mm = 900", "line 30, `maximum[0]`: `length_type` goes with `length_mm`"),
        ('how_known = "memory"\nconfidence', 'how_known = "rumour"\nconfidence', "but it is 'rumour'."),
    ],
)
def test_a_wrong_entry_is_named_with_its_line(old: str, new: str, expected: str) -> None:
    assert old in PIKE
    assert expected in message(PIKE.replace(old, new, 1))


def test_a_table_has_one_name_only() -> None:
    wrong = message(PIKE.replace("[[standard_weight]]", "[[equations]]"))
    assert "line 11, `equations`: unknown key; known are also, ceiling, common" in wrong


def test_a_usable_equation_needs_limits_and_only_one_may_be_recommended() -> None:
    start, end = PIKE.index("[relative_weight]"), PIKE.index("[[standard_weight]]")
    assert "needs a `relative_weight` table" in message(PIKE[:start] + PIKE[end:])
    equation = PIKE[end : PIKE.index("[[length_categories]]")]
    assert "two recommended `standard_weight` tables" in message(PIKE + equation)


def test_two_files_may_not_share_a_name() -> None:
    with pytest.raises(
        ConfigError, match=r"b\.toml: the name 'jack' is already that of a\.toml; change one\."
    ):
        species_book({"a.toml": PIKE, "b.toml": PIKE.replace("Pike", "Perch").replace("Esox", "Perca")})


def test_problems_of_all_files_are_told_together(tmp_path: Path) -> None:
    (tmp_path / "one.toml").write_text("common = 3\n", encoding="utf-8")
    (tmp_path / "two.toml").write_text("= 3\n", encoding="utf-8")
    with pytest.raises(ConfigError) as caught:
        load_species(tmp_path)
    assert [Path(problem.file).name for problem in caught.value.problems] == [
        "one.toml",
        "one.toml",
        "two.toml",
    ]


def test_a_file_that_is_no_text_and_a_folder_without_files_are_sentences(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match=r"no species file \(\*\.toml\) is in this folder\."):
        load_species(tmp_path / "nowhere")
    (tmp_path / "bad.toml").write_bytes(b"\xff\xfe")
    with pytest.raises(ConfigError, match=r"bad\.toml: byte 0 is not UTF-8 text"):
        load_species(tmp_path)


def test_a_file_of_ones_own_replaces_the_shipped_one_of_the_same_name(tmp_path: Path) -> None:
    own = PIKE.replace("Test Pike", "Northern Pike").replace("Esox invented", "Esox lucius")
    (tmp_path / "northern_pike.toml").write_text(own, encoding="utf-8")
    pike = load_species(SHIPPED, tmp_path).get("northern_pike")
    assert pike is not None
    assert pike.max_length_mm == 1000
    assert len(species_texts(SHIPPED, tmp_path)) == len(species_texts(SHIPPED))


def book_or_problems(text: str) -> SpeciesBook | str:
    try:
        return species_book({"test_pike.toml": text})
    except ConfigError as error:
        return str(error)


@settings(deadline=None, max_examples=100)
@given(st.integers(0, len(PIKE)), st.integers(0, 12), st.text(max_size=6))
def test_a_mutilated_file_gives_a_book_or_a_config_error(at: int, cut: int, put: str) -> None:
    assert book_or_problems(PIKE[:at] + put + PIKE[at + cut :])


@settings(deadline=None, max_examples=50)
@given(st.text())
def test_any_text_gives_a_book_or_a_config_error(text: str) -> None:
    assert book_or_problems(text)
