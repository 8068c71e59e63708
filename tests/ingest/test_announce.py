"""The log and the terminal: plain, bounded, and never in the way."""

import io
import json
import logging
from pathlib import Path

from ingest.announce import BELLS, Announcer, JsonLines, Terminal, log, log_to, stop_logging
from ingest.records import Announcement, Sound

SAVED = Announcement("fish_saved", Sound.SAVED, "Saved: bass.", "left", "2026-05-12T13:00:00.000Z", "id-1")


class _Tty(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_bells_ring_on_a_terminal_and_nowhere_else() -> None:
    for out, bells in ((_Tty(), BELLS[Sound.SAVED]), (io.StringIO(), "")):
        terminal = Terminal(out)
        terminal.show(SAVED)
        terminal.close()
        assert out.getvalue() == f"13:00:00 [left] Saved: bass.{bells}\n"


def test_every_sound_has_its_bells() -> None:
    assert set(BELLS) == set(Sound)


def test_a_terminal_that_is_gone_costs_nothing() -> None:
    out = _Tty()
    terminal = Terminal(out)
    out.close()
    for _ in range(5000):
        terminal.show(SAVED)
    terminal.close()


def test_log_lines_are_json_with_the_announcement(tmp_path: Path) -> None:
    path = tmp_path / "deep" / "tallywell.log"
    handler = log_to(path)
    heard: list[dict[str, object]] = []
    announcer = Announcer(None)
    announcer.listeners.append(heard.append)
    announcer.say([SAVED])
    try:
        raise ZeroDivisionError("made by a test")
    except ZeroDivisionError:
        log.exception("a fault")
    stop_logging(handler)
    log.info("after the end")
    lines = [json.loads(line) for line in path.read_text().splitlines()]
    assert lines[0]["said"] == heard[0]
    assert lines[0]["said"]["fish_id"] == "id-1"
    assert "ZeroDivisionError: made by a test" in lines[1]["traceback"]
    assert len(lines) == 2


def test_a_log_that_cannot_be_written_is_no_error(tmp_path: Path) -> None:
    path = tmp_path / "tallywell.log"
    path.mkdir()
    handler = log_to(path)
    log.info("nobody reads this")
    stop_logging(handler)


def test_what_json_does_not_know_is_shown_all_the_same() -> None:
    record = logging.LogRecord("x", logging.INFO, "", 0, "text", None, None)
    record.said = {"path": Path("a")}
    assert json.loads(JsonLines().format(record))["said"] == {"path": "a"}
