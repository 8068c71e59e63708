"""Ports: local serial ports and serial servers on the network, one draining thread each."""

from drivers.transport.hints import Reason
from drivers.transport.ports import PortCandidate, list_ports
from drivers.transport.reader import PortReader
from drivers.transport.settings import Keepalive, PortSettings
from drivers.transport.state import Bytes, Delivery, Health, PortEvent, PortState

__all__ = [
    "Bytes",
    "Delivery",
    "Health",
    "Keepalive",
    "PortCandidate",
    "PortEvent",
    "PortReader",
    "PortSettings",
    "PortState",
    "Reason",
    "list_ports",
]
