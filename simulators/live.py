"""Play a day on real ports: `python -m simulators.live DAY --folder DIR [--tcp] [--speed N]`.

DAY is a description of a day (.json) or a recorded day (.jsonl). The player prints a JSON line when the ports
are there, waits until a station has opened all of them, plays the day N times as fast as it was (0: flat
out), and prints a JSON line when it is over. Scales go on streaming until the standard input ends or it is
told to stop.
"""

import argparse
import json
import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import ExitStack
from pathlib import Path

from simulators.capture import read_capture
from simulators.day import DayError, Deed, TimedBytes, day_from_json, utterances
from simulators.ports import ROOM_S, Port, PtyPort, TcpPort

DRAIN_S = 2.0  # how long an unplugging hand waits for a slow station
HELD_UP_S = 0.01  # so late the player may be without the day's clock being set back
COME_BACK_S = 20.0  # how long the crew waits for an instrument that was plugged in again
_LOOK_S = 0.01


def open_ports(names: Iterable[str], folder: Path, *, tcp: bool = False) -> dict[str, Port]:
    """A port for each instrument: links in `folder`, made if it is missing, or TCP servers."""
    if tcp:
        return {name: TcpPort() for name in names}
    folder.mkdir(parents=True, exist_ok=True)
    return {name: PtyPort(folder / name.replace("/", "_")) for name in names}


def play(
    said: Iterable[TimedBytes],
    ports: Mapping[str, Port],
    speed: float,
    stop: threading.Event,
    say: Callable[[dict[str, object]], None],
    over_s: float | None = None,
) -> int:
    """Say everything at its time on its port, until `said` ends or `stop` is set; returns the bytes lost.

    speed: 40 plays 40 seconds of the day in one; 0 plays without pauses, and ends at `over_s`.
    over_s: the day's end in seconds of the day; the player tells `say` when it is reached.
    While a station has not come back to a port that was plugged in again (at most `COME_BACK_S`), or with a speed has
    not taken what was said, the day stands still, and goes on at its pace: a crew waits as well and does not hurry
    afterwards. Instruments that catch up would speak at once, in an order that no crew works in.
    """
    lost = 0
    begun_s = time.monotonic()
    over = False
    said_s = 0.0
    for item in said:
        if speed > 0:
            for port in ports.values():
                port.taken(ROOM_S)
            begun_s = max(begun_s, time.monotonic() - HELD_UP_S - said_s / speed)
            said_s = item.t_s
        if over_s is not None and item.t_s > over_s and not over:
            say({"over": True, "lost_bytes": lost})
            over = True
        if (over and speed <= 0) or (speed > 0 and _wait_until(begun_s + item.t_s / speed, stop)):
            break
        if stop.is_set():
            break
        if item.event is None:
            lost += ports[item.instrument].send(item.data)
        elif item.event is Deed.UNPLUG:
            ports[item.instrument].unplug(DRAIN_S)
        elif item.event is Deed.REPLUG:
            ports[item.instrument].replug()
            wait_for_listeners([ports[item.instrument]], stop, COME_BACK_S)
        else:
            say({"event": "restart", "t_s": item.t_s})
    if not over and not stop.is_set():
        say({"over": True, "lost_bytes": lost})
    return lost


def wait_for_listeners(ports: Iterable[Port], stop: threading.Event, within_s: float | None = None) -> bool:
    """Wait until a station has opened all ports; False if that did not happen."""
    deadline = None if within_s is None else time.monotonic() + within_s
    waiting = list(ports)
    while waiting := [port for port in waiting if not port.listening()]:
        if stop.wait(_LOOK_S) or (deadline is not None and time.monotonic() >= deadline):
            return False
    return True


def load(path: Path) -> tuple[list[str], Iterator[TimedBytes], float]:
    """The instruments of a day, what they say, and the end of the day in s.

    Raises:
        DayError: the file cannot be read as a day.
    """
    try:
        if path.suffix == ".jsonl":
            said = read_capture(path.read_bytes().splitlines())
            names = list(dict.fromkeys(item.instrument for item in said if item.instrument))
            return names, iter(said), max((item.t_s for item in said), default=0.0)
        day = day_from_json(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError) as error:
        raise DayError(f"{path} cannot be read: {error}") from None
    return list(day.instruments), utterances(day), day.duration_s


def main(arguments: list[str] | None = None) -> int:
    """The child process. Exit code 0 when told to stop or at the end of its input, 2 if there is no day."""
    parser = argparse.ArgumentParser(
        prog="python -m simulators.live", description="Play a day on real ports."
    )
    parser.add_argument("day", type=Path, help="description of a day (.json) or recorded day (.jsonl)")
    parser.add_argument("--folder", type=Path, required=True, help="where the links to the ports are made")
    parser.add_argument(
        "--tcp", action="store_true", help="TCP servers on this computer instead of serial ports"
    )
    parser.add_argument("--speed", type=float, default=1.0, help="how many times as fast; 0: without pauses")
    options = parser.parse_args(arguments)
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    try:
        names, said, over_s = load(options.day)
        with ExitStack() as closing:
            ports = open_ports(names, options.folder, tcp=options.tcp)
            for port in ports.values():
                closing.callback(port.close)
            threading.Thread(target=_stop_at_end_of_input, args=(stop,), daemon=True).start()
            _print_line({"ports": {name: port.address for name, port in ports.items()}})
            if wait_for_listeners(ports.values(), stop):
                play(said, ports, options.speed, stop, _print_line, over_s)
                stop.wait()
    except (DayError, OSError) as error:
        print(error, file=sys.stderr)
        return 2
    return 0


def _wait_until(moment_s: float, stop: threading.Event) -> bool:
    """Wait for a moment of the monotonic clock; True if told to stop before."""
    wait_s = moment_s - time.monotonic()
    return wait_s > 0 and stop.wait(wait_s)


def _stop_at_end_of_input(stop: threading.Event) -> None:
    while os.read(0, 4096):  # not sys.stdin: its lock would be held by this thread when the program ends
        pass
    stop.set()


def _print_line(fields: dict[str, object]) -> None:
    print(json.dumps(fields), flush=True)


if __name__ == "__main__":
    sys.exit(main())
