"""Journal lines: what is written reads back, and what is wrong is named."""

import json
import zlib
from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.frames import (
    MAX_LINE_BYTES,
    BadLine,
    Frame,
    Header,
    decode_line,
    encode_frame,
    encode_header,
    parse_rfc3339,
    rfc3339,
)

HEADER = Header("day-1", "north bank", "2026-05-12T13:00:00.000Z", "3f9a77c0", 81.5)
AT = "2026-05-12T13:00:03.201Z"

names = st.text(st.characters(codec="utf-8", exclude_categories=["C", "Z"]), min_size=1, max_size=12)
json_values = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(st.characters(codec="utf-8"), max_size=10),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(names, inner, max_size=3),
    max_leaves=8,
)
moments = st.datetimes(datetime(1900, 1, 1), datetime(9999, 12, 30)).map(
    lambda moment: rfc3339(moment.replace(tzinfo=UTC).timestamp())
)


@st.composite
def frames(draw: st.DrawFn) -> Frame:
    n = draw(st.integers(1, (1 << 53) - 1))
    t_s = draw(st.floats(-1e9, 1e9))
    at, source = draw(moments), draw(names)
    if draw(st.booleans()):
        return Frame(n, t_s, at, source, draw(st.binary(max_size=60)))
    body = draw(st.dictionaries(names, json_values, max_size=3))
    return Frame(n, t_s, at, source, None, draw(names), body)


def bad(line: str | bytes, **above: float) -> str:
    raw = line.encode() if isinstance(line, str) else line
    item = decode_line(raw, 7, HEADER, int(above.get("last_n", 0)), above.get("last_t_s", float("-inf")))
    assert isinstance(item, BadLine), item
    assert item.line_no == 7
    assert item.raw == raw.rstrip(b"\r\n")
    assert "Traceback" not in item.why
    assert "\n" not in item.why
    return item.why


def good(line: str, last_n: int = 0, last_t_s: float = float("-inf")) -> Frame:
    item = decode_line(line.encode(), 7, HEADER, last_n, last_t_s)
    assert isinstance(item, Frame), item
    return item


@settings(deadline=None, max_examples=200)
@given(frames())
def test_any_frame_reads_back_equal(frame: Frame) -> None:
    assert decode_line(encode_frame(frame), 2, HEADER) == frame


@settings(deadline=None, max_examples=50)
@given(st.binary(min_size=256, max_size=300))
def test_every_byte_value_survives(data: bytes) -> None:
    every = bytes(range(256)) + data
    item = decode_line(encode_frame(Frame(1, 0.0, AT, "scale", every)), 2, HEADER)
    assert isinstance(item, Frame)
    assert item.data == every


@settings(deadline=None, max_examples=50)
@given(names, names, moments, st.none() | names, st.none() | st.floats(0, 1e9))
def test_any_header_reads_back_equal(
    journal: str, station: str, started: str, boot: str | None, mono: float | None
) -> None:
    header = Header(journal, station, started, boot, mono)
    assert decode_line(encode_header(header)) == header


@settings(deadline=None, max_examples=300)
@given(frames(), st.data())
def test_one_changed_byte_is_named_or_changes_nothing(frame: Frame, data: st.DataObject) -> None:
    line = encode_frame(frame)
    place = data.draw(st.integers(0, len(line) - 1))
    byte = data.draw(st.integers(0, 255).filter(lambda value: value != line[place]))
    changed = line[:place] + bytes([byte]) + line[place + 1 :]
    for part in changed.split(b"\n"):
        item = decode_line(part, 2, HEADER)
        assert item is None or isinstance(item, BadLine) or item == frame
        if item is None:
            assert part.strip() == b""


def test_every_changed_bit_pattern_of_one_line_is_named_or_changes_nothing() -> None:
    frame = Frame(12, 3.201, AT, "scale", b"412.0 g\r\n")
    for line, truth in ((encode_frame(frame), frame), (encode_header(HEADER), HEADER)):
        for place in range(len(line)):
            for byte in range(256):
                if byte == line[place]:
                    continue
                changed = line[:place] + bytes([byte]) + line[place + 1 :]
                for part in changed.split(b"\n"):
                    item = decode_line(part, 2, HEADER)
                    assert isinstance(item, BadLine) or item == truth or part.strip() == b"", changed


@settings(deadline=None, max_examples=300)
@given(st.binary(max_size=80))
def test_junk_never_raises(junk: bytes) -> None:
    for header in (HEADER, None):
        item = decode_line(junk, 1, header)
        assert item is None or isinstance(item, BadLine)


@settings(deadline=None, max_examples=200)
@given(
    st.dictionaries(
        st.sampled_from(["n", "t", "w", "from", "data", "event", "body", "c", "capture"]), json_values
    )
)
def test_json_of_wrong_shapes_never_raises(fields: dict[str, object]) -> None:
    decode_line(json.dumps(fields).encode(), 3, HEADER)


def test_the_checksum_is_the_one_that_the_documentation_computes() -> None:
    line = encode_frame(Frame(12, 3.201, AT, "scale", b"\xff\r\n")).rstrip(b"\r\n")
    assert line[-16:-10] == b',"c":"'
    assert zlib.crc32(line[:-16] + b"}") == int(line[-10:-2], 16)
    fields = json.loads(line)
    assert fields.pop("c") == line[-10:-2].decode()
    assert json.dumps(fields, separators=(",", ":")).encode() == line[:-16] + b"}"


def test_crc32_is_the_published_one() -> None:
    # check value of CRC-32/ISO-HDLC for the text "123456789", from memory of the published CRC catalogues
    assert zlib.crc32(b"123456789") == 0xCBF43926


def test_the_written_form_is_the_documented_one() -> None:
    assert encode_frame(Frame(12, 3.201, AT, "scale", b"ST,+0412.0 g\r\n")) == (
        b'{"n":12,"t":3.201,"w":"2026-05-12T13:00:03.201Z","from":"scale",'
        b'"data":"ST,+0412.0 g\\r\\n","c":"61f96ff3"}\n'
    )


def test_a_line_by_hand_gets_its_number_and_its_wall_time() -> None:
    frame = good('{"t": 3.2, "from": "scale", "data": "412 g\\r\\n"}', last_n=4)
    assert frame == Frame(5, 3.2, "2026-05-12T13:00:03.200Z", "scale", b"412 g\r\n")


def test_an_event_by_hand_may_have_no_body() -> None:
    stop = Frame(1, 1.0, "2026-05-12T13:00:01.000Z", "page", None, "stop", {})
    assert good('{"t":1,"from":"page","event":"stop"}') == stop


def test_a_wall_time_with_an_offset_becomes_utc() -> None:
    frame = good('{"t":1,"w":"2026-05-12T15:00:01.5+02:00","from":"a","data":""}')
    assert frame.at == "2026-05-12T13:00:01.500Z"


def test_blank_lines_and_comments_are_skipped() -> None:
    for line in (
        b"",
        b"\n",
        b"  \r\n",
        b"# a day in May\n",
        b"  # indented",
        b'#{"t":1,"from":"a","data":""}\n',
    ):
        assert decode_line(line, 2, HEADER) is None


def test_a_checksummed_line_behind_a_hash_sign_is_not_skipped() -> None:
    assert "#" in bad(b"#" + encode_frame(Frame(1, 0.0, AT, "scale", b"x"))[1:])


def test_line_ends_and_mark_of_another_editor_do_no_harm() -> None:
    text = '\ufeff{"capture":1,"station":"s","started":"2026-05-12T13:00:00Z"}\r\n'
    assert isinstance(decode_line(text.encode()), Header)
    line = encode_frame(Frame(1, 0.0, AT, "scale", b"x")).replace(b"\n", b"\r\n")
    assert isinstance(decode_line(line, 2, HEADER), Frame)


def test_time_a_little_backwards_keeps_the_order_of_the_file_and_says_so() -> None:
    frame = good('{"t":3.1,"from":"a","data":"x"}', 1, 3.5)
    assert frame.t_s == 3.5
    assert frame.remark is not None
    assert "3.1" in frame.remark
    assert "3.5" in frame.remark
    assert good('{"t":3.5,"from":"a","data":"x"}', 1, 3.5).remark is None


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ('{"n":7,"t":1,"from":"a","data":"x"}', "n 7 does not grow"),
        ('{"n":0,"t":1,"from":"a","data":"x"}', '"n" is 0'),
        ('{"n":true,"t":1,"from":"a","data":"x"}', '"n" is True'),
        ('{"n":1.5,"t":1,"from":"a","data":"x"}', '"n" is 1.5'),
        ('{"n":9007199254740992,"t":1,"from":"a","data":"x"}', '"n" is 9007199254740992'),
        ('{"t":1,"from":"a","data":"x"}', "runs backwards"),
        ('{"from":"a","data":"x"}', '"t" is missing'),
        ('{"t":"3","from":"a","data":"x"}', "\"t\" is '3'"),
        ('{"t":true,"from":"a","data":"x"}', '"t" is True'),
        ('{"t":NaN,"from":"a","data":"x"}', "NaN"),
        ('{"t":-Infinity,"from":"a","data":"x"}', "-Infinity"),
        ('{"t":1e999,"from":"a","data":"x"}', "1e999"),
        ('{"t":2e9,"from":"a","data":"x"}', '"t" is 2000000000.0'),
        ('{"t":20,"data":"x"}', '"from" is None'),
        ('{"t":20,"from":"","data":"x"}', "\"from\" is ''"),
        ('{"t":20,"from":"a\\n","data":"x"}', '"from" is'),
        ('{"t":20,"from":"\\ud800","data":"x"}', '"from" is'),
        ('{"t":20,"from":"a","data":5}', '"data" is 5'),
        ('{"t":20,"from":"a","data":"\\u0100"}', "U+0100"),
        ('{"t":20,"from":"a","data":"12 €"}', "U+20AC"),
        ('{"t":20,"from":"a"}', '"data" or "event"'),
        ('{"t":20,"from":"a","body":{}}', '"data" or "event"'),
        ('{"t":20,"from":"a","data":"x","event":"y"}', "not both"),
        ('{"t":20,"from":"a","data":"x","body":{}}', "not both"),
        ('{"t":20,"from":"a","event":5}', '"event" is 5'),
        ('{"t":20,"from":"a","event":"e","body":[]}', '"body" is []'),
        ('{"t":20,"from":"a","event":"e","body":{"x":"\\ud800"}}', "cannot be kept"),
        ('{"t":20,"from":"a","event":"e","body":{"x":1,"x":2}}', "given twice"),
        ('{"t":20,"from":"a","data":"x","data":"y"}', "'data' is given twice"),
        ('{"t":20,"from":"a","data":"x","colour":"y"}', "'colour' is no key"),
        ('{"t":20,"w":"noon","from":"a","data":"x"}', "'noon' is not a time"),
        ('{"t":20,"w":5,"from":"a","data":"x"}', '"w" is 5'),
        ('{"t":20,"w":"2026-02-30T13:00:00Z","from":"a","data":"x"}', "no time of the calendar"),
        ('{"t":20,"from":"a","data":"x","c":"00000000"}', "checksum is '00000000'"),
        ('{"t":20,"from":"a","data":"x", "c":"00000000" }', "must stand last"),
        ('{"c":"00000000","t":20,"from":"a","data":"x"}', "must stand last"),
        ('["t",20]', "not a JSON object"),
        ("20", "not a JSON object"),
        ('{"t":20', "not JSON"),
        ('{"t":20,"from":"a","data":"x"}{', "not JSON"),
        ('{"n":' + "9" * 5000 + ',"t":20,"from":"a","data":"x"}', "digits"),
        ("[" * 100_000, "nested too deeply"),
    ],
)
def test_a_wrong_line_is_named_in_one_sentence(line: str, says: str) -> None:
    assert says in bad(line, last_n=7 if '"n":7' in line else 0, last_t_s=9.5)


def test_bytes_that_are_no_text_are_named() -> None:
    assert "UTF-8" in bad(b'{"t":1,"from":"\xff","data":""}')


def test_a_frame_without_a_header_above_it_is_named() -> None:
    item = decode_line(b'{"t":1,"from":"a","data":""}', 1, None)
    assert isinstance(item, BadLine)
    assert "no header" in item.why


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ('{"capture":1,"station":"s"}', 'lacks "started"'),
        ('{"capture":1,"started":"2026-05-12T13:00:00Z"}', 'lacks "station"'),
        ('{"capture":2,"station":"s","started":"2026-05-12T13:00:00Z"}', "format 1 only"),
        ('{"capture":true,"station":"s","started":"2026-05-12T13:00:00Z"}', "format 1 only"),
        ('{"capture":1,"station":"","started":"2026-05-12T13:00:00Z"}', '"station" is'),
        ('{"capture":1,"station":"s","started":"2026-05-12"}', "not a time"),
        ('{"capture":1,"station":"s","started":1778590800}', '"started" is 1778590800'),
        ('{"capture":1,"station":"s","started":"2026-05-12T13:00:00Z","mono":"1"}', '"mono" is'),
        ('{"capture":1,"station":"s","started":"2026-05-12T13:00:00Z","boot":1}', '"boot" is 1'),
        ('{"capture":1,"station":"s","started":"2026-05-12T13:00:00Z","journal":1}', '"journal" is 1'),
        ('{"capture":1,"station":"s","started":"2026-05-12T13:00:00Z","lake":"w"}', "'lake' is no key"),
    ],
)
def test_a_wrong_header_is_named_in_one_sentence(line: str, says: str) -> None:
    assert says in bad(line)


def test_a_journal_id_is_derived_from_the_header_and_always_the_same() -> None:
    def read(text: str) -> Header:
        item = decode_line(text.encode())
        assert isinstance(item, Header)
        return item

    plain = read('{"capture":1,"station":"s","started":"2026-05-12T13:00:00Z"}')
    spaced = read('{ "started" : "2026-05-12T15:00:00.000+02:00", "capture":1, "station":"s" }')
    other = read('{"capture":1,"station":"t","started":"2026-05-12T13:00:00Z"}')
    assert plain == spaced
    assert plain.journal_id != other.journal_id


@pytest.mark.parametrize(
    "frame",
    [
        Frame(0, 1.0, AT, "a", b""),
        Frame(1 << 53, 1.0, AT, "a", b""),
        Frame(1, float("nan"), AT, "a", b""),
        Frame(1, float("inf"), AT, "a", b""),
        Frame(1, 1.0, "2026-05-12T13:00:03Z", "a", b""),
        Frame(1, 1.0, "noon", "a", b""),
        Frame(1, 1.0, AT, "", b""),
        Frame(1, 1.0, AT, "a\n", b""),
        Frame(1, 1.0, AT, "a"),
        Frame(1, 1.0, AT, "a", b"", "event"),
        Frame(1, 1.0, AT, "a", b"", None, {"x": 1}),
        Frame(1, 1.0, AT, "a", None, ""),
        Frame(1, 1.0, AT, "a", None, "e", {"x": float("nan")}),
        Frame(1, 1.0, AT, "a", None, "e", {"x": b""}),
        Frame(1, 1.0, AT, "a", None, "e", {"x": "\ud800"}),
        Frame(1, 1.0, AT, "a", None, "e", {"x": {1: 2}}),
        Frame(1, 1.0, AT, "a", b"\xff" * (MAX_LINE_BYTES // 6)),
    ],
)
def test_what_could_not_be_read_back_is_not_written(frame: Frame) -> None:
    with pytest.raises(ValueError, match=r"."):
        encode_frame(frame)


@pytest.mark.parametrize(
    "header",
    [
        Header("", "s", AT),
        Header("j", "", AT),
        Header("j", "s", "noon"),
        Header("j", "s", AT, None, float("nan")),
    ],
)
def test_a_header_that_could_not_be_read_back_is_not_written(header: Header) -> None:
    with pytest.raises(ValueError, match=r"."):
        encode_header(header)


@pytest.mark.parametrize(
    ("text", "utc_s"),
    [
        # the first three: RFC 3339, section 5.8 (seconds since 1970 computed apart from this program)
        ("1985-04-12T23:20:50.52Z", 482196050.52),
        ("1996-12-19T16:39:57-08:00", 851042397.0),
        ("1937-01-01T12:00:27.87+00:20", -1041337172.13),
        ("1970-01-01t00:00:00z", 0.0),
        ("1970-01-01 00:00:00.0004Z", 0.0),
    ],
)
def test_rfc3339_times_are_read(text: str, utc_s: float) -> None:
    assert parse_rfc3339(text) == utc_s


@settings(deadline=None, max_examples=100)
@given(st.integers(-62_135_596_800_000, 253_402_300_799_999))
def test_milliseconds_survive_the_text(utc_ms: int) -> None:
    text = rfc3339(utc_ms / 1000)
    assert len(text) == 24
    assert parse_rfc3339(text) == utc_ms / 1000


@pytest.mark.parametrize(
    "text", ["", "2026-05-12", "2026-05-12T13:00:00", "2026-05-12T13:00Z", "２026-05-12T13:00:00Z"]
)
def test_other_writings_of_time_are_refused(text: str) -> None:
    with pytest.raises(ValueError, match="not a time"):
        parse_rfc3339(text)


@pytest.mark.parametrize("utc_s", [float("nan"), float("inf"), 1e300, 253_402_300_800.0])
def test_times_outside_the_calendar_are_refused(utc_s: float) -> None:
    with pytest.raises(ValueError, match="no time"):
        rfc3339(utc_s)
