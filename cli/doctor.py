"""What is wrong with each configured instrument, and what to do: looked at from outside, then listened to."""

import grp
import os
import pwd
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from itertools import repeat
from pathlib import Path
from typing import Any

from cli.listening import Heard, Listening
from cli.show import escaped
from drivers.outcomes import Damage, Damaged, NotMine
from drivers.tags import TagCodeError, parse_tag
from drivers.transport import PortCandidate, PortState, Reason, list_ports
from drivers.transport.holders import PROC, holders, running
from drivers.transport.ports import choose
from drivers.transport.settings import DevicePath, UsbPort
from drivers.transport.usb import RULES_FILE
from ingest.station import Station, StationInstrument

_RULE_FOLDERS = tuple(Path(root) / "udev/rules.d" for root in ("/etc", "/run", "/usr/lib", "/lib"))
_ENOUGH_LINES = 3


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is wrong. `name` is stable, `cure` says what to do."""

    name: str
    sentence: str
    cure: str


@dataclass(slots=True)
class Examined:
    """One instrument as it was found. `remarks` are no faults."""

    name: str
    port: str
    device: str | None = None
    lines: int = 0
    understood: int = 0
    faults: list[Fault] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)

    def say(self, name: str, sentence: str, cure: str) -> None:
        if all(fault.name != name for fault in self.faults):
            self.faults.append(Fault(name, sentence.rstrip("."), cure))


@dataclass(frozen=True, slots=True)
class Machine:
    """The computer that the instruments are plugged into."""

    ports: Callable[[], Sequence[PortCandidate]] = list_ports
    proc: Path = PROC
    rule_folders: tuple[Path, ...] = _RULE_FOLDERS


def examine(station: Station, for_s: float, machine: Machine | None = None) -> list[Examined]:
    """Every instrument of a station that does not run, all listened to at once for `for_s` seconds."""
    machine = machine or Machine()
    candidates = machine.ports()
    found = [_looked_at(setup, candidates, machine) for setup in station.instruments]
    _shared_nodes(found)
    with ThreadPoolExecutor(len(found)) as pool:
        list(pool.map(_listen, found, station.instruments, repeat(for_s), repeat(machine)))
    return found


def examine_running(station: Station, status: dict[str, Any]) -> list[Examined]:
    """The same from what a running station knows (`instruments` of its status), which holds the ports itself."""
    found = []
    for setup in station.instruments:
        one, known = Examined(setup.name, setup.port.address), status.get(setup.name)
        found.append(one)
        if known is None:
            one.say(
                "not_in_use", "The running station does not know it", "start the station anew with this file."
            )
            continue
        outcomes: dict[str, int] = known["outcomes"]
        garbled = outcomes.get(f"Damaged {Damage.SPEED}", 0)
        one.lines = sum(outcomes.values())
        one.understood = one.lines - sum(
            count for name, count in outcomes.items() if name.startswith(("Damaged", "NotMine"))
        )
        if known["port"] != PortState.OPENED:
            why = known["last_error"] or f"{setup.name}: its port is {known['port']}"
            one.say(
                f"port_{known['port']}",
                why,
                "the sentence says it; stop the station to have the doctor look closer.",
            )
        elif known["silent"]:
            one.say("silent", "It says nothing", _cure_of_silence(setup))
        elif garbled >= _ENOUGH_LINES and not one.understood:
            one.say("wrong_speed", f"{garbled} lines are garbled", _cure_of_speed(setup))
    return found


# --- from outside -------------------------------------------------------------------------------------------


def _looked_at(setup: StationInstrument, candidates: Sequence[PortCandidate], machine: Machine) -> Examined:
    one = Examined(setup.name, setup.port.address)
    where = setup.port.where
    plugged: PortCandidate | None = None
    if isinstance(where, DevicePath):
        one.device = os.path.realpath(where.path)
    elif isinstance(where, UsbPort) and setup.port.usb == "serial":
        try:
            one.device = choose(where, candidates)
        except OSError:
            pass  # opening it says so, in better words
    plugged = next((port for port in candidates if os.path.realpath(port.device) == one.device), None)
    if plugged is not None and plugged.warning and setup.port.address.startswith("/dev/serial/by-id/"):
        better = plugged.by_path or plugged.usb
        one.say("shared_name", plugged.warning, f'write port = "{better}" for the one meant here.')
    vid = where.vid if isinstance(where, UsbPort) else plugged.vid if plugged else None
    if vid is not None:
        _rules(one, vid, setup.port.usb == "hid", machine)
    return one


def _shared_nodes(found: Sequence[Examined]) -> None:
    """Two names of the configuration that lead to one node: the second instrument is another one's cable."""
    for index, one in enumerate(found):
        for other in found[:index]:
            if one.device is not None and one.device == other.device:
                one.say(
                    "same_port",
                    f"{one.port} is the same port as that of the {other.name} ({one.device})",
                    "name the other port in the station's file: tallywell instruments list --ports shows them.",
                )


def _rules(one: Examined, vid: int, hid: bool, machine: Machine) -> None:
    """Whether the udev rules know this vendor, where they are needed."""
    texts = [
        path.read_text(encoding="utf-8", errors="replace")
        for folder in machine.rule_folders
        if (path := folder / RULES_FILE).is_file()
    ]
    lines = [line for text in texts for line in text.splitlines() if not line.lstrip().startswith("#")]
    if any(f'=="{vid:04x}"' in line.lower() for line in lines):
        return
    modems = running({"ModemManager"}, machine.proc)
    if not hid and not modems:
        return
    what = (
        "The operating system keeps it for root and its own keyboard driver"
        if hid
        else f"{modems[0]} may try it out as a modem, and takes its port for ten seconds at each plug"
    )
    cure = (
        f"write its vendor id {vid:04x} into {RULES_FILE} and plug it in anew."
        if texts
        else f"copy config/udev/{RULES_FILE} to /etc/udev/rules.d, write its vendor id {vid:04x} into it, run "
        "udevadm control --reload, and plug it in anew."
    )
    one.say("rule_missing", f"{what}: no udev rule names it", cure)


# --- listened to --------------------------------------------------------------------------------------------


def _listen(one: Examined, setup: StationInstrument, for_s: float, machine: Machine) -> None:
    garbled, strange = 0, b""
    with Listening(setup) as listening:
        for event in listening.events(for_s):
            if isinstance(event, Heard):
                one.lines += bool(event.data.strip())
                damages = [said for said in event.outcomes if isinstance(said, Damaged)]
                garbled += any(said.damage is Damage.SPEED for said in damages)
                one.understood += any(not isinstance(said, Damaged | NotMine) for said in event.outcomes)
                if any(isinstance(said, NotMine) for said in event.outcomes):
                    strange = strange or event.data
            elif event.reason is not None:
                _not_opened(one, setup, event.reason, event.sentence.removeprefix(f"{setup.name}: "), machine)
                return
            elif event.state is PortState.LOST:
                _flaps(one, event.sentence, machine)
                return
    if one.understood:
        return
    if garbled:
        one.say("wrong_speed", f"{garbled} of {one.lines} lines are garbled", _cure_of_speed(setup))
    elif strange:
        _other_shape(one, setup, strange)
    elif one.lines == 0:
        if setup.declaration.silence_s is not None:
            one.say("silent", f"It said nothing in {for_s:g} s", _cure_of_silence(setup))
        else:
            one.remarks.append(
                f"It said nothing in {for_s:g} s, which is right for an instrument that speaks when used: use it once "
                f"while tallywell instruments watch STATION.toml {setup.name} runs."
            )


def _not_opened(
    one: Examined, setup: StationInstrument, reason: Reason, sentence: str, machine: Machine
) -> None:
    match reason:
        case Reason.ABSENT:
            cure = (
                "if it is plugged in, its name is another one: tallywell instruments list --ports shows them."
            )
            one.say("port_absent", sentence, cure)
            for taker in running({"brltty"}, machine.proc):
                one.say(
                    "port_taken_away",
                    f"{taker} runs, and claims generic USB serial adapters as Braille displays: their port vanishes",
                    "remove brltty if nobody needs a Braille display here.",
                )
        case Reason.DENIED:
            one.say("port_denied", sentence, _cure_of_denial(one.device))
        case Reason.BUSY:
            found, all_seen = holders(one.device, machine.proc) if one.device else ([], True)
            if found:
                one.say(
                    "port_busy",
                    f"{sentence}. It is held by {', '.join(map(str, found))}",
                    "end that program.",
                )
            elif all_seen:
                one.say("port_busy", sentence, "look again in a moment: who held it has just let it go.")
            else:
                cure = "run the doctor as root to see which program holds it: it is another user's."
                one.say("port_busy", sentence, cure)
        case Reason.AMBIGUOUS:
            one.say("port_ambiguous", sentence, "tallywell instruments list --ports shows what to write.")
        case _:
            one.say(f"port_{reason}", sentence, f"correct the port of {setup.name} in the station's file.")


def _flaps(one: Examined, sentence: str, machine: Machine) -> None:
    takers = running({"brltty", "ModemManager"}, machine.proc)
    cure = "check the plug and the cable."
    if takers:
        cure = f"check plug and cable; {', '.join(map(str, takers))} may take the port: remove it, or write a udev rule."
    one.say("port_lost", f"It went away while it was listened to: {sentence}", cure)


def _other_shape(one: Examined, setup: StationInstrument, line: bytes) -> None:
    text = line.decode("latin-1").strip()
    cure = "name another file with use = ...: tallywell instruments list shows them with a line of each."
    try:
        tag = parse_tag(text).text
    except TagCodeError:
        said = f"Its lines are in no shape of {setup.declaration.name}: {escaped(line)}"
    else:
        said = f"It says tag codes ({tag}), which no {setup.declaration.kind.replace('_', ' ')} does"
        cure = "a tag reader is plugged in here: swap the cables, or the ports in the station's file."
    one.say("other_shape", said, cure)


def _cure_of_denial(device: str | None) -> str:
    """Which group opens the port, and whether the user is in it already but has not logged in since."""
    try:
        group = grp.getgrgid(os.stat(device or "").st_gid)
        user = pwd.getpwuid(os.getuid()).pw_name
    except (OSError, KeyError):
        return (
            f"copy config/udev/{RULES_FILE} to /etc/udev/rules.d and write the ids of the instrument into it."
        )
    if group.gr_name in ("root", "nogroup"):
        return f"its node belongs to no group that may use it: copy config/udev/{RULES_FILE} to /etc/udev/rules.d."
    if user in group.gr_mem:
        return f"{user} was added to the group {group.gr_name} after the log-in: log out and in again."
    return f"sudo usermod -aG {group.gr_name} {user}, then log out and in again."


def _cure_of_speed(setup: StationInstrument) -> str:
    line = setup.declaration.line
    return (
        f"the station reads with {line.baud} baud, {line.data_bits} data bits, parity {line.parity}: set the instrument "
        "to that, or write its own settings under [instrument.line]; check the cable."
    )


def _cure_of_silence(setup: StationInstrument) -> str:
    said = "check power, cable and plug; set it to send by itself"
    if setup.port.where and not isinstance(setup.port.where, DevicePath | UsbPort):
        return f"{said}; check that the serial server has it on this port."
    return f"{said}; an adapter that sleeps is kept awake by config/udev/{RULES_FILE}."
