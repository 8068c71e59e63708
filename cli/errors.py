"""What went wrong, in one plain sentence and an exit code: a person at the water never sees a traceback."""

import re
import sys
import tempfile
import traceback
from pathlib import Path

DIFFERENT = 1  # a difference was found, or a check failed
BAD_INPUT = 2  # what was given cannot be used: a file, an option, the configuration
NOT_NOW = 3  # the station is busy, not running, or an instrument is not there
DEFECT = 70  # a fault of this program (EX_SOFTWARE of sysexits.h)

_PASSWORD = re.compile(r"(?<=://)[^/@\s]+(?=@)|(?<=password=)\S+")  # in the address of a server


class RefusedError(Exception):
    """A command cannot do what it was asked. The text is whole sentences: what, which value, what to do."""

    def __init__(self, text: str, code: int = BAD_INPUT) -> None:
        super().__init__(text)
        self.code = code


def explain(error: Exception) -> RefusedError:
    """The refusal that says what `error` means to the person who gave the command."""
    # These modules are slow to load; whoever meets an error of theirs has loaded them already.
    from ingest.store.errors import DatabaseInUse, RecordRefused, StoreBusy, StoreTrouble
    from ingest.toml_file import ConfigError

    match error:
        case RefusedError():
            return error
        case ConfigError():
            return RefusedError(str(error))
        case DatabaseInUse() | StoreBusy():
            return RefusedError(str(error), NOT_NOW)
        case StoreTrouble() | RecordRefused():
            return RefusedError(str(error))
        case OSError():
            where = f"{error.filename}: " if error.filename else ""
            return RefusedError(f"{where}{error.strerror or error}; check the name and that you may use it.")
        case _:
            return _defect(error)


def _defect(error: Exception) -> RefusedError:
    said = f"{type(error).__name__}: {error}".splitlines()[0]
    try:
        with tempfile.NamedTemporaryFile(
            "w", prefix="tallywell-fault-", suffix=".txt", delete=False, encoding="utf-8"
        ) as file:
            file.write(f"{[_PASSWORD.sub('***', word) for word in sys.argv]!r}\n")
            traceback.print_exception(error, file=file)
        where = f"report it with {Path(file.name)}"
    except OSError:
        where = "report it"
    return RefusedError(f"This is a fault of the program ({said}); {where}.", DEFECT)
