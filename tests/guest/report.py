"""What a job in the guest tells the computer outside, line by line, at once."""

import json
import os
from typing import Final

from tests.guest.machine import REPORT_PORT

PATIENCE_S: Final = 90.0  # an emulated computer is slow


class Reporter:
    """The guest's end of the report port. May be used by several threads."""

    def __init__(self) -> None:
        self._fd = os.open(REPORT_PORT, os.O_WRONLY)

    def say(self, **facts: object) -> None:
        line = json.dumps(facts).encode() + b"\n"
        if os.write(self._fd, line) != len(line):
            raise OSError(f"the report port took only a part of {line!r}")
