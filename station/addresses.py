"""Under which addresses a browser finds the page."""

import fcntl
import socket
import struct
from collections.abc import Callable
from ipaddress import ip_address
from typing import Final

from ingest.station_file import PageTable

_SIOCGIFADDR: Final = 0x8915  # netdevice(7)


def own_addresses() -> list[str]:
    """The IPv4 addresses of this computer's network interfaces, without loopback."""
    found = []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as any_socket:
        for _, name in socket.if_nameindex():
            try:
                answer = fcntl.ioctl(any_socket, _SIOCGIFADDR, struct.pack("256s", name.encode()[:15]))
            except OSError:
                continue  # this interface has none
            address = socket.inet_ntoa(answer[20:24])
            if not ip_address(address).is_loopback:
                found.append(address)
    return found


def page_addresses(settings: PageTable, port: int, own: Callable[[], list[str]] = own_addresses) -> list[str]:
    """The page's addresses for the address bar: those of the network if it listens at all, else the one it listens at."""
    address = ip_address(settings.address)
    hosts = own() if address.is_unspecified else [str(address)]
    if address.is_unspecified and not hosts:
        hosts = ["127.0.0.1"]
    return [f"http://{f'[{host}]' if ':' in host else host}:{port}/" for host in [*hosts, *settings.names]]
