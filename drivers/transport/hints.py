"""Why a port cannot be opened, or was lost, in words that say what to do."""

import errno
import grp
import os
import socket
import termios
from dataclasses import dataclass
from enum import StrEnum


class Reason(StrEnum):
    ABSENT = "absent"  # not there, or gone
    DENIED = "denied"
    BUSY = "busy"
    NOT_A_PORT = "not_a_port"
    AMBIGUOUS = "ambiguous"
    OTHER = "other"


@dataclass(frozen=True, slots=True)
class Hindrance:
    reason: Reason
    sentence: str


_ABSENT = {
    errno.ENOENT: "is not there: plug it in and switch it on, and it is found by itself",
    errno.ENODEV: "is not there: plug it in and switch it on, and it is found by itself",
    errno.ENXIO: "has no device behind it: plug it in and switch it on",
    errno.EIO: "does not answer: it was unplugged or lost power",
    errno.ECONNREFUSED: "refuses the connection: start the serial server there, or correct the port number",
    errno.ETIMEDOUT: "does not answer: check network, power and address of the serial server",
    errno.EHOSTUNREACH: "cannot be reached: check network, power and address of the serial server",
    errno.ENETUNREACH: "cannot be reached: this computer has no network to it",
}
_BUSY = frozenset({errno.EBUSY, errno.EAGAIN})
_DENIED = frozenset({errno.EACCES, errno.EPERM})
_NOT_A_PORT = frozenset({errno.ENOTTY, errno.EISDIR, errno.EINVAL})


def explain_open(error: BaseException, address: str, device: str | None) -> Hindrance:
    """Why `address` (at the moment: node `device`) could not be opened."""
    number = _errno_of(error)
    at = address if device in (None, address) else f"{address} ({device})"
    if _is_unknown_host(error):
        return Hindrance(
            Reason.ABSENT, f"{at} has a host name that nobody knows: correct it, or check the network"
        )
    if number in _ABSENT:
        return Hindrance(Reason.ABSENT, f"{at} {_ABSENT[number]}")
    if number in _BUSY:
        return Hindrance(
            Reason.BUSY, f"{at} is in use by another program: close that program, and it is opened"
        )
    if number in _DENIED:
        return Hindrance(Reason.DENIED, f"{at} may not be opened by this user: {_who_may(device)}")
    if number == errno.ENOTUNIQ:
        return Hindrance(Reason.AMBIGUOUS, f"{at} {error.args[-1]}")
    if number in _NOT_A_PORT:
        return Hindrance(
            Reason.NOT_A_PORT, f"{at} is not a serial port or refuses these settings: correct the config"
        )
    return Hindrance(
        Reason.OTHER, f"{at} could not be opened, it is tried again: {error or type(error).__name__}"
    )


def explain_loss(error: BaseException, address: str) -> Hindrance:
    """What ended an open port. Any error means the same to the crew: it is gone and will be looked for."""
    if "://" in address:
        why = "broke off: check network and power of the serial server"
    elif _errno_of(error) in (None, errno.EIO, errno.ENXIO, errno.ENODEV):
        why = "was unplugged or lost power: check plug and switch"
    else:
        why = f"failed ({error or type(error).__name__}): check plug and switch"
    return Hindrance(Reason.ABSENT, f"{address} {why}")


def _errno_of(error: BaseException) -> int | None:
    """The first error number along the chain: pyserial often wraps an OSError and drops its number."""
    seen: BaseException | None = error
    while seen is not None:
        if isinstance(seen, OSError) and seen.errno is not None:
            return seen.errno
        if isinstance(seen, termios.error):  # not an OSError, though it carries a number the same way
            return int(seen.args[0])
        seen = seen.__cause__ or seen.__context__
    return None


def _is_unknown_host(error: BaseException) -> bool:
    seen: BaseException | None = error
    while seen is not None:
        if isinstance(seen, socket.gaierror):
            return True
        seen = seen.__cause__ or seen.__context__
    return False


def _who_may(device: str | None) -> str:
    try:
        group = grp.getgrgid(os.stat(device or "").st_gid).gr_name
    except (OSError, KeyError):
        group = "root"
    if group in ("root", "nogroup"):
        return "give it to a group such as dialout with a udev rule, and add the user to that group"
    return f"add the user to the group {group}, then log out and in again"
