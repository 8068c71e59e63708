"""A small invented day for the commands: one bench, six fish, a slip, a recapture, a card after the save, a void."""

import json
from collections.abc import Mapping
from pathlib import Path

RECAPTURED = "985000000000001"  # 310 mm, 400 g a year before
STOCK = tuple(f"98500000000010{number}" for number in range(6))
REMOVED_CARD, ESCAPED_KEY = "999000000000901", "07"
WATER = "Alder Pond"

_STATION = """
[station]
name = "test-bank"
timezone = "America/Chicago"

[survey]
water = "{water}"
name = "Spring"

[bench.main]
species = "largemouth_bass"

[[instrument]]
name = "reader"
use = "tag_plain"
port = "{reader}"

[[instrument]]
name = "board"
use = "board_mm"
port = "{board}"
[instrument.keys]
"08" = "note a & b"

[[instrument]]
name = "scale"
use = "scale_print_key"
port = "{scale}"

[commands.tags]
"{card}" = "fate removed"

[commands.keys]
"{key}" = "fate escaped"
"""

_FISH: tuple[tuple[str, str | None, float | None], ...] = (
    ("reader", RECAPTURED, None),
    ("board", None, 345),
    ("scale", None, 560.0),
    ("reader", STOCK[0], None),
    ("board", None, 300),
    ("scale", None, 38.5),  # a slipped decimal: the fish is held
    ("scale", None, 385.0),
    ("reader", STOCK[1], None),
    ("board", None, 280),
    ("scale", None, 300.0),
    ("reader", REMOVED_CARD, None),  # of the fish that was just saved
    ("reader", STOCK[2], None),
    ("board", None, 290),
    ("scale", None, 340.0),
)


def lines() -> list[tuple[float, str, str]]:
    """(seconds, instrument, what it sends), three seconds apart."""
    said = []
    for place, (instrument, code, value) in enumerate(_FISH):
        text = {
            "reader": f"{code}\r",
            "board": f"{value or 0:.0f} mm\r",
            "scale": f"+{value or 0:8.1f} g  \r\n",
        }
        said.append((6.0 + 3.0 * place, instrument, text[instrument]))
    return said


def write_station(folder: Path, ports: Mapping[str, str] | None = None) -> Path:
    """STATION.toml with an inventory and a history; ports that are not there unless they are given."""
    named = {name: f"/dev/no-such-{name}" for name in ("reader", "board", "scale")} | dict(ports or {})
    path = folder / "STATION.toml"
    path.write_text(_STATION.format(water=WATER, card=REMOVED_CARD, key=ESCAPED_KEY, **named))
    (folder / "inventory").mkdir(exist_ok=True)
    (folder / "inventory" / "stock.csv").write_text("tag,box\n" + "".join(f"{tag},box 1\n" for tag in STOCK))
    (folder / "history").mkdir(exist_ok=True)
    (folder / "history" / "2025.csv").write_text(
        "tag,at,water,species,length_mm,weight_g,fate\n"
        f"{RECAPTURED},2025-05-12,{WATER},largemouth_bass,310,400,released\n"
    )
    return path


def write_day(folder: Path) -> Path:
    """The recorded day, as if written by hand."""
    path = folder / "day.jsonl"
    header = {"capture": 1, "station": "test-bank", "started": "2026-05-12T13:00:00Z"}
    frames = [{"t": t_s, "from": source, "data": data} for t_s, source, data in lines()]
    command = {"t": 60.0, "from": "control", "event": "command", "body": {"command": "void"}}
    path.write_text("".join(json.dumps(line) + "\n" for line in (header, *frames, command)))
    return path
