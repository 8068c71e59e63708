"""What a survey asks of each fish, and that a protocol that makes no sense is refused with its line."""

from collections import Counter
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.protocol import Needs, Protocol, needed_parts, parse_protocol
from ingest.species import load_species
from ingest.toml_file import ConfigError

CONFIG = Path(__file__).parents[2] / "config"
BOOK = load_species(CONFIG / "species")
ALL_PARTS, POND = (
    parse_protocol(path.read_text(encoding="utf-8"), path.name, BOOK.by_slug)
    for path in (CONFIG / "protocol" / "all_parts.toml", CONFIG / "protocol" / "pond_survey.toml")
)
HEAD = 'name = "x"\nsummary = "y"\n'


def protocol(text: str) -> Protocol:
    return parse_protocol(HEAD + text, "p.toml", BOOK.by_slug)


def parts(needs: Needs) -> str:
    return "".join(
        letter for letter, one in zip("TLW", (needs.tag, needs.length, needs.weight), strict=True) if one
    )


@pytest.mark.parametrize(
    ("shipped", "species", "length_mm", "expected"),
    [
        (ALL_PARTS, "largemouth_bass", 149, "LW"),
        (ALL_PARTS, "largemouth_bass", 150, "TLW"),
        (ALL_PARTS, None, 300, "TLW"),
        (ALL_PARTS, "largemouth_bass", None, "LW"),
        (POND, "largemouth_bass", 199.9, "LW"),
        (POND, "largemouth_bass", 200, "TLW"),
        (POND, "bluegill", 129, "LW"),
        (POND, "bluegill", 130, "TLW"),
        (POND, "common_carp", 500, "L"),
        (POND, "common_carp", None, "L"),
        (POND, "yellow_perch", 300, "LW"),
        (POND, "bluegill", None, "L"),
    ],
)
def test_what_the_shipped_protocols_ask(
    shipped: Protocol, species: str | None, length_mm: float | None, expected: str
) -> None:
    assert parts(needed_parts(shipped, species, length_mm, {})) == expected


def test_an_unwanted_species_is_removed_and_the_others_are_released() -> None:
    assert (POND.fate("common_carp"), POND.fate("common_carp", 300)) == ("removed", "removed")
    assert (POND.fate("bluegill"), POND.fate(None), ALL_PARTS.fate("common_carp")) == ("released",) * 3


def test_a_tag_may_come_for_species_that_are_tagged_at_some_length() -> None:
    assert [POND.may_tag(slug) for slug in ("bluegill", "common_carp", "walleye", None)] == [
        True,
        False,
        False,
        False,
    ]
    assert ALL_PARTS.may_tag(None)


def work_up(asked: Protocol, species: str, lengths_mm: list[float]) -> list[bool]:
    """Whether each fish in turn is to be weighed; each that is, is."""
    counts: Counter[str] = Counter()
    weighed = []
    for length_mm in lengths_mm:
        weighed.append(needed_parts(asked, species, length_mm, counts).weight)
        counts.update(asked.weighing_class(species, length_mm, weighed[-1]))
    return weighed


def test_the_first_n_of_each_centimetre_class_are_weighed() -> None:
    lengths = [81.0, 89.9, 80, 90, 85, 88, 82, 91, 84]
    assert work_up(POND, "bluegill", lengths) == [True] * 6 + [False, True, False]


def test_every_nth_fish_is_weighed_beginning_with_the_first() -> None:
    third = protocol('[default]\nweigh = "every_nth"\nweigh_n = 3\n')
    assert work_up(third, "bluegill", [100.0, 200, 150, 120, 130, 140, 90]) == [True, False, False] * 2 + [
        True
    ]


def test_every_nth_counts_species_and_ranges_apart() -> None:
    asked = protocol(
        '[default]\nweigh = "none"\n'
        '[[rule]]\nspecies = ["bluegill", "walleye"]\nbelow_mm = 100\nweigh = "every_nth"\nweigh_n = 2\n'
        '[[rule]]\nspecies = ["bluegill", "walleye"]\nweigh = "every_nth"\nweigh_n = 2\n'
    )
    counts: Counter[str] = Counter()
    first = []
    for species, length_mm in (
        ("bluegill", 90),
        ("bluegill", 110),
        ("walleye", 90),
        ("bluegill", 95),
        ("perch", 90),
    ):
        first.append(needed_parts(asked, species, length_mm, counts).weight)
        counts.update(asked.weighing_class(species, length_mm, first[-1]))
    assert first == [True, True, True, False, False]


def test_every_nth_without_a_length_still_counts() -> None:
    asked = protocol('[default]\nlength = "none"\nweigh = "every_nth"\nweigh_n = 2\n')
    assert parts(needed_parts(asked, "bluegill", None, {})) == "W"
    counts = Counter(asked.weighing_class("bluegill", None, weighed=True))
    assert parts(needed_parts(asked, "bluegill", None, counts)) == ""


def test_a_fish_that_was_not_weighed_leaves_its_place_in_the_class_to_the_next() -> None:
    assert POND.weighing_class("bluegill", 81, weighed=False) == ()
    assert POND.weighing_class("bluegill", None) == ()
    assert ALL_PARTS.weighing_class("bluegill", 81) == ()


def test_only_fish_within_the_lengths_for_weighing_are_weighed() -> None:
    asked = protocol('[default]\nweigh = "every"\nweigh_from_mm = 150\nweigh_below_mm = 300\n')
    assert [parts(needed_parts(asked, None, mm, {})) for mm in (149, 150, 299, 300, None)] == [
        "L",
        "LW",
        "LW",
        "L",
        "L",
    ]


def test_fish_that_are_only_counted_need_nothing() -> None:
    asked = protocol('[default]\n[[rule]]\nspecies = ["gizzard_shad"]\ncount_only = true\n')
    assert needed_parts(asked, "gizzard_shad", None, {}) == Needs(tag=False, length=False, weight=False)
    assert needed_parts(asked, "gizzard_shad", 100, {}) == Needs(tag=False, length=False, weight=False)
    assert asked.weighing_class("gizzard_shad", 100) == ()


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", "line 1, `default`: this key is missing; add it."),
        ('[default]\nweight = "every"', "line 4, `default.weight`: unknown key; did you mean `weigh`?"),
        ('[default]\nweigh = "sometimes"', "line 4, `default.weigh`: should be 'every', 'none', 'every_nth'"),
        ('[default]\nweigh = "every_nth"', "line 3, `default`: `weigh_n` goes with"),
        ("[default]\nweigh_n = 3", "line 3, `default`: `weigh_n` goes with"),
        (
            '[default]\nweigh = "every_nth"\nweigh_n = 0',
            "line 5, `default.weigh_n`: should be greater than or equal",
        ),
        ("[default]\ntag_min_mm = 100", '`tag_min_mm` needs `tag = "required"`.'),
        ('[default]\nlength = "none"\ntag = "required"\ntag_min_mm = 1', 'needs `length = "measure"`.'),
        ('[default]\ncount_only = true\ntag = "required"', "`count_only` asks for no part; remove tag."),
        ('[default]\nweigh = "none"\nweigh_from_mm = 1', "nothing is weighed under this rule"),
        (
            "[default]\nweigh_from_mm = 300\nweigh_below_mm = 200",
            "`weigh_from_mm` (300) must be less than `weigh_below_mm` (200).",
        ),
        ('[default]\nfate = "realeased"', "line 4, `default.fate`: should be 'released', 'removed', 'kept'"),
        ("[default]\n[[rule]]\nspecies = []", "line 5, `rule[0].species`: "),
        (
            '[default]\n[[rule]]\nspecies = ["bluegil"]',
            "line 5, `rule[0].species`: no species 'bluegil' is known; did you mean 'bluegill'?",
        ),
        ('[default]\n[[rule]]\nspecies = ["zzz"]', "no species 'zzz' is known; add a species file for it."),
        (
            '[default]\n[[rule]]\nspecies = ["bluegill"]\nfrom_mm = 9\nbelow_mm = 9',
            "line 4, `rule[0]`: `from_mm` (9)",
        ),
        (
            '[default]\n[[rule]]\nspecies = ["bluegill"]\nfrom_mm = 9\nlength = "none"',
            "a rule for a range of lengths",
        ),
    ],
)
def test_a_protocol_that_makes_no_sense_is_refused_with_its_line(text: str, expected: str) -> None:
    with pytest.raises(ConfigError) as caught:
        protocol(text)
    assert expected in str(caught.value)


def test_without_the_species_book_any_slug_is_taken() -> None:
    text = HEAD + '[default]\n[[rule]]\nspecies = ["zzz"]\nweigh = "none"\n'
    assert parts(needed_parts(parse_protocol(text, "p.toml"), "zzz", 10, {})) == "L"


@settings(deadline=None, max_examples=100)
@given(
    st.sampled_from([ALL_PARTS, POND]),
    st.sampled_from([None, "bluegill", "largemouth_bass", "common_carp", "walleye"]),
    st.floats(0, 3000),
    st.integers(0, 20),
)
def test_what_is_asked_before_the_length_is_known_is_asked_after(
    shipped: Protocol, species: str | None, length_mm: float, count: int
) -> None:
    counts = dict.fromkeys(shipped.weighing_class(species, length_mm), count)
    before, after = (
        needed_parts(shipped, species, None, counts),
        needed_parts(shipped, species, length_mm, counts),
    )
    assert after.tag or not before.tag
    assert after.weight or not before.weight
    assert before.length


def protocol_or_problems(text: str) -> Protocol | str:
    try:
        return parse_protocol(text, "p.toml", BOOK.by_slug)
    except ConfigError as error:
        return str(error)


TEXT = (CONFIG / "protocol" / "pond_survey.toml").read_text(encoding="utf-8")


@settings(deadline=None, max_examples=100)
@given(st.integers(0, len(TEXT)), st.integers(0, 12), st.text(max_size=6))
def test_a_mutilated_file_gives_a_protocol_or_a_config_error(at: int, cut: int, put: str) -> None:
    assert protocol_or_problems(TEXT[:at] + put + TEXT[at + cut :])
