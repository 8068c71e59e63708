"""What the guest is made of: qemu, busybox and a stock kernel, out of Debian's own packages, unpacked into a cache.

Nothing is installed. `apt-get download` fetches a package wherever apt knows one; the cache lies outside of the
project and is made once (some 90 MB to fetch, 500 MB unpacked).
"""

import os
import platform
import re
import shutil
import subprocess
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

CACHE_VARIABLE = "TALLYWELL_GUEST_CACHE"
_TOOLS = ("qemu-system-x86", "busybox-static")
_DEPENDS = re.compile(rb"\0depends=([^\0]*)\0")
_PATIENCE_S = 600


class NoGuestError(Exception):
    """The guest cannot be had on this computer. One sentence."""


@dataclass(frozen=True, slots=True)
class Parts:
    """Where everything lies. `environment` lets qemu find its libraries."""

    qemu: tuple[str, ...]
    environment: Mapping[str, str]
    busybox: Path
    kernel: Path
    modules: Path
    mkfs: str


def guest_parts() -> Parts:
    """Everything that a guest needs, fetched at the first call.

    Raises:
        NoGuestError: it is not there and cannot be fetched.
    """
    if platform.machine() != "x86_64" or shutil.which("apt-get") is None or shutil.which("dpkg-deb") is None:
        raise NoGuestError(
            "The guest needs Debian (or a relative of it) on a 64-bit PC: its packages are used."
        )
    mkfs = shutil.which("mkfs.ext4", path=f"{os.environ.get('PATH', '')}:/usr/sbin:/sbin")
    if mkfs is None:
        raise NoGuestError("The guest's disk needs mkfs.ext4: install the package e2fsprogs.")
    cache = Path(os.environ.get(CACHE_VARIABLE) or _home_cache() / "tallywell-guest")
    root = cache / "root"
    try:
        if not (cache / "complete").exists():
            _fill(cache, root)
    except OSError as failure:
        raise NoGuestError(f"The guest's cache {cache} cannot be written: {failure}.") from None
    libraries = root / "usr/lib/x86_64-linux-gnu"
    qemu = root / "usr/bin/qemu-system-x86_64"
    firmware = [root / "usr/share/qemu", root / "usr/share/seabios", root / "usr/lib/ipxe/qemu"]
    return Parts(
        (str(qemu), *(one for folder in firmware for one in ("-L", str(folder)))),
        {**os.environ, "LD_LIBRARY_PATH": f"{libraries}:{root / 'lib/x86_64-linux-gnu'}"},
        root / "bin/busybox",
        _only(root / "boot", "vmlinuz-*"),
        _only(root / "lib/modules", "*"),
        mkfs,
    )


def load_order(modules: Path, wanted: Iterable[str]) -> list[Path]:
    """The files of these kernel modules and of all that they depend on, each after what it needs. A module that
    is no file is taken for built in."""
    files = {path.stem.replace("-", "_"): path for path in modules.rglob("*.ko")}
    order: dict[str, Path] = {}

    def add(name: str) -> None:
        path = files.get(name)
        if path is None or name in order:
            return
        found = _DEPENDS.search(path.read_bytes())
        for needed in found.group(1).decode("ascii").split(",") if found else ():
            add(needed.replace("-", "_"))
        order[name] = path

    for one in wanted:
        add(one)
    return list(order.values())


def _home_cache() -> Path:
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")


def _fill(cache: Path, root: Path) -> None:
    archives = cache / "archives"
    for folder in (root, archives):
        shutil.rmtree(folder, ignore_errors=True)
    archives.mkdir(parents=True)
    kernel = re.search(r"Depends: (linux-image-\S+)", _run("apt-cache", "depends", "linux-image-amd64"))
    if kernel is None:
        raise NoGuestError("apt knows no package linux-image-amd64: run apt-get update.")
    _run("apt-get", "download", *_missing_libraries(), *_TOOLS, kernel[1], folder=archives)
    for archive in sorted(archives.glob("*.deb")):
        _run("dpkg-deb", "--extract", str(archive), str(root))
    shutil.rmtree(archives)
    (cache / "complete").touch()


def _missing_libraries() -> list[str]:
    """The packages that qemu needs and that are not installed here."""
    options = ("--simulate", "-o", "Debug::NoLocking=1", "--no-install-recommends")
    planned = _run("apt-get", *options, "install", *_TOOLS)
    return [one for one in re.findall(r"^Inst (\S+)", planned, re.MULTILINE) if one not in _TOOLS]


def _run(*command: str, folder: Path | None = None) -> str:
    try:
        done = subprocess.run(
            command, cwd=folder, capture_output=True, text=True, timeout=_PATIENCE_S, check=False
        )
    except subprocess.TimeoutExpired:
        raise NoGuestError(f"{' '.join(command)} did not come to an end: is the network there?") from None
    if done.returncode:
        last = (done.stderr.strip() or done.stdout.strip()).splitlines()[-1:]
        raise NoGuestError(f"{' '.join(command)} failed: {' '.join(last)}")
    return done.stdout


def _only(folder: Path, pattern: str) -> Path:
    found = sorted(folder.glob(pattern))
    if not found:
        raise NoGuestError(
            f"There is no {pattern} in {folder}: delete the guest's cache, and it is made anew."
        )
    return found[-1]
