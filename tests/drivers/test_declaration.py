"""An instrument file that cannot work is refused with the file, the key and what to do."""

import pytest

from drivers.declaration import Declaration, DeclarationError, load_declaration

SCALE = r"""
name = "my_scale"
kind = "scale"
summary = "x"
patterns = ['(?P<value>[0-9]+) (?P<unit>g)']
[frame]
end = "CRLF"
max_bytes = 64
[measure]
unit = "g"
"""


def refused(text: str) -> str:
    with pytest.raises(DeclarationError) as fault:
        load_declaration(text, "my_scale.toml")
    assert all(message.startswith("my_scale.toml: ") for message in fault.value.messages)
    assert str(fault.value) == "\n".join(fault.value.messages)
    return str(fault.value)


def test_the_defaults_are_those_of_the_readme() -> None:
    scale = load_declaration(SCALE, "my_scale.toml")
    assert (scale.line.baud, scale.line.data_bits, scale.line.parity, scale.line.stop_bits) == (
        9600,
        8,
        "none",
        1,
    )
    assert (scale.frame.stale_s, scale.settle.mode, scale.witness) == (2.0, "stream", "known")


def test_text_that_is_no_toml_is_refused_with_its_line() -> None:
    assert "line 2" in refused('name = "x"\nkind scale')


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('summary = "x"', 'summary = "x"\nsumary = "y"', "sumary"),
        ("max_bytes = 64", "", "frame.max_bytes"),
        ("max_bytes = 64", "max_bytes = 1", "frame.max_bytes"),
        ("max_bytes = 64", "max_bytes = 64\nidle_s = 1", "idle_s"),
        ('end = "CRLF"', 'end = "IDLE"', "idle_s"),
        ('name = "my_scale"', 'name = "My scale"', "name"),
        ('unit = "g"', 'unit = "mm"', "measure.unit"),
        ('unit = "g"', 'unit = "stone"', "measure.unit"),
        ('[measure]\nunit = "g"', "", "[measure]"),
        ('unit = "g"', 'unit = "g"\nruler_max_mm = 100', "ruler_max_mm"),
        ("(?P<value>", "(", "value"),
        ("(?P<value>", "(?P<weight>", "weight"),
        ("(?P<value>[0-9]+)", "(?P<value>[0-9]+", "regular expression"),
        ("(?P<unit>g)']", "(?P<unit>g)', 'READY']", "READY"),
        ("(?P<unit>g)", "(?P<ounces>g)", "ounces"),
        ("[measure]", '[states]\nstable = ["S"]\nunstable = ["S"]\n[measure]', "'S'"),
        ("[measure]", '[tags]\nforms = ["decimal"]\n[measure]', "tags"),
        ("[measure]", '[[key_zones]]\nkey = "1"\nfrom_mm = 1\nto_mm = 2\n[measure]', "key_zones"),
        ("[measure]", '[checksum]\nform = "xor8"\nwritten = "raw"\n[measure]', "IDLE"),
        ("[measure]", "[settle]\nunsettled_s = inf\n[measure]", "settle.unsettled_s"),
    ],
)
def test_a_fault_names_its_key(old: str, new: str, says: str) -> None:
    assert old in SCALE
    assert says in refused(SCALE.replace(old, new, 1))


TAG = 'name = "t"\nkind = "tag_reader"\nsummary = "x"\n[frame]\nend = "ANY"\nmax_bytes = 64\n'


@pytest.mark.parametrize(
    ("more", "says"),
    [
        ("", "tags"),
        ("[tags]", "forms"),
        ('[tags]\nforms = ["decimal"]\ntelegram = "fdx_b"', "either"),
        ('[tags]\nforms = ["barcode"]', "tags.forms"),
        ('[tags]\nforms = ["hex_bit1_first", "hex_transmission"]', "one order"),
        ('[tags]\ntelegram = "fdx_b"', "IDLE"),
        ('[tags]\nforms = ["decimal"]\n[settle]', "settle"),
        ('[tags]\nforms = ["decimal"]\n[measure]\nunit = "g"', "measure"),
    ],
)
def test_a_tag_reader_says_how_it_writes_codes(more: str, says: str) -> None:
    assert says in refused(TAG + more)


BOARD = (
    'name = "b"\nkind = "board"\nsummary = "x"\npatterns = [\'(?P<value>[0-9]+)\']\n'
    '[frame]\nend = "ANY"\nmax_bytes = 64\n[measure]\nunit = "mm"\n'
)


def test_a_board_needs_the_end_of_its_ruler_and_keys_beyond_it() -> None:
    assert "ruler_max_mm" in refused(BOARD)
    zone = 'ruler_max_mm = 800\n[[key_zones]]\nkey = "1"\nfrom_mm = {}\nto_mm = {}\n'
    assert "on the ruler" in refused(BOARD + zone.format(790, 820))
    assert "greater" in refused(BOARD + zone.format(830, 820))
    assert isinstance(load_declaration(BOARD + zone.format(810, 820), "b.toml"), Declaration)


USB = {
    "hid_scale": """
name = "x"
kind = "scale"
summary = "x"
decoder = "hid_scale"
[line]
usb = "hid"
[frame]
end = "REPORT"
max_bytes = 64
[measure]
unit = "g"
""",
    "hid_keyboard": """
name = "x"
kind = "tag_reader"
summary = "x"
decoder = "hid_keyboard"
patterns = ['(?P<tag>[0-9]{15})']
[line]
usb = "hid"
[frame]
end = "REPORT"
max_bytes = 64
[tags]
forms = ["decimal"]
""",
    "nmea": """
name = "x"
kind = "navigation"
summary = "x"
decoder = "nmea"
[frame]
end = "CRLF"
max_bytes = 128
""",
}


@pytest.mark.parametrize("decoder", USB)
def test_each_decoder_has_a_least_file(decoder: str) -> None:
    assert load_declaration(USB[decoder], "my_scale.toml").decoder == decoder


@pytest.mark.parametrize(
    ("decoder", "old", "new", "why"),
    [
        ("hid_scale", '"REPORT"', '"CRLF"', "go together"),
        ("hid_scale", 'usb = "hid"', 'usb = "serial"', "go together"),
        ("hid_scale", 'decoder = "hid_scale"', "", "go together"),
        ("hid_scale", "[line]", "patterns = ['(?P<value>[0-9]+)']\n[line]", "`patterns` has no meaning"),
        ("hid_scale", "[line]", "[keyboard]\n[line]", "`keyboard` belongs"),
        ("hid_keyboard", 'kind = "tag_reader"', 'kind = "board"', "goes with kind = tag_reader or keys"),
        ("hid_keyboard", "patterns = ['(?P<tag>[0-9]{15})']", "", "needs `patterns` for whole codes"),
        ("hid_keyboard", '["decimal"]', '["decimal", "id40_hex"]', "mixes codes of 10"),
        ("nmea", '"navigation"', '"keys"', "goes with kind = navigation"),
        ("nmea", 'decoder = "nmea"', "", "goes with kind"),
        ("nmea", "[frame]", "symbology = true\n[frame]", "`symbology` has no meaning"),
    ],
)
def test_what_does_not_go_with_a_decoder_is_refused(decoder: str, old: str, new: str, why: str) -> None:
    assert old in USB[decoder]
    assert why in refused(USB[decoder].replace(old, new, 1))
