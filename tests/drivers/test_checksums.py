"""Check characters of lines, against published check values and an independent library."""

import fastcrc
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.checksums import compute, verify
from drivers.declaration import Checksum

FORMS = ["xor8", "sum8", "sum8_complement", "crc16_xmodem", "crc16_ccitt_false"]


def test_the_crcs_give_the_catalogued_check_values() -> None:
    # The check value of a CRC is that of "123456789"; CRC-16/XMODEM 31C3, CRC-16/IBM-3740 (CCITT-FALSE) 29B1:
    # catalogue of parametrised CRC algorithms (from memory), and the library below.
    assert compute("crc16_xmodem", b"123456789") == 0x31C3
    assert compute("crc16_ccitt_false", b"123456789") == 0x29B1


@settings(deadline=None, max_examples=50)
@given(st.binary())
def test_the_crcs_agree_with_an_independent_library(data: bytes) -> None:
    assert compute("crc16_xmodem", data) == fastcrc.crc16.xmodem(data)
    assert compute("crc16_ccitt_false", data) == fastcrc.crc16.ibm_3740(data)


def test_the_check_of_a_published_position_sentence_holds() -> None:
    # The widely published NMEA 0183 example (two hex digits, exclusive or of all between $ and *).
    line = b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47"
    checked = verify(line, Checksum(form="xor8", separator="*", skip_first=1))
    assert checked.fault is None
    assert checked.text == line[:-3]


def test_an_unknown_form_is_refused() -> None:
    with pytest.raises(ValueError, match="md5"):
        compute("md5", b"")


@settings(deadline=None, max_examples=150)
@given(
    st.sampled_from(FORMS),
    st.sampled_from(["hex", "raw"]),
    st.sampled_from(["big", "little"]),
    st.sampled_from(["", "*", "\x03"]),
    st.booleans(),
    st.booleans(),
    st.integers(0, 3),
    st.binary(min_size=4, max_size=20),
    st.data(),
)
def test_a_right_check_holds_and_one_changed_bit_of_it_does_not(
    form: str,
    written: str,
    byte_order: str,
    separator: str,
    covers_stx: bool,
    covers_separator: bool,
    skip_first: int,
    text: bytes,
    data: st.DataObject,
) -> None:
    rule = Checksum.model_validate(
        {
            "form": form,
            "written": written,
            "byte_order": byte_order,
            "separator": separator,
            "skip_first": skip_first,
            "covers_stx": covers_stx,
            "covers_separator": covers_separator,
        }
    )
    mark = separator.encode()
    covered = (b"\x02" if covers_stx else b"") + text[skip_first:] + (mark if covers_separator else b"")
    number = compute(form, covered)
    size = 2 if form.startswith("crc16") else 1

    def line(check: int) -> bytes:
        raw = check.to_bytes(size, "big" if byte_order == "big" else "little")
        return text + mark + (raw.hex().encode() if written == "hex" else raw)

    right = verify(line(number), rule)
    assert (right.text, right.fault, right.missing) == (text, None, False)
    wrong = verify(line(number ^ 1 << data.draw(st.integers(0, 8 * size - 1))), rule)
    assert wrong.fault is not None


@pytest.mark.parametrize("line", [b"", b"4", b"412.3", b"412.3*G0", b"412.3 g"])
def test_a_line_without_a_check_says_so(line: bytes) -> None:
    assert verify(line, Checksum(form="xor8", separator="*")).missing
