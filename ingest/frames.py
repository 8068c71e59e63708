"""The lines of a journal: what arrived, before anyone judged it, as JSON with a checksum. Pure.

A journal is a text file, one JSON object a line. The first line is the header, every other line is a frame
(`...` stands for an id or a checksum):

    {"capture":1,"station":"north bank","started":"2026-05-12T13:00:00.000Z","journal":"...","c":"..."}
    {"n":12,"t":3.2,"w":"2026-05-12T13:00:03.200Z","from":"scale","data":"412.0 g\\r\\n","c":"..."}
    {"n":13,"t":9.5,"w":"2026-05-12T13:00:09.500Z","from":"page","event":"start","body":{},"c":"..."}

`t` is seconds since `started`, measured by the monotonic clock; `w` is the wall clock (RFC 3339, UTC). Each
character U+0000..U+00FF of `data` is one byte. The header may also hold `boot`, the boot id, and `mono`, the
monotonic clock (s) at `started`. A day written by hand needs only `capture`, `station`, `started` in the
header and `t`, `from`, `data` in a line; blank lines and lines that begin with `#` are skipped.

The checksum `c` always stands last. It is the CRC-32 of gzip (RFC 1952, section 8), eight lower-case hex
digits, over the bytes of the line with `,"c":"xxxxxxxx"` and the line end taken out:

    for line in open(name, "rb"):
        line = line.rstrip(b"\\r\\n")
        if zlib.crc32(line[:-16] + b"}") != int(line[-10:-2], 16):
            print("damaged:", line)

A reader is strict, because a line that is understood only in part would be replayed as something that never
happened: a key given twice, an unknown key, NaN and Infinity make a bad line. A bad line is kept and named,
and stops nobody.
"""

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from math import inf, isfinite
from typing import Any, NoReturn
from uuid import uuid5
from zlib import crc32

from ingest.records import TALLYWELL_NAMESPACE

MAX_LINE_BYTES = 1 << 20
STEP_BACK_S = 1.0  # a time this little before the line above it is a slip of the hand, not another day
_MAX_T_S = 1e9
_MAX_N = 1 << 53  # whole numbers that every reader of JSON keeps exactly (RFC 8259, section 6)
_TAIL_BYTES = 16  # ,"c":"xxxxxxxx"}
_HEADER_KEYS = frozenset({"capture", "station", "started", "journal", "boot", "mono", "c"})
_FRAME_KEYS = frozenset({"n", "t", "w", "from", "data", "event", "body", "c"})
_RFC3339 = re.compile(
    r"[0-9]{4}-[0-9]{2}-[0-9]{2}[Tt ][0-9]{2}:[0-9]{2}:[0-9]{2}(\.[0-9]+)?([Zz]|[+-][0-9]{2}:[0-9]{2})"
)
_MS = timedelta(milliseconds=1)
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_EPOCH_WITHOUT_ZONE = datetime(1970, 1, 1)  # twice as fast to count from and to write


@dataclass(frozen=True, slots=True)
class Header:
    """The first line of a journal file. All parts of one journal have the same header.

    `started` is RFC 3339 UTC with milliseconds; `boot` the boot id of the computer and `mono` its monotonic
    clock (s) at `started`, both None in a day written by hand.
    """

    journal_id: str
    station: str
    started: str
    boot: str | None = None
    mono: float | None = None


@dataclass(slots=True)  # a frozen one takes five times as long to make, and each line of a scale makes two
class Frame:
    """One thing that arrived: bytes (`data`) or an event with its `body` (plain JSON), never both.

    `n` numbers the frames of a journal and grows; `t_s` is seconds since the journal's start and never runs
    back; `at` is the wall clock, RFC 3339 UTC with milliseconds; `source` the instrument or the door that it
    came through. `remark` is what a reader had to mend (never written).
    """

    n: int
    t_s: float
    at: str
    source: str
    data: bytes | None = None
    event: str | None = None
    body: Mapping[str, object] = field(default_factory=dict)
    remark: str | None = None


@dataclass(frozen=True, slots=True)
class BadLine:
    """A line that cannot be understood: `why` is one sentence, `raw` the line without its line end."""

    line_no: int
    why: str
    raw: bytes


@lru_cache(maxsize=8)  # a frame read and what comes of it tell the same moment several times
def rfc3339(utc_s: float) -> str:
    """Seconds since 1970-01-01T00:00:00Z as `2026-05-12T13:00:03.201Z`, rounded to a millisecond.

    Raises:
        ValueError: not a number, or outside the years 1 to 9999.
    """
    try:
        moment = _EPOCH_WITHOUT_ZONE + timedelta(milliseconds=round(utc_s * 1000))
    except (OverflowError, ValueError):
        raise ValueError(f"{utc_s} s is no time of the years 1 to 9999") from None
    return moment.isoformat(timespec="milliseconds") + "Z"


def earliest_day(at: str) -> str:
    """The day (ISO 8601) that it still is somewhere on earth at this time (RFC 3339): for limits that are rather kept a
    few hours too long, where nobody says the zone."""
    return rfc3339(parse_rfc3339(at) - 12 * 3600)[:10]


@lru_cache(maxsize=8)  # the start of a journal is asked for with each of its frames
def parse_rfc3339(text: str) -> float:
    """RFC 3339 text with an offset or Z as seconds since 1970-01-01T00:00:00Z, rounded to a millisecond.

    Raises:
        ValueError: no RFC 3339 time; the text says which and what is wanted.
    """
    if _RFC3339.fullmatch(text) is None:
        raise ValueError(f"{text!r} is not a time like 2026-05-12T13:00:00Z")
    try:
        moment = datetime.fromisoformat(text.upper())
        return round((moment - _EPOCH) / _MS) / 1000
    except (ValueError, OverflowError):
        raise ValueError(f"{text!r} is no time of the calendar") from None


def derived_journal_id(station: str, started: str, boot: str | None, mono: float | None) -> str:
    """The id of a journal whose header names none: the same for the same header, so that replay repeats."""
    return str(uuid5(TALLYWELL_NAMESPACE, "journal " + json.dumps([station, started, boot, mono])))


def encode_header(header: Header) -> bytes:
    """The header's line, with checksum and line end.

    Raises:
        ValueError: a value that `decode_line` would refuse.
    """
    fields: dict[str, object] = {
        "capture": 1,
        "station": header.station,
        "started": header.started,
        "journal": header.journal_id,
        "boot": header.boot,
        "mono": header.mono,
    }
    line = _sealed(_plain_json({key: value for key, value in fields.items() if value is not None}))
    back = decode_line(line)
    if back != header:
        raise ValueError(
            f"this header cannot be written: {back.why if isinstance(back, BadLine) else header}"
        )
    return line


def encode_frame(frame: Frame) -> bytes:
    """The frame's line, with checksum and line end; `decode_line` gives back an equal frame.

    Raises:
        ValueError: a value that `decode_line` would refuse or read as something else.
    """
    if not (0 < frame.n < _MAX_N and -_MAX_T_S <= frame.t_s <= _MAX_T_S and _is_name(frame.source)):
        raise ValueError(f"n {frame.n}, t {frame.t_s}, source {frame.source!r} cannot stand in a journal")
    if _normal_time(frame.at) != frame.at:
        raise ValueError(f"{frame.at!r} is not UTC with milliseconds like 2026-05-12T13:00:03.201Z")
    head = f'{{"n":{frame.n},"t":{frame.t_s!r},"w":"{frame.at}","from":{_QUOTE(frame.source)},'
    if frame.data is not None:
        if frame.event is not None or frame.body:
            raise ValueError(f"frame {frame.n} has both data and an event")
        line = _sealed(f'{head}"data":{_QUOTE(frame.data.decode("latin-1"))}}}')
    else:
        if frame.event is None or not _is_name(frame.event):
            raise ValueError(f"frame {frame.n} has neither data nor a printable event name")
        line = _sealed(f'{head}"event":{_QUOTE(frame.event)},"body":{_plain_json(dict(frame.body))}}}')
    if len(line) > MAX_LINE_BYTES:
        raise ValueError(f"frame {frame.n} makes a line of {len(line)} bytes; {MAX_LINE_BYTES} is the most")
    return line


def decode_line(
    raw: bytes,
    line_no: int = 1,
    header: Header | None = None,
    last_n: int = 0,
    last_t_s: float = -inf,
) -> Header | Frame | BadLine | None:
    """What one line of a journal says; None for a blank line and a comment. Never raises.

    `header` is the header above the line, `last_n` and `last_t_s` belong to the frame above it. A frame
    without `n` gets `last_n` + 1; one without `w` the wall time `started` + t. A t up to `STEP_BACK_S` before
    the frame above it is taken as equal to that frame's (the order of the file counts), and `remark` says so.
    """
    line = raw.rstrip(b"\r\n")
    if line_no == 1:
        line = line.removeprefix(b"\xef\xbb\xbf")  # editors of one family put a byte order mark there
    try:
        sealed = line[-_TAIL_BYTES:-10] == b',"c":"' and line.endswith(b'"}')
        if line.lstrip(b" \t")[:1] in (b"", b"#"):
            if sealed:
                raise ValueError(
                    "a frame with a checksum stands behind a # sign: take out the # or the checksum"
                )
            return None
        if sealed and line[-10:-2] != _checksum(line[:-_TAIL_BYTES]):
            raise ValueError(
                f"the checksum is {_shown(line[-10:-2].decode('latin-1'))} and should be "
                f"'{_checksum(line[:-_TAIL_BYTES]).decode()}': the line was changed after it was written"
            )
        fields = _DECODE(line.decode("utf-8"))
        if type(fields) is not dict:
            raise ValueError("the line is not a JSON object in braces")
        if "c" in fields and not sealed:
            raise ValueError(
                'the checksum must stand last, as ,"c":"xxxxxxxx"}: move it there or take it out'
            )
        if "capture" in fields:
            return _header(fields)
        return _frame(fields, header, last_n, last_t_s)
    except json.JSONDecodeError as error:
        return BadLine(line_no, f"the line is not JSON: {error.msg} at character {error.colno}", line)
    except UnicodeDecodeError as error:
        return BadLine(line_no, f"the line is not UTF-8 text at byte {error.start + 1}", line)
    except RecursionError:
        return BadLine(line_no, "the line is nested too deeply to be read", line)
    except ValueError as error:
        return BadLine(line_no, str(error), line)


def _header(fields: dict[str, Any]) -> Header:
    if fields["capture"] != 1 or type(fields["capture"]) is not int:
        raise ValueError(f'"capture" is {_shown(fields["capture"])}; this program reads format 1 only')
    _refuse_unknown(fields, _HEADER_KEYS, "a header")
    for key in ("station", "started"):
        if key not in fields:
            raise ValueError(f'the header lacks "{key}": write it as in "started":"2026-05-12T13:00:00Z"')
    station = _name(fields, "station")
    started = _time(fields, "started")
    boot = _name(fields, "boot") if "boot" in fields else None
    mono = _number(fields, "mono") if "mono" in fields else None
    if "journal" in fields:
        return Header(_name(fields, "journal"), station, started, boot, mono)
    return Header(derived_journal_id(station, started, boot, mono), station, started, boot, mono)


def _frame(fields: dict[str, Any], header: Header | None, last_n: int, last_t_s: float) -> Frame:
    if not fields.keys() <= _FRAME_KEYS:
        _refuse_unknown(fields, _FRAME_KEYS, "a frame")
    if header is None:
        raise ValueError('no header stands above this line: begin the file with {"capture":1,"station":...}')
    n = fields.get("n", last_n + 1)
    if type(n) is not int or not 0 < n < _MAX_N:
        raise ValueError(f'"n" is {_shown(n)}: it must be a whole number from 1')
    if n <= last_n:
        raise ValueError(f"n {n} does not grow, the frame above has n {last_n}: number upwards or omit n")
    if "t" not in fields:
        raise ValueError('"t" is missing: the seconds since the start of the file')
    t_s = _number(fields, "t")
    remark = None
    at = _time(fields, "w") if "w" in fields else rfc3339(parse_rfc3339(header.started) + t_s)
    if t_s < last_t_s:
        if t_s < last_t_s - STEP_BACK_S:
            raise ValueError(
                f"t {t_s} runs backwards, the frame above has {last_t_s}: put the lines in order"
            )
        remark = f"t {t_s} is a little before t {last_t_s} of the frame above and is taken as equal to it"
        t_s = last_t_s
    source = _name(fields, "from")
    if "data" in fields:
        if "event" in fields or "body" in fields:
            raise ValueError('a frame has either "data" or "event" with "body", not both')
        data = fields["data"]
        if type(data) is not str:
            raise ValueError(f'"data" is {_shown(data)}: it must be text in quotes')
        try:
            return Frame(n, t_s, at, source, data.encode("latin-1"), remark=remark)
        except UnicodeEncodeError as error:
            raise ValueError(
                f'"data" holds the character U+{ord(data[error.start]):04X}: each character stands for one '
                "byte, U+0000 to U+00FF"
            ) from None
    if "event" not in fields:
        raise ValueError('a frame needs "data" or "event"')
    body = fields.get("body", {})
    if type(body) is not dict:
        raise ValueError(f'"body" is {_shown(body)}: it must be an object in braces')
    _plain_json(body)
    return Frame(n, t_s, at, source, None, _name(fields, "event"), body, remark)


def _sealed(text: str) -> bytes:
    """`text`, an ASCII JSON object, with its checksum put before the closing brace, and the line end."""
    body = text[:-1].encode("ascii")
    return b'%b,"c":"%b"}\n' % (body, _checksum(body))


def _checksum(body: bytes) -> bytes:
    return b"%08x" % crc32(b"}", crc32(body))


def _plain_json(value: dict[str, Any]) -> str:
    """`value` as ASCII JSON; a ValueError if it would not read back as an equal value."""
    try:
        text = json.dumps(value, allow_nan=False, separators=(",", ":"))
        if "\\ud" in text:
            json.dumps(value, ensure_ascii=False).encode("utf-8")
        if json.loads(text) != value:
            raise ValueError(f"{_shown(value)} does not read back from JSON as it was")
    except (TypeError, UnicodeEncodeError) as error:
        raise ValueError(f"{_shown(value)} cannot be kept as JSON text: {error}") from None
    return text


def _is_name(text: str) -> bool:
    return text != "" and text.isprintable()


def _name(fields: dict[str, Any], key: str) -> str:
    value = fields.get(key)
    if type(value) is not str or not _is_name(value):
        raise ValueError(f'"{key}" is {_shown(value)}: it must be printable text in quotes')
    return value


def _number(fields: dict[str, Any], key: str) -> float:
    value = fields[key]
    if (type(value) is not float and type(value) is not int) or not -_MAX_T_S <= value <= _MAX_T_S:
        raise ValueError(f'"{key}" is {_shown(value)}: it must be a number of seconds')
    return float(value)


def _time(fields: dict[str, Any], key: str) -> str:
    value = fields[key]
    if type(value) is not str:
        raise ValueError(f'"{key}" is {_shown(value)}: write a time like "2026-05-12T13:00:00Z"')
    return _normal_time(value)


def _normal_time(text: str) -> str:
    if len(text) == 24 and text[10] == "T" and text[19] == "." and text[23] == "Z" and text.isascii():
        try:
            datetime.fromisoformat(text)
            if _RFC3339.fullmatch(text):
                return text
        except ValueError:
            pass
    return rfc3339(parse_rfc3339(text))


def _refuse_unknown(fields: dict[str, Any], known: frozenset[str], what: str) -> None:
    for key in fields:
        if key not in known:
            raise ValueError(f"{_shown(key)} is no key of {what}: correct its spelling or take it out")


def _shown(value: object) -> str:
    """`value` cut to a length that a sentence can hold."""
    text = ascii(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _no_twins(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    fields = dict(pairs)
    if len(fields) != len(pairs):
        keys = [key for key, _ in pairs]
        twice = next(key for key in keys if keys.count(key) > 1)
        raise ValueError(f"the key {_shown(twice)} is given twice: leave one")
    return fields


def _no_constant(word: str) -> NoReturn:
    raise ValueError(f"{word} is not a number that JSON knows")


def _finite(text: str) -> float:
    value = float(text)
    if not isfinite(value):
        raise ValueError(f"{_shown(text)} is too large for a number")
    return value


_DECODE = json.JSONDecoder(
    object_pairs_hook=_no_twins, parse_constant=_no_constant, parse_float=_finite
).decode
_QUOTE = json.encoder.encode_basestring_ascii
