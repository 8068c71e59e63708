import pytest

from drivers.tags import TagForm
from simulators.voices import BoardVoice, ScaleVoice, TagVoice


@pytest.mark.parametrize(
    ("voice", "said"),
    [
        (TagVoice(), b"999123456789012\r\n"),
        (TagVoice(form=TagForm.SPLIT), b"999.123456789012\r\n"),
        # The hex forms of this very number are printed in the notes of an open converter of ISO 11784 codes.
        (TagVoice(form=TagForm.DOTTED_HEX), b"3E7.1CBE991A14\r\n"),
        (TagVoice("\x02{tag}\x03", TagForm.HEX_BIT1_FIRST), b"\x028000F9DCBE991A14\x03"),
        (TagVoice("TAG: {tag} RSSI=-47\r\n"), b"TAG: 999123456789012 RSSI=-47\r\n"),
    ],
)
def test_a_tag_reader_speaks_any_written_form(voice: TagVoice, said: bytes) -> None:
    assert voice.say("999123456789012") == said


def test_a_board_speaks_mm_cm_inches_and_keys() -> None:
    assert BoardVoice().say(312.0) == b"312 mm\r\n"
    assert BoardVoice("{cm:.1f} cm\r\n").say(312.0) == b"31.2 cm\r\n"
    assert BoardVoice("{inch:.2f} in\r\n").say(312.0) == b"12.28 in\r\n"
    assert BoardVoice("{mm:04.0f}\r\n").say(312.0) == b"0312\r\n"
    assert BoardVoice().say_key("7") == b"K,07\r\n"


def test_a_scale_speaks_its_state_sign_unit_and_division() -> None:
    scale = ScaleVoice()
    assert scale.say(412.04, "stable") == b"ST,+0412.0 g\r\n"
    assert scale.say(-12.0, "unstable") == b"US,-0012.0 g\r\n"
    assert scale.say(-0.04, "stable") == b"ST,+0000.0 g\r\n"
    assert scale.say(9000.0, "overload") == b"OL,+------ g\r\n"
    assert (
        ScaleVoice(stable="{lb:10.4f} lb\r\n", division_g=0.01).say(197.36, "stable") == b"    0.4351 lb\r\n"
    )
    assert ScaleVoice(stable="{sign} {size_g:.0f} g\r\n", division_g=5).say(-12.0, "stable") == b"- 10 g\r\n"
    assert ScaleVoice(stable="{g:.1f} g\r\n", decimal_comma=True).say(123.4, "stable") == b"123,4 g\r\n"
    pounds = ScaleVoice(stable="{whole_lb} lb {rest_oz:.1f} oz\r\n", division_g=0.01)
    assert pounds.say(2 * 453.59237 + 3.5 * 28.349523125, "stable") == b"2 lb 3.5 oz\r\n"
    checked = ScaleVoice(stable="$S,{g:+.1f},g*hh\r\n", checked=True)
    # The example line of config/instruments/README.md.
    assert checked.say(412.0, "stable") == b"$S,+412.0,g*36\r\n"
