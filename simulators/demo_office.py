"""What the demo does before and after the day: the office's work, by the same commands that anybody gives."""

import json
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path
from typing import Any

from simulators.demo_day import YEARS_FILE
from simulators.demo_years import POND

_QUESTIONS = ("condition", "structure", "growth", "catch", "abundance")
# A fish of the day to correct: the longest bluegill, whose length the office reads again from a photograph.
_LONGEST = """SELECT fish_id, length_mm FROM worked_fish WHERE species = 'bluegill' AND station = 'demo'
    ORDER BY worked_up_at >= (SELECT max(opened_at) FROM survey) DESC, length_mm DESC LIMIT 1"""


class CommandFailedError(Exception):
    """A command of the office refused. One sentence."""


class Office:
    """The office of the demo: its database, and a pack for the station, in `folder`."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.database = folder / "office.sqlite"
        self.pack = folder / "pack"

    def before_the_day(self, station_file: Path) -> None:
        """The earlier years come in, and go out again as what the station needs to know."""
        self._told("office", "pull", self.folder / YEARS_FILE, "--office", self.database)
        self._told("office", "pack", POND, "--out", self.pack, "--office", self.database)
        self._told("station", "pack", self.pack, "--config", station_file)

    def after_the_day(self, station_database: Path) -> None:
        """The day comes home, one record is corrected, the next pack is written, and the numbers are asked for."""
        self._told("office", "pull", station_database, "--office", self.database)
        fish_id, length_mm = self._longest()
        self._told(
            "office", "amend", fish_id, f"length_mm={length_mm - 2:g}", "--who", "office", "--why",
            "read again from the photograph (invented)", "--office", self.database,
        )  # fmt: skip
        self._told("office", "pack", POND, "--out", self.folder / "next-pack", "--office", self.database)
        print("\nANSWERS (tallywell answer ...; each with its formula, source and fish)")
        for question in _QUESTIONS:
            print(f"  {self._first(question)}")
        report = self.folder / "report"
        self._asked("report", self.database, "--water", POND, "--out", report)
        print("\nREPORT")
        for name in ("report.html", "report.pdf"):
            print(f"  {report / name}")

    def _longest(self) -> tuple[str, float]:
        with closing(sqlite3.connect(f"file:{self.database}?mode=ro", uri=True)) as connection:
            fish_id, length_mm = connection.execute(_LONGEST).fetchone()
        return fish_id, length_mm

    def _first(self, question: str) -> str:
        """The first answer of a chapter."""
        chapter = self._asked("answer", question, "--db", self.database, "--water", POND)
        sentence: str = chapter["answers"][0]["sentence"]
        return sentence

    def _asked(self, *arguments: object) -> dict[str, Any]:
        found: dict[str, Any] = json.loads(_run(*arguments, "--json"))
        return found

    def _told(self, *arguments: object) -> None:
        print(f"  $ tallywell {' '.join(_quoted(one) for one in arguments)}")
        for line in _run(*arguments).strip().splitlines():
            print(f"      {line}".rstrip())


def _run(*arguments: object) -> str:
    command = [sys.executable, "-m", "cli", *map(str, arguments)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        raise CommandFailedError(f"tallywell {' '.join(map(str, arguments))}: {done.stderr.strip()}")
    return done.stdout


def _quoted(argument: object) -> str:
    text = str(argument)
    return f'"{text}"' if " " in text else text
