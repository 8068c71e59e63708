"""From the last byte of a tag on the wire to the crew's eyes and ears: its history in the page of a real browser, and the
first bytes of the recapture's sound in the hands of a player."""

import re
import shlex
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import TypeVar

from playwright.sync_api import Browser, Page, sync_playwright

from simulators.ptys import Pty
from tests.bench import ear
from tests.bench.contestants import (
    SAVED_S,
    START_S,
    BenchFailedError,
    daemon,
    plugged,
    running,
)
from tests.bench.days import tag_of, weight_of
from tests.bench.latency import PAUSE_S, WARM_UP
from tests.bench.measure import Goal, Line, Samples, in_turns, middle_line, tail_line
from tests.chromium import CHROMIUM_ARGUMENTS

SEEN_MS, HEARD_MS = 100.0, 50.0  # the goals
_CALIBRATIONS = 30
_BETWEEN_S = 0.1  # before each tag: a page takes 20 scenes a second at most, and real fish are seconds apart
Found = TypeVar("Found")
# Notes when the text that is waited for is in the page, by the browser's clock (ms since 1970, finer than 1 ms).
_WATCH = """() => {
    window.wanted = null;
    const clock = () => performance.timeOrigin + performance.now();
    new MutationObserver(() => {
        if (window.wanted && (document.querySelector('#history') ?? document.body).textContent.includes(window.wanted)) {
            window.wanted = null;
            window.seen = clock();
        }
    }).observe(document.body, { childList: true, characterData: true, subtree: true });
}"""
_WANT = "(text) => { window.seen = null; window.wanted = text; }"
_CLOCK = "() => performance.timeOrigin + performance.now()"


@dataclass(slots=True)
class _Crew:
    """A process between a reader and a crew: its reader's port, its page, and the log of its ear."""

    name: str
    reader: Pty
    page: Page
    ear_log: Path
    shown: Callable[[int], str]  # what the page shows of tag n, and of no other
    finish: Callable[[int], None]  # what has to happen before the next tag
    sounds: list[list[float]] = field(default_factory=list)

    def take_round(self, fish: int, turn: int) -> list[float]:
        """The times until so many fish were seen, ms; those until they were heard go to `sounds`."""
        ahead_s = _ahead_s(self.page)
        seen, heard = [], []
        for number in range(turn * (WARM_UP + fish), (turn + 1) * (WARM_UP + fish)):
            time.sleep(_BETWEEN_S)
            self.page.evaluate(_WANT, self.shown(number))
            sounds = _times(self.ear_log)
            sent_s, sent_wall_s = time.monotonic(), time.time()
            self.reader.send(tag_of(number).encode() + b"\r\n", within_s=1.0)
            times = _wait(partial(_later, self.ear_log, len(sounds)), f"the sound of tag {number}")
            seen_ms = _wait(lambda: self.page.evaluate("() => window.seen"), f"tag {number} in the page")
            heard.append((times - sent_s) * 1000)
            seen.append(seen_ms - (sent_wall_s + ahead_s) * 1000)
            self.finish(number)
        self.sounds.append(heard[WARM_UP:])
        return seen[WARM_UP:]


def seen_and_heard(folder: Path, rounds: int, fish: int) -> list[Line]:
    """Each tag is that of a fish with one earlier capture; values in ms."""
    chromium = shutil.which("chromium")
    if chromium is None:
        raise BenchFailedError("chromium is not installed")
    with ExitStack() as closing:
        playwright = closing.enter_context(sync_playwright())
        browser = playwright.chromium.launch(executable_path=chromium, args=list(CHROMIUM_ARGUMENTS))
        closing.callback(browser.close)
        bare = closing.enter_context(_bare(folder / "bare", browser))
        ours = closing.enter_context(_station(folder / "daemon", browser, rounds * (WARM_UP + fish)))
        runs = {crew.name: partial(crew.take_round, fish) for crew in (bare, ours)}
        seen = in_turns(runs, rounds)
    heard: Samples = {crew.name: crew.sounds for crew in (bare, ours)}
    return [
        *_lines("last byte of the tag -> its history in the page", seen, ours.name, bare.name, SEEN_MS),
        *_lines("last byte of the tag -> start of the sound", heard, ours.name, bare.name, HEARD_MS),
    ]


def _lines(what: str, samples: Samples, ours: str, bare: str, limit_ms: float) -> list[Line]:
    goal = Goal("ours", limit_ms)
    middle = middle_line(what, samples, ours, bare, "ms", goal=goal)
    return [middle, replace(tail_line(f"{what}, p99", samples, ours, bare, "ms"), goal=goal)]


@contextmanager
def _bare(folder: Path, browser: Browser) -> Iterator[_Crew]:
    with plugged(folder) as ports:
        log = folder / "heard"
        log.touch()
        words = [sys.executable, "-m", "tests.bench.bare_senses", str(ports["reader"].path)]
        with running([*words, shlex.join(_ear(log, "lines"))], folder, stdout=subprocess.PIPE) as process:
            assert process.stdout is not None
            with process.stdout as said:
                port = int(said.readline() or 0)
            page = _page(browser, f"http://127.0.0.1:{port}/")
            yield _Crew("bare line", ports["reader"], page, log, tag_of, lambda number: None)
            page.context.close()


@contextmanager
def _station(folder: Path, browser: Browser, fish: int) -> Iterator[_Crew]:
    log = folder / "heard"
    player = shlex.join(_ear(log, "wav"))
    more = (
        "[page]\nport = 0\n"
        f"[sounds]\nplayer = '{player}'\n"
        'leave_out = ["part", "saved", "held", "trouble", "reminder", "stick"]\n'
    )
    with daemon(folder, scale="scale_print_key", more=more, history=_captures(fish)) as station:
        log.touch()
        address = _wait(partial(_address, folder / "output"), "the page's address")
        page = _page(browser, f"{address}?bench=main")
        page.wait_for_function("() => document.getElementById('headline').textContent !== 'Opening'")

        def waits() -> bool | None:
            return (len(_times(log)) < len(log.with_suffix(".ready").read_bytes())) or None

        def finish(number: int) -> None:
            """The fish gets its measures, as every fish does; the next tag comes to an empty bench and a player that
            waits, as between real fish, which are seconds apart."""
            station.send("board", b"%d mm\r\n" % _length_of(number))
            time.sleep(PAUSE_S)
            station.send("scale", b"+ %7.1f g\r\n" % weight_of(number))
            station.wait_saved(tag_of(number))
            _wait(waits, "a player that waits")

        yield _Crew("daemon", station.ports["reader"], page, log, _earlier_of, finish)
        page.context.close()


def _length_of(number: int) -> int:
    return 250 + number % 150


def _earlier_of(number: int) -> str:
    """The earlier length as the page shows it, a number of its own for each fish."""
    return f"{_earlier_mm(number):.1f}"


def _earlier_mm(number: int) -> float:
    return 100.1 + number // 9 + number % 9 / 10


def _captures(fish: int) -> str:
    rows = (
        f"{tag_of(n)[:3]}.{tag_of(n)[3:]},2025-05-14T15:00:00Z,Alder Pond,largemouth_bass,{_earlier_of(n)},,released\n"
        for n in range(fish)
    )
    return "tag,at,water,species,length_mm,weight_g,fate\n" + "".join(rows)


def _ear(log: Path, kind: str) -> list[str]:
    return [sys.executable, "-S", "-E", ear.__file__, str(log.absolute()), kind]


def _page(browser: Browser, address: str) -> Page:
    page = browser.new_page()
    page.goto(address)
    page.evaluate(_WATCH)
    return page


def _ahead_s(page: Page) -> float:
    """By how much the browser's clock is ahead of ours: from the quickest of several answers."""
    best = (float("inf"), 0.0)
    for _ in range(_CALIBRATIONS):
        before_s = time.time()
        theirs_ms = page.evaluate(_CLOCK)
        after_s = time.time()
        best = min(best, (after_s - before_s, theirs_ms / 1000 - (before_s + after_s) / 2))
    return best[1]


def _address(output: Path) -> str | None:
    found = re.search(r"http://127\.0\.0\.1:\d+/", output.read_text())
    return found[0] if found else None


def _times(log: Path) -> list[float]:
    return [float(line) for line in log.read_text().splitlines()]


def _later(log: Path, number: int) -> float | None:
    times = _times(log)
    return times[number] if len(times) > number else None


def _wait(ask: Callable[[], Found | None], what: str) -> Found:
    deadline_s = time.monotonic() + max(SAVED_S, START_S)
    while (found := ask()) is None:
        if time.monotonic() > deadline_s:
            raise BenchFailedError(f"this never came: {what}")
        time.sleep(0.001)
    return found
