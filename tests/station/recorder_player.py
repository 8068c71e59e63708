"""A player that plays nothing: keeps what it would play and when its first byte came, and takes as long as a player
would. `python recorder_player.py FOLDER [ending]`; `ending`: hang (never ends), fail (exit code 1 with a complaint).

While there is a file FOLDER/hold with a number in it, the sound of that number and all after it go on."""

import os
import sys
import time
from pathlib import Path

RATE_BYTES_S = 44_100


def main() -> int:
    folder, ending = Path(sys.argv[1]), sys.argv[2] if len(sys.argv) > 2 else "play"
    name = f"{time.monotonic():.6f}-{os.getpid()}"
    (folder / f"{name}.waits").touch()
    if ending == "fail":
        print("invented: no card of this name", file=sys.stderr)
        return 1
    first = os.read(0, 1)
    first_s = time.monotonic()
    if not first:
        return 0  # told to go without having played
    (folder / f"{name}.first").write_text(repr(first_s))
    number = len(list(folder.glob("*.first")))
    data = first
    while more := os.read(0, 1 << 20):
        data += more
    (folder / f"{name}.part").write_bytes(data)
    (folder / f"{name}.part").rename(folder / f"{name}.wav")
    if ending == "hang":
        time.sleep(3600)
    time.sleep(max(0.0, first_s + (len(data) - 44) / RATE_BYTES_S - time.monotonic()))
    while is_held(folder / "hold", number):
        time.sleep(0.005)  # between two looks
    (folder / f"{name}.over").touch()
    return 0


def is_held(hold: Path, number: int) -> bool:
    try:
        return number >= int(hold.read_text())
    except FileNotFoundError:
        return False


if __name__ == "__main__":
    sys.exit(main())
