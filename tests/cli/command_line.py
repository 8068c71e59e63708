"""Calls the installed `tallywell` as a person does: a program of its own, in a folder, with a terminal's width."""

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

PROGRAM = Path(sys.executable).with_name("tallywell")
PATIENCE_S = 60.0


def environment(columns: int = 120) -> dict[str, str]:
    return {**os.environ, "COLUMNS": str(columns), "TMPDIR": os.environ.get("TMPDIR", "/tmp")}


def call(
    *words: object, folder: Path, columns: int = 120, expect: int | None = 0
) -> "subprocess.CompletedProcess[str]":
    """Run it to its end; `expect` is the exit code that it must have."""
    done = subprocess.run(
        [PROGRAM, *map(str, words)],
        cwd=folder,
        env=environment(columns),
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        stdin=subprocess.DEVNULL,
    )
    assert "Traceback" not in done.stdout + done.stderr
    if expect is not None:
        assert done.returncode == expect, f"{words}: {done.returncode}\n{done.stdout}\n{done.stderr}"
    return done


def call_json(*words: object, folder: Path, expect: int = 0) -> Any:
    """The one JSON document that it prints with --json."""
    return json.loads(call(*words, "--json", folder=folder, expect=expect).stdout)
