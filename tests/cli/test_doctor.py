"""What the doctor finds: real pseudo-terminals, real processes that hold them, another user, invented rules folders."""

import os
import shutil
import stat
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from cli.doctor import Examined, Machine, examine, examine_running
from cli.listening import Listening
from drivers.transport import PortCandidate, PortEvent, PortState
from drivers.transport.holders import holders
from ingest.station_config import load_station
from simulators.ptys import Pty
from tests.cli.command_line import call, call_json
from tests.cli.invented_day import write_station
from tests.ingest.daemon_tools import quick_station, station_on, wait_for

LISTEN_S = 0.4
ENOUGH_LINES = 5
TAG_LINE = b"985120000000101\r\n"
HOLD = (
    "import os, sys, fcntl, time\n"
    "fd = os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY)\n"
    "fcntl.flock(fd, fcntl.LOCK_EX)\n"
    "print('held', flush=True)\n"
    "sys.stdin.read()\n"
)
# The file is read before: it, and Python's own files, may be root's alone.
AS_NOBODY = (
    "import os, sys\n"
    "from pathlib import Path\n"
    "from cli.doctor import examine\n"
    "from ingest.station_config import load_station\n"
    "station = load_station(Path(sys.argv[1]))\n"
    "if os.getuid() == 0:\n"
    "    os.setgroups([]); os.setgid(65534); os.setuid(65534)\n"
    "for one in examine(station, 0.3):\n"
    "    print(one.name, [fault.name for fault in one.faults], *one.faults)\n"
)


@pytest.fixture
def ports(tmp_path: Path) -> Iterator[dict[str, Pty]]:
    """Three ports that stand in the file of the station."""
    found = {name: Pty(tmp_path / name) for name in ("reader", "board", "scale")}
    write_station(tmp_path, {name: str(port.path) for name, port in found.items()})
    yield found
    for port in found.values():
        port.unplug()


@contextmanager
def saying(port: Pty, line: bytes) -> Iterator[None]:
    """The instrument repeats this line for as long as somebody listens."""
    over = threading.Event()

    def speak() -> None:
        while not over.wait(0.01):
            if port.heard:
                port.send(line)

    thread = threading.Thread(target=speak)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()


def examined(folder: Path, name: str, machine: Machine | None = None) -> Examined:
    found = examine(load_station(folder / "STATION.toml"), LISTEN_S, machine)
    return next(one for one in found if one.name == name)


def heard_out(folder: Path, name: str) -> Examined:
    """An examination that heard some lines: on a busy computer it may take longer until they come."""
    for listen_s in (LISTEN_S, 4.0, 40.0):
        found = examine(load_station(folder / "STATION.toml"), listen_s)
        one = next(one for one in found if one.name == name)
        if one.lines >= ENOUGH_LINES:
            break
    return one


def faults(one: Examined) -> dict[str, str]:
    return {fault.name: f"{fault.sentence} -> {fault.cure}" for fault in one.faults}


def test_the_time_of_listening_counts_from_the_first_word_on_the_port(
    ports: dict[str, Pty], tmp_path: Path
) -> None:
    board = load_station(tmp_path / "STATION.toml").instruments[1]
    for plugged, state in ((True, PortState.OPENED), (False, PortState.WAITING)):
        if not plugged:
            ports["board"].unplug()
        with Listening(board) as listening:
            (word,) = listening.events(0.0)
        assert isinstance(word, PortEvent)
        assert word.state is state


def test_an_instrument_that_is_understood_has_nothing_wrong(ports: dict[str, Pty], tmp_path: Path) -> None:
    with saying(ports["board"], b"312 mm\r"):
        board = heard_out(tmp_path, "board")
    assert board.faults == []
    assert board.understood > 0


def test_an_instrument_that_speaks_only_when_used_is_not_ill_for_being_silent(
    ports: dict[str, Pty], tmp_path: Path
) -> None:
    done = call("instruments", "doctor", "STATION.toml", "--for", LISTEN_S, folder=tmp_path)
    assert "nothing is wrong" in done.stdout
    assert "speaks when used" in done.stdout


def test_one_that_should_speak_and_does_not_is_silent(ports: dict[str, Pty], tmp_path: Path) -> None:
    path = tmp_path / "STATION.toml"
    path.write_text(path.read_text().replace("scale_print_key", "scale_state_prefix"))
    found = faults(examined(tmp_path, "scale"))
    assert list(found) == ["silent"]
    assert "check power, cable and plug" in found["silent"]


def test_a_port_that_is_not_there_is_named_and_the_exit_code_is_1(
    ports: dict[str, Pty], tmp_path: Path
) -> None:
    ports["scale"].unplug()
    done = call("instruments", "doctor", "STATION.toml", "--for", LISTEN_S, folder=tmp_path, expect=1)
    assert f"{ports['scale'].path} is not there: plug it in" in done.stdout
    found = call_json("instruments", "doctor", "STATION.toml", "--for", LISTEN_S, folder=tmp_path, expect=1)
    assert found["running"] is False
    assert [(one["name"], [fault["name"] for fault in one["faults"]]) for one in found["instruments"]] == [
        ("reader", []),
        ("board", []),
        ("scale", ["port_absent"]),
    ]


def test_a_busy_port_names_the_process_that_holds_it(ports: dict[str, Pty], tmp_path: Path) -> None:
    holder = subprocess.Popen(
        [sys.executable, "-c", HOLD, str(ports["scale"].path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        found = faults(examined(tmp_path, "scale"))
        assert list(found) == ["port_busy"]
        assert f"(process {holder.pid})" in found["port_busy"]
        assert [one.pid for one in holders(str(ports["scale"].path))[0]] == [holder.pid]
    finally:
        holder.communicate("")
    assert holders(str(ports["scale"].path))[0] == []


def test_garbled_bytes_mean_the_wrong_speed(ports: dict[str, Pty], tmp_path: Path) -> None:
    with saying(ports["board"], b"\xfc\x00\xe6\x80\xf8\x1e\r"):
        found = faults(heard_out(tmp_path, "board"))
    assert list(found) == ["wrong_speed"]
    assert "9600 baud, 8 data bits, parity none" in found["wrong_speed"]


def test_tag_codes_on_the_port_of_the_board_are_swapped_cables(ports: dict[str, Pty], tmp_path: Path) -> None:
    with saying(ports["board"], TAG_LINE):
        found = faults(heard_out(tmp_path, "board"))
    assert list(found) == ["other_shape"]
    assert "It says tag codes (985120000000101), which no board does" in found["other_shape"]
    assert "swap the cables" in found["other_shape"]


def test_lines_in_another_shape_are_shown(ports: dict[str, Pty], tmp_path: Path) -> None:
    with saying(ports["board"], b"HELLO 42\r"):
        found = faults(heard_out(tmp_path, "board"))
    assert "in no shape of board_mm: HELLO 42" in found["other_shape"]


def test_a_port_of_another_user_comes_with_the_group_to_join(ports: dict[str, Pty], tmp_path: Path) -> None:
    for folder in (tmp_path, *tmp_path.parents):
        if folder.owner() == tmp_path.owner() and str(folder) not in ("/", "/tmp"):
            folder.chmod(folder.stat().st_mode | stat.S_IXOTH)
    os.chmod(ports["scale"].device, 0)
    done = subprocess.run(
        [sys.executable, "-c", AS_NOBODY, str(tmp_path / "STATION.toml")],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    found = next(line for line in done.stdout.splitlines() if line.startswith("scale"))
    assert "['port_denied']" in found
    assert "may not be opened by this user" in found
    assert "usermod -aG" in found or "udev" in found


def test_two_names_of_one_port_are_one_cable(ports: dict[str, Pty], tmp_path: Path) -> None:
    (tmp_path / "again").symlink_to(ports["board"].device)
    path = tmp_path / "STATION.toml"
    path.write_text(path.read_text().replace(str(ports["scale"].path), str(tmp_path / "again")))
    assert "is the same port as that of the board" in faults(examined(tmp_path, "scale"))["same_port"]


# --- the computer ------------------------------------------------------------------------------------------------


def machine(
    tmp_path: Path, port: PortCandidate, rule: str | None = None, processes: tuple[str, ...] = ()
) -> Machine:
    """A computer with this port, this rule file and these processes."""
    rules, proc = tmp_path / "rules.d", tmp_path / "proc"
    rules.mkdir()
    if rule is not None:
        (rules / "60-tallywell.rules").write_text(rule)
    proc.mkdir()
    for pid, name in enumerate(processes, 100):
        (proc / str(pid)).mkdir()
        (proc / str(pid) / "comm").write_text(name + "\n")
    return Machine(lambda: [port], proc, (rules, tmp_path / "nowhere"))


def candidate(port: Pty) -> PortCandidate:
    return PortCandidate(port.device, "an invented adapter", vid=0xFFFF, pid=3)


MODEM_RULE = (
    'SUBSYSTEM=="usb", ATTR{idVendor}=="FFFF", ATTR{idProduct}=="0003", ENV{ID_MM_DEVICE_IGNORE}="1"\n'
)


@pytest.mark.parametrize(
    ("rule", "processes", "said"),
    [
        (None, ("ModemManager",), "copy config/udev/60-tallywell.rules to /etc/udev/rules.d"),
        ("# " + MODEM_RULE, ("ModemManager",), "write its vendor id ffff into 60-tallywell.rules"),
        (MODEM_RULE, ("ModemManager",), None),
        (None, ("bash",), None),
    ],
)
def test_a_modem_manager_without_a_rule_is_a_fault(
    ports: dict[str, Pty], tmp_path: Path, rule: str | None, processes: tuple[str, ...], said: str | None
) -> None:
    found = faults(examined(tmp_path, "board", machine(tmp_path, candidate(ports["board"]), rule, processes)))
    if said is None:
        assert found == {}
    else:
        assert said in found["rule_missing"]
        assert "ModemManager (process 100)" in found["rule_missing"]


def test_an_instrument_of_the_hid_class_needs_the_rule_in_any_case(
    ports: dict[str, Pty], tmp_path: Path
) -> None:
    path = tmp_path / "STATION.toml"
    text = path.read_text().replace("scale_print_key", "usb_scale")
    path.write_text(text.replace(str(ports["scale"].path), "usb:fffe:0001"))
    found = faults(examined(tmp_path, "scale", machine(tmp_path, candidate(ports["board"]))))
    assert "keeps it for root" in found["rule_missing"]
    assert "port_absent" in found


def test_a_program_that_takes_braille_displays_is_named_when_a_port_is_missing(
    ports: dict[str, Pty], tmp_path: Path
) -> None:
    sleeping = shutil.copy(shutil.which("sleep") or "/bin/sleep", tmp_path / "brltty")
    ports["board"].unplug()
    taker = subprocess.Popen([sleeping, "600"])
    try:
        found = faults(examined(tmp_path, "board"))
    finally:
        taker.kill()
        taker.wait()
    assert f"brltty (process {taker.pid}) runs" in found["port_taken_away"]


def test_two_adapters_with_one_name_are_a_fault_of_a_by_id_address(
    ports: dict[str, Pty], tmp_path: Path
) -> None:
    station = load_station(tmp_path / "STATION.toml")
    by_id = "/dev/serial/by-id/usb-invented-adapter-if00-port0"
    device = os.path.realpath(by_id)
    board = replace(
        station.instruments[1], port=station.instruments[1].port.model_copy(update={"address": by_id})
    )
    twin = PortCandidate(
        device, "adapter", by_path="/dev/serial/by-path/1", vid=1, pid=1, warning="share one name"
    )
    (found,) = examine(replace(station, instruments=(board,)), LISTEN_S, Machine(lambda: [twin]))
    assert (
        faults(found)["shared_name"]
        == 'share one name -> write port = "/dev/serial/by-path/1" for the one meant here.'
    )


# --- while the station runs -----------------------------------------------------------------------------------------


def test_a_running_station_tells_what_it_knows_and_keeps_its_ports(tmp_path: Path) -> None:
    toml = quick_station(tmp_path)
    with station_on(toml) as station:
        done = call("instruments", "doctor", toml, folder=tmp_path)
        assert "The station runs" in done.stderr
        assert done.stdout.count("nothing is wrong") == 3
        station.ports["scale"].unplug()
        wait_for(lambda: station.ask("status")["instruments"]["scale"]["losses"] == 1, "the loss")
        found = call_json("instruments", "doctor", toml, folder=tmp_path, expect=1)
        (fault,) = found["instruments"][2]["faults"]
        assert fault["name"] == "port_lost"


def test_silence_and_garble_that_a_running_station_met_are_faults(
    ports: dict[str, Pty], tmp_path: Path
) -> None:
    station = load_station(tmp_path / "STATION.toml")
    well = {
        "port": "opened",
        "silent": False,
        "last_error": None,
        "outcomes": {"LengthSeen": 3, "Damaged speed": 9},
    }
    status = {
        "reader": {**well, "silent": True},
        "board": {**well, "outcomes": {"Damaged speed": 3, "NotMine": 1}},
    }
    assert [list(faults(one)) for one in examine_running(station, status)] == [
        ["silent"],
        ["wrong_speed"],
        ["not_in_use"],
    ]
    assert examine_running(station, {**status, "board": well})[1].faults == []
