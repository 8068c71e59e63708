"""A day of bytes as the text of a hand-written journal, and back. Pure.

Header line, then one JSON line for each piece of bytes:
{"t":3.201,"from":"scale","data":"ST,+0412.0 g\\r\\n"}
A plug pulled or put back is a `port` event with the state `lost` or `opened`; a restart is a `start` event.
"""

import json
from collections.abc import Iterable, Iterator

from ingest.frames import BadLine, Frame, Header, decode_line
from simulators.day import DayError, Deed, TimedBytes

_PORT_STATE = {Deed.UNPLUG: "lost", Deed.REPLUG: "opened"}


def capture_lines(said: Iterable[TimedBytes], station: str, started: str) -> Iterator[str]:
    """The lines of the capture, each with its line end. `started` is like 2026-05-12T13:00:00Z."""
    yield _line({"capture": 1, "station": station, "started": started})
    for item in said:
        if item.event is None:
            yield _line({"t": item.t_s, "from": item.instrument, "data": item.data.decode("latin-1")})
        elif item.event in _PORT_STATE:
            state = _PORT_STATE[item.event]
            yield _line({"t": item.t_s, "from": item.instrument, "event": "port", "body": {"state": state}})
        else:
            yield _line({"t": item.t_s, "from": station, "event": "start", "body": {}})


def read_capture(lines: Iterable[bytes]) -> list[TimedBytes]:
    """What the lines of a journal say about instruments.

    Frames that are neither bytes nor a plug nor a start are passed over: no port can play them.

    Raises:
        DayError: a line that cannot be understood, with its number and the reason.
    """
    header: Header | None = None
    said: list[TimedBytes] = []
    n, t_s = 0, float("-inf")
    for line_no, raw in enumerate(lines, 1):
        match decode_line(raw, line_no, header, n, t_s):
            case Header() as header:
                pass
            case BadLine(why=why):
                raise DayError(f"line {line_no} of the capture: {why}")
            case Frame() as frame:
                n, t_s = frame.n, frame.t_s
                event = _event(frame)
                if frame.data is not None:
                    said.append(TimedBytes(t_s, frame.source, frame.data))
                elif event is not None:
                    said.append(TimedBytes(t_s, "" if event is Deed.RESTART else frame.source, event=event))
            case None:
                pass
    if header is None:
        raise DayError(
            'the capture is empty: it begins with a line {"capture":1,"station":...,"started":...}'
        )
    return said


def _event(frame: Frame) -> Deed | None:
    if frame.event == "start":
        return Deed.RESTART
    if frame.event == "port":
        for deed, state in _PORT_STATE.items():
            if frame.body.get("state") == state:
                return deed
    return None


def _line(fields: dict[str, object]) -> str:
    return json.dumps(fields, separators=(",", ":")) + "\n"
