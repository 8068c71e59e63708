"""A station with several benches on pseudo-terminals, to be brought into every state that the page can show.

Waters, fish and tags are invented.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from simulators.ptys import Pty
from tests.ingest.daemon_tools import Child, wait_for, weighing
from tests.ingest.stations import length, tag
from tests.station.page_tools import PROGRAM, address_of

KNOWN = "985120000000777"  # a fish caught six times before; nobody saves it
SAVED_AGAIN = "985120000000776"  # another one with the same captures, to be saved: tests come in any order
DRUGGED = "985120000000778"  # removed last time, on paper
BOX = tuple(f"9851200000009{n:02}" for n in range(60))  # new tags
SHAPES = {"reader": "tag_plain", "board": "board_mm", "scale": "scale_print_key"}
BENCHES = {
    "main": ("reader", "board", "scale"),
    "hasty": ("reader", "board"),  # parks a fish after a second
    "mute": ("board",),  # its board is missed after a second
    "line": ("reader", "board", "scale"),
}
CAPTURES = (
    ("2021-05-11", "Reedmace Pond", 201, 96),
    ("2022-05-17", "Reedmace Pond", 239, 176),
    ("2023-05-16", "Älgsjön – Östra viken", 263, 241),
    ("2024-05-14", "Reedmace Pond", 284, 305),
    ("2024-10-02", "Reedmace Pond", 297, 362),
    ("2025-05-13", "Reedmace Pond", 305, 389),
)


def write_stage(
    folder: Path, page: str = "", *, port: int = 0, survey: bool = True, only_main: bool = False
) -> Path:
    """The station's file with tables of tags; `page` are more lines of [page], `port` 0 is any free one."""
    folder.mkdir(parents=True, exist_ok=True)
    lines = ["[station]", 'name = "bank"', 'timezone = "America/Chicago"']
    if survey:
        lines += ["[survey]", 'water = "Reedmace Pond"', 'name = "Autumn"']
    benches = {"main": BENCHES["main"]} if only_main else BENCHES
    for bench, kinds in benches.items():
        lines += [f"[bench.{bench}]", 'species = "largemouth_bass"']
        lines += {
            "main": [
                "two_tags_s = 0.3",
                "independent_s = 0.05",
                "echo_s = 0.001",
                "command_absent_s = 0.001",
                "open_limit_s = 3600.0",
            ],
            "hasty": ["open_limit_s = 1.0"],
            "mute": [],
            "line": ['flow = "line"', "echo_s = 0.001"],
        }[bench]
        for kind in kinds:
            name = port_of(bench, kind)
            lines += ["[[instrument]]", f'name = "{name}"', f'use = "{SHAPES[kind]}"', f'bench = "{bench}"']
            lines += [f'port = "{folder.resolve() / "ports" / name}"']
            if bench == "mute":
                lines.append("silence_s = 1.0")
    lines += ["[commands.keys]", '"BLG" = "species bluegill"', '"LMB" = "species largemouth_bass"']
    lines += ["[page]", f"port = {port}", page]
    (folder / "inventory").mkdir(exist_ok=True)
    (folder / "inventory" / "box.csv").write_text("\n".join(["tag", *BOX]) + "\n")
    rows = [
        f"{code},{day},{water},largemouth_bass,{mm},{g},released"
        for code in (KNOWN, SAVED_AGAIN)
        for day, water, mm, g in CAPTURES
    ]
    rows.append(f"{DRUGGED},2025-05-13,Reedmace Pond,largemouth_bass,287,301,removed")
    (folder / "history").mkdir(exist_ok=True)
    head = "tag,date,water,species,length_mm,weight_g,fate"
    (folder / "history" / "before.csv").write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
    path = folder / "station.toml"
    path.write_text("\n".join(lines) + "\n")
    return path


def port_of(bench: str, kind: str) -> str:
    return kind if bench == "main" else f"{bench}-{kind}"


class Stage:
    """The running station, its ports and the address of its page."""

    def __init__(self, child: Child) -> None:
        self.child = child
        self.address = address_of(child)
        self._new_tags = iter(BOX)
        self._saved = 0

    def new_tag(self) -> str:
        return next(self._new_tags)

    def scan(self, code: str, bench: str = "main") -> None:
        self.child.send(port_of(bench, "reader"), tag(code), "TagSeen")

    def measure(self, mm: int, bench: str = "main") -> None:
        self.child.send(port_of(bench, "board"), length(mm), "LengthSeen")

    def weigh(self, grams: float, bench: str = "main") -> None:
        self.child.send(port_of(bench, "scale"), weighing(grams), "WeightSettled")

    def command(self, text: str, bench: str = "main") -> None:
        with self.child.client() as client:
            client.command(text, bench)

    def work_up(self, code: str, mm: int, grams: float, bench: str = "main") -> None:
        self.scan(code, bench)
        self.measure(mm, bench)
        self.weigh(grams, bench)

    def clear(self, bench: str = "main") -> None:
        """Whatever is in hand does not count: the next reading is the next fish's."""
        while self.child.ask("status")["benches"][bench]["in_hand"]:
            self.command("void", bench)

    def one_more(self) -> str:
        """A whole new fish, its tag: no two weigh the same, which would be one weighing printed twice."""
        code = self.new_tag()
        self._saved += 1
        self.work_up(code, 290 + self._saved, 312.5 + 3 * self._saved)
        return code


# --- how each state comes about -------------------------------------------------------------------------------------


def ready(stage: Stage) -> None:
    stage.command("survey close")
    stage.command("survey open")


def no_survey(stage: Stage) -> None:
    stage.command("survey close")


def in_hand(stage: Stage) -> None:
    stage.scan(stage.new_tag())
    stage.measure(287)


def saved(stage: Stage) -> None:
    stage.one_more()


def incomplete(stage: Stage) -> None:
    stage.scan(stage.new_tag())
    stage.measure(276)
    stage.command("next")


def queried(stage: Stage) -> None:
    stage.work_up(stage.new_tag(), 305, 38.5)
    stage.command("keep")


def echo(stage: Stage) -> None:
    stage.scan(stage.one_more())


def already_done(stage: Stage) -> None:
    code = stage.one_more()
    stage.one_more()
    stage.scan(code)


def recapture(stage: Stage) -> None:
    stage.scan(KNOWN)
    stage.measure(318)


def recapture_saved(stage: Stage) -> None:
    stage.work_up(SAVED_AGAIN, 318, 447)


def recapture_gone(stage: Stage) -> None:
    """A fish that was recorded as removed."""
    stage.scan(DRUGGED)


def held(stage: Stage) -> None:
    """A slipped decimal."""
    stage.work_up(stage.new_tag(), 312, 41.2)


def held_recapture(stage: Stage) -> None:
    stage.work_up(KNOWN, 318, 44.7)


def two_tags(stage: Stage) -> None:
    stage.child.ports["reader"].send(tag(stage.new_tag()) + tag(stage.new_tag()))


def parked(stage: Stage) -> None:
    """On the hasty bench."""
    stage.measure(256, "hasty")


def tag_not_read(stage: Stage) -> None:
    stage.measure(263)
    stage.weigh(229)
    stage.measure(291)


def batch(stage: Stage) -> None:
    stage.command("batch bluegill count=40, container=scale, weight=scale")


def counted(stage: Stage) -> None:
    stage.command("count bluegill 12")


def again(stage: Stage) -> None:
    saved(stage)
    stage.command("again")


def corrected(stage: Stage) -> None:
    saved(stage)
    stage.command("fate removed")


def void(stage: Stage) -> None:
    saved(stage)
    stage.command("void")


def scan_again(stage: Stage) -> None:
    stage.child.ports["reader"].send(b"98512000000090\r\n")


def line_passing(stage: Stage) -> None:
    for mm in (265, 271):
        stage.scan(stage.new_tag(), "line")
        stage.measure(mm, "line")


def line_stopped(stage: Stage) -> None:
    """One weighing was missed: every fish has its neighbour's weight."""
    lengths = (210, 390, 250, 430, 230, 360, 280, 410, 240, 380)
    for mm in lengths:
        stage.scan(stage.new_tag(), "line")
        stage.measure(mm, "line")
    for mm in lengths[1:]:
        stage.weigh(round(1.0e-5 * mm**3.07, 1), "line")


@contextmanager
def stage_on(toml: Path, *, broken: str = "") -> Iterator[Stage]:
    """The station of `write_stage`, ready. `broken` is Python that runs before the station does."""
    child = Child(toml, program=PROGRAM, broken=broken)
    text = toml.read_text()
    for name in [line.split('"')[1] for line in text.splitlines() if line.startswith("name = ")]:
        if f'/ports/{name}"' in text and name not in child.ports:
            child.ports[name] = Pty(child.folder / "ports" / name)
    try:
        child.start()
        yield Stage(child)
    finally:
        child.close()


__all__ = ["BOX", "CAPTURES", "DRUGGED", "KNOWN", "Stage", "stage_on", "wait_for", "write_stage"]
