"""Stands in for a loudspeaker in the bench: notes when the first byte of each sound came. `python ear.py LOG lines|wav`.

As `wav` it is a player: it notes in LOG.ready that it waits, takes one sound, and ends at once. As `lines` it notes every
line until its input ends.
"""

import os
import sys
import time


def main(log: str, kind: str) -> None:
    if kind == "wav":
        with open(f"{log}.ready", "ab") as out:
            out.write(b"1")
    with open(log, "ab", buffering=0) as out:
        while os.read(0, 65536):
            out.write(b"%r\n" % time.monotonic())
            if kind == "wav":
                while os.read(0, 1 << 20):
                    pass
                return


if __name__ == "__main__":
    main(*sys.argv[1:])
