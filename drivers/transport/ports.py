"""Which serial ports this computer has, and which of them an address means."""

import errno
import os
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from serial.tools.list_ports import comports

from drivers.transport.settings import UsbPort


@dataclass(frozen=True, slots=True)
class PortCandidate:
    """One serial port. `by_id` and `by_path` are stable links; ids are the numbers of the USB descriptor."""

    device: str
    description: str
    by_id: str | None = None
    by_path: str | None = None
    vid: int | None = None
    pid: int | None = None
    serial_number: str | None = None
    location: str | None = None
    warning: str | None = None

    @property
    def usb(self) -> str | None:
        """The narrowest `usb:` address of this port, or None if it is none of USB."""
        if self.vid is None or self.pid is None:
            return None
        serial = f":{self.serial_number}" if self.serial_number else ""
        return f"usb:{self.vid:04x}:{self.pid:04x}{serial}" + (f"@{self.location}" if self.location else "")


FindPorts = Callable[[], Sequence[PortCandidate]]


def list_ports(links: Path = Path("/dev/serial")) -> list[PortCandidate]:
    """All serial ports, with a warning on those that share one by-id name."""
    by_id, by_path = _links_by_device(links / "by-id"), _links_by_device(links / "by-path")
    found = [
        PortCandidate(
            device=port.device,
            description=port.description,
            by_id=by_id.get(os.path.realpath(port.device)),
            by_path=by_path.get(os.path.realpath(port.device)),
            vid=port.vid,
            pid=port.pid,
            serial_number=port.serial_number,
            location=port.location,
        )
        for port in sorted(comports())
    ]
    return warn_of_shared_names(found)


def warn_of_shared_names(candidates: Sequence[PortCandidate]) -> list[PortCandidate]:
    """Mark ports that udev gives one and the same by-id name.

    The name is made of vendor, product, serial number, interface number (systemd, rules.d/60-serial.rules).
    The link can point to one port only: the other is hidden, and which one wins may change at any plug.
    """
    twins: defaultdict[tuple[object, ...], set[str]] = defaultdict(set)
    for port in candidates:
        if port.vid is not None and port.location is not None:
            twins[_identity(port)].add(port.location)
    marked = []
    for port in candidates:
        others = twins[_identity(port)] - {port.location} if port.location is not None else set()
        if others:
            sentence = (
                f"{port.device} and the port at {', '.join(sorted(others))} share one by-id name: "
                f"address each by its by-path link or as {port.usb}"
            )
            marked.append(replace(port, warning=sentence))
        else:
            marked.append(port)
    return marked


def choose(wanted: UsbPort, candidates: Sequence[PortCandidate]) -> str:
    """The device node of the one port that fits; OSError ENODEV if none does, ENOTUNIQ if several do."""
    fits = [
        port
        for port in candidates
        if (port.vid, port.pid) == (wanted.vid, wanted.pid)
        and wanted.serial in (None, port.serial_number)
        and wanted.location in (None, port.location)
    ]
    if not fits:
        raise OSError(errno.ENODEV, "no such USB port")
    if len(fits) > 1:
        names = ", ".join(f"{port.device} at {port.location}" for port in fits)
        raise OSError(errno.ENOTUNIQ, f"fits {len(fits)} ports ({names}): add its :serial or @location")
    return fits[0].device


def _identity(port: PortCandidate) -> tuple[object, ...]:
    interface = (port.location or "").partition(":")[2]
    return port.vid, port.pid, port.serial_number, interface


def _links_by_device(folder: Path) -> dict[str, str]:
    try:
        links = sorted(folder.iterdir())
    except OSError:
        return {}
    return {os.path.realpath(link): str(link) for link in links}
