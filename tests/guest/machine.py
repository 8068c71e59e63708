"""A computer of its own: Debian's kernel in qemu (software emulation), in this computer's file tree.

The tree is read-only, with a layer in the guest's memory above it: what the guest writes is gone when it ends,
except what it writes on `disk`. What it reports comes line by line over a virtio serial port and outlives it.
"""

import json
import shlex
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterable
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from tests.guest.packages import Parts, load_order

ROOT = Path(__file__).parents[2]
REPORT_PORT = "/dev/reports"
DISK = "/dev/vda"
PATIENCE_S = 180.0
MEMORY_MB = 1024
_BOOT_MODULES = (
    "virtio_pci", "virtio_console", "virtio_blk", "virtio_rng", "9pnet_virtio", "9p", "overlay", "ext4", "crc32c_generic",
)  # fmt: skip
_INIT = """#!/bin/busybox sh
/bin/busybox --install -s /bin
export PATH=/bin
mkdir -p /proc /sys /dev /lower /layer /new
mount -t proc proc /proc
mount -t sysfs sysfs /sys
mount -t devtmpfs dev /dev
while read -r module; do insmod /modules/$module; done < /modules/order
ln -s /dev/vport*p1 {port}
mount -t 9p -o trans=virtio,version=9p2000.L,ro,msize=262144,cache=loose tree /lower
mount -t tmpfs tmpfs /layer
mkdir /layer/upper /layer/work
mount -t overlay -o lowerdir=/lower,upperdir=/layer/upper,workdir=/layer/work overlay /new
mount --move /proc /new/proc
mount --move /sys /new/sys
mount --move /dev /new/dev
mkdir -p /new/dev/pts /new/dev/shm
mount -t devpts -o ptmxmode=666 devpts /new/dev/pts
mount -t tmpfs tmpfs /new/dev/shm
mount -t tmpfs tmpfs /new/run
cp /bin/busybox /job.sh /new/run/
exec switch_root /new /run/busybox sh /run/job.sh
"""
_JOB = """export PATH=/usr/sbin:/usr/bin:/sbin:/bin HOME=/run LANG=C.UTF-8 PYTHONPATH={root}
cd {root}
{command} > /dev/ttyS0 2>&1
echo "{{\\"exit\\": $?}}" > {port}
/run/busybox sync
/run/busybox poweroff -f
"""


class GuestFailedError(AssertionError):
    """The guest ended, or was silent, before it said what was awaited; with the end of its console."""


class Machine:
    """One run of the guest: `python -m MODULE ARGUMENTS` in it, and what that reports."""

    def __init__(
        self,
        parts: Parts,
        folder: Path,
        module: str,
        *arguments: str,
        modules: Iterable[str] = (),
        options: str = "",
        disk: Path | None = None,
    ) -> None:
        """`folder` takes the reports and the console. `modules`: kernel modules beyond those of the boot, with
        `options` (module.parameter=value) on the kernel's command line. `disk`: an image, attached as `DISK`."""
        folder.mkdir(parents=True, exist_ok=True)
        self.console = folder / "console.txt"
        self._reports = folder / "reports.jsonl"
        self._reports.unlink(missing_ok=True)
        self._read = 0
        self.said: list[dict[str, Any]] = []
        start = folder / "start.cpio"
        command = shlex.join([sys.executable, "-u", "-m", module, *arguments])
        job = _JOB.format(root=shlex.quote(str(ROOT)), command=command, port=REPORT_PORT)
        start.write_bytes(_start_image(parts, [*_BOOT_MODULES, *modules], options, job))
        share = "local,path=/,mount_tag=tree,security_model=none,readonly=on,multidevs=remap"
        call = [
            *parts.qemu, "-accel", "tcg", "-cpu", "max", "-m", str(MEMORY_MB),
            "-nodefaults", "-no-user-config", "-display", "none",
            "-no-reboot", "-kernel", str(parts.kernel), "-initrd", str(start),
            "-append", f"console=ttyS0 quiet panic=1 {options}",
            "-serial", f"file:{self.console}", "-virtfs", share, "-device", "virtio-rng-pci",
            "-device", "virtio-serial-pci", "-chardev", f"file,id=reports,path={self._reports}",
            "-device", "virtserialport,chardev=reports,nr=1",
        ]  # fmt: skip
        if disk is not None:
            # cache=none: past this computer's memory, and a flush of the guest is a flush of the image
            call += ["-drive", f"file={disk},if=virtio,format=raw,cache=none"]
        self._process = subprocess.Popen(
            call, env=dict(parts.environment), stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE, text=True,
        )  # fmt: skip

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, tb: TracebackType | None
    ) -> None:
        self.cut_power()

    def cut_power(self) -> None:
        """The whole machine is gone in the middle of whatever it did (nothing happens if it has ended)."""
        if self._process.poll() is None:
            self._process.send_signal(signal.SIGKILL)
        self._process.communicate()
        self.hear()

    def hear(self) -> list[dict[str, Any]]:
        """What it has reported since the last call; all of it stays in `said`."""
        if not self._reports.exists():
            return []
        with self._reports.open("rb") as file:
            file.seek(self._read)
            new = file.read()
        whole = new[: new.rfind(b"\n") + 1]
        self._read += len(whole)
        news = [json.loads(line) for line in whole.splitlines()]
        self.said += news
        return news

    def wait_for(
        self, what: str, condition: Callable[[list[dict[str, Any]]], bool], within_s: float = PATIENCE_S
    ) -> None:
        """Wait until all that was said fulfils a condition.

        Raises:
            GuestFailedError: it never came.
        """
        deadline = time.monotonic() + within_s
        while True:
            ended = self._process.poll() is not None
            self.hear()
            if condition(self.said):
                return
            if ended or time.monotonic() > deadline:
                raise GuestFailedError(
                    f"The guest {'ended' if ended else 'was silent'} before: {what}.\n{self._last_words()}"
                )
            time.sleep(0.01)  # between two looks at the reports

    def wait_for_end(self, within_s: float = PATIENCE_S) -> list[dict[str, Any]]:
        """Wait until the job has ended well; everything that it said."""
        self.wait_for("its end", lambda said: any("exit" in one for one in said), within_s)
        if self.said[-1] != {"exit": 0}:
            raise GuestFailedError(f"The job in the guest failed.\n{self._last_words()}")
        return self.said

    def _last_words(self) -> str:
        console = self.console.read_text(errors="replace")[-6000:] if self.console.exists() else ""
        trouble = ""
        if (
            self._process.poll() is not None
            and self._process.stderr is not None
            and not self._process.stderr.closed
        ):
            trouble = self._process.stderr.read()
        return f"{console}\n{trouble}"


def _start_image(parts: Parts, wanted: list[str], options: str, job: str) -> bytes:
    """The initial file system: busybox, the kernel modules in order, and the job, as a cpio archive (newc)."""
    modules = load_order(parts.modules, wanted)
    settings: dict[str, list[str]] = {}
    for option in options.split():
        name, _, setting = option.partition(".")
        settings.setdefault(name, []).append(setting)
    order = "".join(" ".join([one.name, *settings.get(one.stem, ())]) + "\n" for one in modules)
    files: list[tuple[str, int, bytes]] = [(folder, 0o040755, b"") for folder in ("bin", "modules")]
    files += [
        ("bin/busybox", 0o100755, parts.busybox.read_bytes()),
        ("init", 0o100755, _INIT.format(port=REPORT_PORT).encode()),
    ]
    files += [("job.sh", 0o100644, job.encode()), ("modules/order", 0o100644, order.encode())]
    files += [(f"modules/{one.name}", 0o100644, one.read_bytes()) for one in modules]
    return b"".join(_cpio(*one, number) for number, one in enumerate([*files, ("TRAILER!!!", 0, b"")], 1))


def _cpio(name: str, mode: int, data: bytes, number: int) -> bytes:
    """One entry in the newc format: 110 bytes of hexadecimal header, name, content, each padded to 4 bytes."""
    name_bytes = name.encode() + b"\0"
    fields = (number, mode, 0, 0, 1, 0, len(data), 0, 0, 0, 0, len(name_bytes), 0)
    head = b"070701" + b"".join(b"%08X" % field for field in fields) + name_bytes
    return head + bytes(-len(head) % 4) + data + bytes(-len(data) % 4)
