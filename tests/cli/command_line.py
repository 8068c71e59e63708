"""Calls the commands as a person does, in a folder and with a terminal's width: in this process (quick), or the
installed `tallywell` as a program of its own."""

import json
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from contextlib import chdir
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, Self

from typer.testing import CliRunner

from cli.main import app

PROGRAM = Path(sys.executable).with_name("tallywell")
PATIENCE_S = 60.0


def environment(columns: int = 120) -> dict[str, str]:
    return {**os.environ, "COLUMNS": str(columns), "TMPDIR": os.environ.get("TMPDIR", "/tmp")}


@dataclass(frozen=True, slots=True)
class Done:
    returncode: int
    stdout: str
    stderr: str


def call(*words: object, folder: Path, columns: int = 120, expect: int | None = 0) -> Done:
    """Run the command in this process, in `folder`; `expect` is the exit code that it must have."""
    with chdir(folder):
        result = CliRunner().invoke(app, list(map(str, words)), env={"COLUMNS": str(columns)})
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return _looked_at(words, Done(result.exit_code, result.stdout, result.stderr), expect)


def call_program(*words: object, folder: Path, columns: int = 120, expect: int | None = 0) -> Done:
    """The same as a program of its own, as a person starts it."""
    done = subprocess.run(
        [PROGRAM, *map(str, words)],
        cwd=folder,
        env=environment(columns),
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        stdin=subprocess.DEVNULL,
    )
    return _looked_at(words, Done(done.returncode, done.stdout, done.stderr), expect)


def _looked_at(words: tuple[object, ...], done: Done, expect: int | None) -> Done:
    assert "Traceback" not in done.stdout + done.stderr
    assert "fault of the program" not in done.stderr
    if expect is not None:
        assert done.returncode == expect, f"{words}: {done}"
    return done


def call_json(*words: object, folder: Path, expect: int = 0) -> Any:
    """The one JSON document that it prints with --json."""
    return json.loads(call(*words, "--json", folder=folder, expect=expect).stdout)


class Running:
    """The command while it runs, and the lines that it has printed so far. A context manager; it ends with it."""

    def __init__(self, *words: object, folder: Path) -> None:
        self.out: list[str] = []
        self.said: list[str] = []
        self._changed = threading.Condition()
        self.process = subprocess.Popen(
            [PROGRAM, *map(str, words)],
            cwd=folder,
            env={**environment(), "PYTHONUNBUFFERED": "1"},
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        self._threads = [
            threading.Thread(target=self._drain, args=(stream, lines), daemon=True)
            for stream, lines in ((self.process.stdout, self.out), (self.process.stderr, self.said))
        ]
        for thread in self._threads:
            thread.start()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.process.kill()
        self.process.wait()
        for thread, stream in zip(self._threads, (self.process.stdout, self.process.stderr), strict=True):
            thread.join()
            assert stream is not None
            stream.close()

    def wait_for(self, condition: Callable[[], bool], nudge: Callable[[], object] = lambda: None) -> None:
        """Wait for a condition on its lines; `nudge` is called again and again until then."""
        deadline = time.monotonic() + PATIENCE_S
        with self._changed:
            while not condition():
                assert time.monotonic() < deadline, f"this never came: {self.out} {self.said}"
                nudge()
                self._changed.wait(0.05)

    def ended(self) -> int:
        """Its exit code, with all lines read."""
        code = self.process.wait(PATIENCE_S)
        for thread in self._threads:
            thread.join(PATIENCE_S)
        return code

    def _drain(self, stream: IO[str], lines: list[str]) -> None:
        for line in stream:
            with self._changed:
                lines.append(line)
                self._changed.notify_all()
