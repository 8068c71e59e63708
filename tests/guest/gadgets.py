"""USB instruments as the kernel knows them, made in the guest: gadgets of configfs on virtual USB ports (dummy_hcd).

They are real devices to the operating system: enumerated, bound to its drivers, gone when the plug is pulled. The
ids are invented (vendor ffff).
"""

import errno
import os
import select
import subprocess
import time
import tty
from pathlib import Path

VENDOR = 0xFFFF
_CONFIGFS = Path("/sys/kernel/config")
_GADGETS = _CONFIGFS / "usb_gadget"
_PATIENCE_S = 30.0


class Gadget:
    """One instrument with one function, on the virtual port `dummy_udc.<port>`; plugged in when made."""

    def __init__(self, name: str, product: int, port: int, function: str, **attributes: int | bytes) -> None:
        if not _GADGETS.exists():
            subprocess.run(["mount", "-t", "configfs", "none", str(_CONFIGFS)], check=True)
        self.address = f"usb:{VENDOR:04x}:{product:04x}"
        self._home = _GADGETS / name
        self._udc = f"dummy_udc.{port}"
        self._function = self._home / "functions" / function
        self._function.mkdir(parents=True)
        (self._home / "idVendor").write_text(f"{VENDOR:#06x}")
        (self._home / "idProduct").write_text(f"{product:#06x}")
        (self._home / "strings/0x409").mkdir()
        (self._home / "strings/0x409/serialnumber").write_text(f"invented-{name}")
        (self._home / "strings/0x409/product").write_text(f"invented {name}")
        for key, value in attributes.items():
            (self._function / key).write_bytes(value if isinstance(value, bytes) else str(value).encode())
        configuration = self._home / "configs/c.1"
        configuration.mkdir()
        (configuration / self._function.name).symlink_to(self._function)
        self._fd: int | None = None
        self.plug()

    def plug(self) -> None:
        (self._home / "UDC").write_text(self._udc)
        state = Path("/sys/class/udc") / self._udc / "state"
        deadline = time.monotonic() + _PATIENCE_S
        while state.read_text().strip() != "configured":
            if time.monotonic() > deadline:
                raise TimeoutError(f"{self._home.name} was not taken in by the USB host")
            time.sleep(0.01)  # between two looks
        self._fd = self._opened()

    def unplug(self) -> None:
        if self._fd is not None:
            os.close(self._fd)
            self._fd = None
        (self._home / "UDC").write_text("\n")

    def say(self, data: bytes) -> None:
        """Send bytes, or one report; waits until the station's computer takes them.

        Raises:
            TimeoutError: nobody takes them.
        """
        assert self._fd is not None
        deadline = time.monotonic() + _PATIENCE_S
        while True:
            try:
                if os.write(self._fd, data) == len(data):
                    return
                raise RuntimeError(f"{self._home.name}: a part of {data!r} was not taken")
            except OSError as error:
                if error.errno not in (errno.EAGAIN, errno.ESHUTDOWN) or time.monotonic() > deadline:
                    raise
            select.select([], [self._fd], [], 0.05)

    def _opened(self) -> int | None:
        """What `say` writes to, None for a gadget that says nothing by itself."""
        raise NotImplementedError

    def _node(self, path: Path) -> int:
        deadline = time.monotonic() + _PATIENCE_S
        while True:
            try:
                return os.open(path, os.O_RDWR | os.O_NONBLOCK | os.O_NOCTTY)
            except OSError:
                if time.monotonic() > deadline:
                    raise
            time.sleep(0.01)  # between two looks


class SerialGadget(Gadget):
    """A USB serial port (CDC ACM): /dev/ttyACM... on the station's side."""

    def __init__(self, name: str, product: int, port: int) -> None:
        super().__init__(name, product, port, f"acm.{name}")

    def _opened(self) -> int:
        number = int((self._function / "port_num").read_text())
        fd = self._node(Path(f"/dev/ttyGS{number}"))
        tty.setraw(fd)
        return fd


class HidGadget(Gadget):
    """An instrument of the HID class; one `say` is one report."""

    def __init__(
        self, name: str, product: int, port: int, descriptor: bytes, size: int, *, boot_keyboard: bool
    ) -> None:
        super().__init__(
            name, product, port, f"hid.{name}",
            protocol=int(boot_keyboard), subclass=int(boot_keyboard), report_length=size, report_desc=descriptor,
        )  # fmt: skip

    def _opened(self) -> int:
        major, minor = map(int, (self._function / "dev").read_text().split(":"))
        deadline = time.monotonic() + _PATIENCE_S
        while time.monotonic() < deadline:
            for node in Path("/dev").glob("hidg*"):
                number = node.stat().st_rdev
                if (os.major(number), os.minor(number)) == (major, minor):
                    return self._node(node)
            time.sleep(0.01)  # between two looks
        raise TimeoutError(f"{self._home.name} has no node in /dev")


class StickGadget(Gadget):
    """A USB stick whose content is the file `image`. `node` is its device on the station's side, while it is in."""

    def __init__(self, name: str, product: int, port: int, image: Path) -> None:
        self.node = ""
        medium: dict[str, int | bytes] = {"lun.0/removable": 1, "lun.0/file": bytes(image)}
        super().__init__(name, product, port, f"mass_storage.{name}", **medium)

    def _opened(self) -> None:
        """Wait until the kernel has read its size. Its name is another one each time if the last one is still held."""
        deadline = time.monotonic() + _PATIENCE_S
        while time.monotonic() < deadline:
            for disk in Path("/sys/block").glob("sd*"):
                if int((disk / "size").read_text()) > 0 and Path(f"/dev/{disk.name}").is_block_device():
                    self.node = f"/dev/{disk.name}"
                    return
            time.sleep(0.01)  # between two looks
        raise TimeoutError(f"{self._home.name} has no node in /dev")
