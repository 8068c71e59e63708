"""Whose program is at the other end of a connection from this same computer, as the kernel knows it (proc(5),
`/proc/net/tcp`)."""

import socket
import sys
from ipaddress import IPv6Address, ip_address
from pathlib import Path

_TABLES = (Path("/proc/net/tcp"), Path("/proc/net/tcp6"))


def plain_address(address: str) -> str:
    """An address in its shortest form; an IPv4 address that came in through an IPv6 socket as what it is."""
    try:
        read = ip_address(address.partition("%")[0])
    except ValueError:
        return address
    if isinstance(read, IPv6Address) and read.ipv4_mapped is not None:
        read = read.ipv4_mapped
    return str(read)


def is_this_computer(address: str) -> bool:
    """Whether an address is one of the loopback network."""
    try:
        return ip_address(plain_address(address)).is_loopback
    except ValueError:
        return False


def peer_uid(
    client: tuple[str, int], server: tuple[str, int], tables: tuple[Path, ...] = _TABLES
) -> int | None:
    """The user of the program that opened the connection from `client` to `server`; None if the kernel does not say."""
    for table in tables:
        try:
            rows = table.read_text("ascii").splitlines()[1:]
        except OSError:
            continue
        wanted = {(_hex(*client, mapped), _hex(*server, mapped)) for mapped in (False, True)}
        for row in rows:
            fields = row.split()
            if len(fields) > 7 and (fields[1], fields[2]) in wanted:
                return int(fields[7])
    return None


def _hex(address: str, port: int, mapped: bool) -> str:
    """An end of a connection as the table writes it: 32-bit words in the order of this machine's bytes."""
    plain = plain_address(address)
    if ":" in plain:
        packed = socket.inet_pton(socket.AF_INET6, plain)
    else:
        packed = (b"\0" * 10 + b"\xff\xff" if mapped else b"") + socket.inet_aton(plain)
    words = (int.from_bytes(packed[at : at + 4], sys.byteorder) for at in range(0, len(packed), 4))
    return "".join(f"{word:08X}" for word in words) + f":{port:04X}"
