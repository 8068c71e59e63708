"""Tag codes: every written form both ways, the ranges, and codes found in the lines of readers."""

import json
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import iso3166
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from drivers.tags import (
    COUNTRY_CODES,
    HEX16_FORMS,
    LARGEST_ID40,
    LARGEST_NATIONAL,
    UNMISTAKABLE,
    Scheme,
    TagCode,
    TagCodeError,
    TagForm,
    find_tags,
    id40_code,
    iso_code,
    iso_code_from_id64,
    parse_tag,
    write_tag,
)

# Each vector carries its own source. Those "published" were seen in print; "computed" ones were computed
# with the standard library and again with the packages bitstring and fastcrc.
VECTORS = Path(__file__).parent / "vectors"
CODES: list[dict[str, Any]] = json.loads((VECTORS / "tag_codes.json").read_text())["vectors"]
REFUSED: list[dict[str, str]] = json.loads((VECTORS / "tag_codes.json").read_text())["refuse"]
LINES: list[dict[str, Any]] = json.loads((VECTORS / "tag_lines.json").read_text())["tag"]
ID40: list[dict[str, str]] = json.loads((VECTORS / "telegram_id40.json").read_text())["vectors"]

ALL_FORMS = frozenset(TagForm)
ISO_FORMS = tuple(form for form in TagForm if form not in (TagForm.ID40_HEX, TagForm.ID40_DECIMAL))
KEYS = {
    TagForm.DECIMAL: ("decimal15", "."),
    TagForm.DOTTED_HEX: ("dotted_hex", "."),
    TagForm.HEX_BIT1_FIRST: ("hex16_bit1_first", "."),
    TagForm.HEX_TRANSMISSION: ("hex16_transmit_order", "."),
    TagForm.HEX_LSBYTE_FIRST: ("bytes_lsb_first", "."),
    TagForm.NIBBLE_REVERSED: ("nibble_reversed_id_then_country", "."),
    TagForm.TRIADS: ("decimal_triads", "."),
    TagForm.SPLIT: ("decimal_dot", "."),
}
WRITTEN = [
    *((form, separator, key) for form, (key, separator) in KEYS.items()),
    (TagForm.SPLIT, " ", "decimal_space"),
]

ISO_TEXT_FORMS = UNMISTAKABLE - {TagForm.ID40_HEX}

countries = st.sampled_from([*sorted(COUNTRY_CODES), *range(900, 1000)])
nationals = st.integers(0, LARGEST_NATIONAL)
id40_codes = st.integers(0, LARGEST_ID40).map(id40_code)
iso_codes = st.builds(iso_code, countries, nationals)
separators = st.sampled_from(" .-")
flagged = st.builds(
    lambda country, national, head: head << 48 | country << 38 | national,
    countries,
    nationals,
    st.integers(0, 0xFFFF),
)


def id64_with_flags(vector: dict[str, Any]) -> int:
    """The 64 bits of a vector, put together here from the layout of ISO 11784."""
    flags = {"animal": 1, "retag": 0, "user": 0, "visual": 0, "rudi": 0, "datablk": 0} | vector["flags"]
    bits = (
        f"{flags['animal']:01b}{flags['retag']:03b}{flags['user']:05b}{flags['visual']:05b}"
        f"{flags['rudi']:01b}{flags['datablk']:01b}{vector['country']:010b}{vector['national']:038b}"
    )
    return int(bits, 2)


def attempt(read: Callable[[], TagCode | None]) -> TagCode | TagCodeError | None:
    try:
        return read()
    except TagCodeError as error:
        return error


def assert_code_or_sentence(answer: TagCode | TagCodeError | None) -> None:
    if isinstance(answer, TagCodeError):
        assert str(answer).isprintable()
    else:
        assert answer is None or parse_tag(answer.text).text == answer.text


@pytest.mark.parametrize(("form", "separator", "key"), WRITTEN)
@pytest.mark.parametrize("vector", CODES, ids=lambda vector: vector["hex16_bit1_first"])
def test_a_published_code_reads_and_writes_the_same_in_every_form(
    vector: dict[str, Any], form: TagForm, separator: str, key: str
) -> None:
    code = parse_tag(vector[key], form=form)
    assert code.text == vector["decimal15"]
    assert (code.country, code.national) == (vector["country"], vector["national"])
    assert code.scheme is Scheme.ISO_11784
    assert parse_tag(vector[key].lower(), form=form) == code
    assert find_tags(vector[key], {form}) == code
    assert write_tag(iso_code_from_id64(id64_with_flags(vector)), form, separator=separator) == vector[key]


@pytest.mark.parametrize("form", HEX16_FORMS)
@pytest.mark.parametrize("vector", CODES, ids=lambda vector: vector["hex16_bit1_first"])
def test_sixteen_hex_digits_carry_the_flags(vector: dict[str, Any], form: TagForm) -> None:
    code = parse_tag("0x" + vector[KEYS[form][0]], form=form)
    flags = {"animal": 1, "retag": 0, "user": 0, "visual": 0, "rudi": 0, "datablk": 0} | vector["flags"]
    assert code.animal == bool(flags["animal"])
    assert (code.retag, code.user, code.reserved) == (flags["retag"], flags["user"], flags["visual"])
    assert (code.advanced, code.data_block) == (bool(flags["rudi"]), bool(flags["datablk"]))
    assert code.id64() == int(vector["hex16_bit1_first"], 16)


@pytest.mark.parametrize("vector", ID40, ids=lambda vector: vector["hex10"])
def test_a_40_bit_code_stays_its_own_scheme(vector: dict[str, str]) -> None:
    code = parse_tag(vector["hex10"].lower())
    assert (code.text, code.scheme) == (vector["hex10"], Scheme.ID40)
    assert (code.country, code.national, code.animal) == (None, None, None)
    assert parse_tag(vector["decimal13_of_40"], form=TagForm.ID40_DECIMAL) == code
    assert write_tag(code, TagForm.ID40_HEX) == vector["hex10"]
    assert write_tag(code, TagForm.ID40_DECIMAL) == vector["decimal13_of_40"]
    assert int(code.text, 16) & 0xFFFFFFFF == int(vector["decimal10_of_low32"])


@pytest.mark.parametrize("vector", ID40, ids=lambda vector: vector["hex10"])
def test_prints_without_the_first_byte_of_a_40_bit_code_are_not_taken_for_the_code(
    vector: dict[str, str],
) -> None:
    for form in TagForm:
        with pytest.raises(TagCodeError):
            parse_tag(vector["split_8_16"], form=form)
    with pytest.raises(TagCodeError):
        parse_tag(vector["decimal10_of_low32"], form=TagForm.ID40_DECIMAL)


def test_thirteen_digits_beyond_40_bits_are_refused() -> None:
    assert parse_tag("1099511627775", form=TagForm.ID40_DECIMAL).text == "FFFFFFFFFF"
    with pytest.raises(TagCodeError, match="1099511627776 needs more than 40 bits"):
        parse_tag("1099511627776", form=TagForm.ID40_DECIMAL)
    with pytest.raises(TagCodeError, match="more than 40 bits"):
        id40_code(LARGEST_ID40 + 1)


def test_schemes_have_no_form_of_each_other() -> None:
    iso, old = parse_tag("999123456789012"), parse_tag("06001259E3")
    for form in ISO_FORMS:
        with pytest.raises(TagCodeError, match="06001259E3 is a 40-bit code"):
            write_tag(old, form)
    for old_form in (TagForm.ID40_HEX, TagForm.ID40_DECIMAL):
        with pytest.raises(TagCodeError, match="999123456789012 is an ISO 11784 code"):
            write_tag(iso, old_form)


@pytest.mark.parametrize("vector", REFUSED, ids=lambda vector: vector["text"])
def test_a_published_wrong_code_is_refused_and_named(vector: dict[str, str]) -> None:
    with pytest.raises(TagCodeError) as caught:
        parse_tag(vector["text"])
    assert vector["text"] in str(caught.value)
    with pytest.raises(TagCodeError) as caught:
        find_tags(f"TAG: {vector['text']} RSSI=-47\r\n", ALL_FORMS)
    assert vector["text"] in str(caught.value)


def test_the_country_table_equals_an_independent_list() -> None:
    """Package iso3166 3.0.0. It lists 983 (Kosovo, user-assigned), which lies among the makers of tags."""
    independent = {int(country.numeric) for country in iso3166.countries}
    assert independent - {983} == COUNTRY_CODES
    assert max(COUNTRY_CODES) < 900


def test_countries_makers_and_the_test_code_are_accepted_and_all_else_is_refused() -> None:
    """ISO 11784: 1-899 ISO 3166-1, 900-998 makers, 999 test; 1000-1023 fit the 10 bits but mean nothing."""
    accepted = set()
    for number in range(1024):
        try:
            code = parse_tag(f"{number:03X}.0000000001", form=TagForm.DOTTED_HEX)
        except TagCodeError:
            continue
        assert code.text == f"{number:03d}000000000001"
        accepted.add(number)
    assert accepted == COUNTRY_CODES | set(range(900, 1000))


def test_the_largest_national_number_is_accepted_and_the_next_refused() -> None:
    assert parse_tag("999274877906943").national == LARGEST_NATIONAL
    for text in ("999274877906944", "999.274877906944", "3E7.4000000000"):
        with pytest.raises(TagCodeError, match="larger than 274877906943"):
            parse_tag(text)
    with pytest.raises(TagCodeError, match="larger than 274877906943"):
        iso_code(999, LARGEST_NATIONAL + 1)


def test_a_refusal_is_one_short_printable_sentence() -> None:
    for text in ("", "\x02\x03", "9" * 5000, "\N{SNOWMAN}" * 40, "000000000000001", "123\n456"):
        with pytest.raises(TagCodeError) as caught:
            parse_tag(text)
        sentence = str(caught.value)
        assert sentence.isprintable()
        assert sentence.endswith(".")
        assert len(sentence) < 250


# The order of 16 hex digits


def test_the_configured_order_is_kept_when_both_orders_give_a_code() -> None:
    assert parse_tag("8000F9C000000001", form=TagForm.HEX_BIT1_FIRST).text == "999000000000001"
    with pytest.raises(TagCodeError):
        parse_tag("8000F9C000000001", form=TagForm.HEX_TRANSMISSION)


@pytest.mark.parametrize("vector", CODES, ids=lambda vector: vector["hex16_bit1_first"])
def test_digits_in_an_order_that_is_not_configured_never_become_another_tag(vector: dict[str, Any]) -> None:
    for sent in HEX16_FORMS:
        for configured in HEX16_FORMS:
            if configured is not sent:
                with pytest.raises(TagCodeError):
                    parse_tag(vector[KEYS[sent][0]], form=configured)


def test_the_wrong_order_is_called_by_its_name() -> None:
    with pytest.raises(
        TagCodeError, match="sense as hex_transmission but not as hex_bit1_first; check the order"
    ):
        parse_tag("2858997D3B9F0001", form=TagForm.HEX_BIT1_FIRST)


def test_several_orders_are_told_apart_by_the_flags_or_refused() -> None:
    assert find_tags("8000F9DCBE991A14", HEX16_FORMS) == parse_tag(
        "8000F9DCBE991A14", form=TagForm.HEX_BIT1_FIRST
    )
    assert find_tags("2858997D3B9F0001", HEX16_FORMS) == parse_tag(
        "8000F9DCBE991A14", form=TagForm.HEX_BIT1_FIRST
    )
    # Plain from both ends, with makers 999 and 927.
    both = "8000F9C003E70001"
    codes = {parse_tag(both, form=form).text for form in HEX16_FORMS[:2]}
    assert len(codes) == 2
    with pytest.raises(TagCodeError, match="name one order"):
        find_tags(both, HEX16_FORMS)
    same = find_tags("8000F3C003CF0001", HEX16_FORMS)  # a palindrome of bits
    assert same is not None
    assert same.country == 975
    with pytest.raises(TagCodeError, match="name one order"):
        find_tags("FF80F9C000000001", HEX16_FORMS)  # user information set: no order gives a plain code


# Round trips


@settings(deadline=None, max_examples=60)
@given(code=iso_codes, separator=separators)
def test_every_code_survives_every_form(code: TagCode, separator: str) -> None:
    for form in ISO_FORMS:
        written = write_tag(code, form, separator=separator)
        again = parse_tag(written, form=form)
        assert again.text == code.text
        assert parse_tag(written.lower(), form=form) == again
        found = find_tags(f"\x02A1 {written}\r\n", {form})
        assert found is not None
        assert found.text == code.text
        if form in UNMISTAKABLE:
            assert parse_tag(f" {written}\r\n") == again


@settings(deadline=None, max_examples=60)
@given(code=id40_codes)
def test_every_40_bit_code_survives_both_forms(code: TagCode) -> None:
    assert parse_tag(code.text) == code
    for form in (TagForm.ID40_HEX, TagForm.ID40_DECIMAL):
        assert parse_tag(write_tag(code, form), form=form) == code
        assert find_tags(f"{write_tag(code, form)}\r", {form}) == code


@settings(deadline=None, max_examples=100)
@given(id64=flagged, order=st.sampled_from(HEX16_FORMS))
@example(id64=0x0001_F9C0_0000_0001, order=TagForm.HEX_TRANSMISSION)
def test_flags_survive_or_the_code_is_refused_but_it_never_becomes_another(id64: int, order: TagForm) -> None:
    code = iso_code_from_id64(id64)
    assert code.id64() == id64
    again = attempt(lambda: parse_tag(write_tag(code, order), form=order))
    if isinstance(again, TagCodeError):
        assert code.user or code.reserved or code.advanced  # a plain code is never refused
        assert "check the order" in str(again)
    else:
        assert again == code


# Codes in lines


@pytest.mark.parametrize("vector", LINES, ids=lambda vector: ascii(vector["line"]))
def test_a_line_gives_its_code_or_a_refusal(vector: dict[str, Any]) -> None:
    """Lines invented by us in the general shapes of readers; all forms allowed."""
    if vector["id15"] is None:
        with pytest.raises(TagCodeError):
            find_tags(vector["line"], ALL_FORMS)
        return
    code = find_tags(vector["line"], ALL_FORMS)
    assert code is not None
    assert code.text == vector["id15"]
    if "animal" in vector["extra"]:
        assert code.animal == bool(vector["extra"]["animal"])


@pytest.mark.parametrize(
    "line",
    [
        "",
        "\r\n",
        "\x00\x00",
        "READY V2.1 2026-11-25",
        "Gerät bereit 20261125",
        "312 mm",
        "ST,+0412.0 g",
        "no tag",
    ],
)
def test_a_banner_is_no_tag_and_no_refusal(line: str) -> None:
    assert find_tags(line, ALL_FORMS) is None


def test_the_same_code_twice_is_one_code_and_its_flags_are_kept() -> None:
    code = find_tags("8000F9DCBE991A14,999123456789012,3E7.1CBE991A14", ALL_FORMS)
    assert code == parse_tag("8000F9DCBE991A14", form=TagForm.HEX_BIT1_FIRST)
    assert find_tags("999123456789012,8000F9DCBE991A14", ALL_FORMS) == code


def test_two_different_codes_in_a_line_are_refused() -> None:
    with pytest.raises(TagCodeError, match="124000000000001 and 999123456789012"):
        find_tags("999123456789012 124000000000001\r\n", UNMISTAKABLE)


def test_leading_small_number_fields_do_no_harm() -> None:
    """ISO 24631-6: retagging counter, user field and a value of three digits, with spaces between them."""
    code = find_tags("\x020 00 000 999123456789012\r\n", UNMISTAKABLE)
    assert code == parse_tag("999123456789012")


@pytest.mark.parametrize(
    "line",
    [
        "99912345678901",  # 14 digits
        "9991234567890123",
        "TAG999123456789012",  # where does the code begin?
        "999 12345678901",
        "999.123.456.789.01",
        "000 999 123 456 789 012",  # six triads: two ways to read them
        "3E7.1CBE991A1",
        "8000F9DCBE991A1",
        "982OOO356789012",
        "999123456789012.5",
        "999123456789012 999123456789012999123456789012",
        "999123456789012,989737733408912",
        "99912345\x006789012",
        "9991234567890\x7f2",
        "T\xb1G: 999123456789012",
        "9991234567890١٢",  # Arabic-Indic digits are digits to some
    ],
)
def test_a_broken_code_is_refused_and_not_passed_over(line: str) -> None:
    with pytest.raises(TagCodeError):
        find_tags(line, UNMISTAKABLE)


def test_a_time_of_fourteen_digits_beside_a_code_does_no_harm() -> None:
    assert find_tags("20261125065521,999123456789012", UNMISTAKABLE) == parse_tag("999123456789012")


def test_a_run_that_two_allowed_forms_read_differently_is_refused() -> None:
    forms = {TagForm.NIBBLE_REVERSED, TagForm.ID40_DECIMAL}
    with pytest.raises(TagCodeError, match="read as 00000001E3 or as 900000000000000; name only one"):
        find_tags("0000000000483", forms)
    text = "1000000000048"  # backwards 840 hex is no country: only the 40-bit reading is a code
    assert find_tags(text, forms) == parse_tag(text, form=TagForm.ID40_DECIMAL)


@settings(deadline=None, max_examples=200)
@given(text=st.text(max_size=60), form=st.sampled_from([None, *TagForm]))
def test_no_text_raises_anything_but_a_refusal(text: str, form: TagForm | None) -> None:
    assert_code_or_sentence(attempt(lambda: parse_tag(text, form=form)))
    assert_code_or_sentence(attempt(lambda: find_tags(text, ALL_FORMS)))


@settings(deadline=None, max_examples=200)
@given(text=st.text(alphabet="0123456789ABCDEFabcdefxX. -,\x00\x02\x03\r\n\xb1TG", max_size=60))
def test_no_almost_code_raises_anything_but_a_refusal(text: str) -> None:
    assert_code_or_sentence(attempt(lambda: find_tags(text, ALL_FORMS)))
    assert_code_or_sentence(attempt(lambda: find_tags(text, UNMISTAKABLE)))
    assert_code_or_sentence(attempt(lambda: find_tags(text, {TagForm.TRIADS})))


@settings(deadline=None, max_examples=100)
@given(code=iso_codes, at=st.integers(0, 14), damage=st.characters(codec="latin-1"))
def test_a_code_with_one_damaged_character_is_never_taken_for_a_shorter_or_longer_one(
    code: TagCode, at: int, damage: str
) -> None:
    """One digit turned into another digit may still give a code: no written form has a check digit."""
    line = code.text[:at] + damage + code.text[at + 1 :]
    found = attempt(lambda: find_tags(line, ISO_TEXT_FORMS))
    assert found is None or isinstance(found, TagCodeError) or found.text == line


@settings(deadline=None, max_examples=60)
@given(code=iso_codes, form=st.sampled_from(sorted(ISO_FORMS)), separator=separators, data=st.data())
def test_a_code_that_lost_its_head_or_tail_is_never_another_code(
    code: TagCode, form: TagForm, separator: str, data: st.DataObject
) -> None:
    """As after a buffer overrun, in the forms that the reader of the code would be set to."""
    written = write_tag(code, form, separator=separator)
    lost = data.draw(st.integers(1, len(written)))
    forms = {form} if form not in ISO_TEXT_FORMS else ISO_TEXT_FORMS
    for rest in (written[lost:], written[:-lost]):
        found = attempt(partial(find_tags, f"{rest}\r\n", forms))
        assert found is None or isinstance(found, TagCodeError)


def test_ten_digits_of_a_cut_code_pass_only_where_40_bit_codes_are_allowed() -> None:
    """Known limit: a 40-bit code in text has nothing that tells it from the tail of an ISO code."""
    assert find_tags("3456789012\r\n", ISO_TEXT_FORMS) is None
    assert find_tags("3456789012\r\n", UNMISTAKABLE) == parse_tag("3456789012", form=TagForm.ID40_HEX)
