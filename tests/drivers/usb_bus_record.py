"""A recorded USB bus, made by us, for umockdev: the description of one weighing instrument and what it said.

The description is umockdev's text form (its README); the traffic is a pcap file of link type 220, USB packets
with the 64-byte Linux header (kernel documentation, usbmon; struct mon_bin_hdr).
"""

import struct
from pathlib import Path

SYSFS = "/devices/pci0000:00/0000:00:14.0/usb1/1-1"
_BUS, _DEVICE = 1, 5
_INTERRUPT, _CONTROL = 1, 2
_SUBMITTED, _COMPLETED = "S", "C"
_IN_PROGRESS = -115  # the kernel's -EINPROGRESS


def write_bus(folder: Path, report_descriptor: bytes, reports: list[bytes]) -> tuple[Path, Path]:
    """Write description and traffic; give their paths."""
    described, traffic = folder / "scale.umockdev", folder / "scale.pcap"
    described.write_text(_description(len(report_descriptor)), encoding="ascii")
    setup = struct.pack("<BBHHH", 0x81, 0x06, 0x2200, 0, len(report_descriptor))
    packets = [
        _packet(1, _SUBMITTED, _CONTROL, 0x80, b"", _IN_PROGRESS, len(report_descriptor), setup),
        _packet(1, _COMPLETED, _CONTROL, 0x80, report_descriptor, 0, len(report_descriptor)),
    ]
    for number, report in enumerate(reports, 10):
        packets.append(_packet(number, _SUBMITTED, _INTERRUPT, 0x81, b"", _IN_PROGRESS, 8))
        packets.append(_packet(number, _COMPLETED, _INTERRUPT, 0x81, report, 0, len(report)))
    packets.append(_packet(99, _SUBMITTED, _INTERRUPT, 0x81, b"", _IN_PROGRESS, 8))
    head = struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 65535, 220)
    records = [
        struct.pack("<IIII", 1000, at, len(packet), len(packet)) + packet for at, packet in enumerate(packets)
    ]
    traffic.write_bytes(head + b"".join(records))
    return described, traffic


def _description(descriptor_bytes: int) -> str:
    descriptors = (
        (
            struct.pack("<BBHBBBBHHHBBBB", 18, 1, 0x200, 0, 0, 0, 8, 0xFFFF, 0x0001, 0x100, 0, 0, 0, 1)
            + struct.pack("<BBHBBBBB", 9, 2, 34, 1, 1, 0, 0x80, 50)
            + struct.pack("<BBBBBBBBB", 9, 4, 0, 0, 1, 3, 0, 0, 0)
            + struct.pack("<BBHBBBH", 9, 0x21, 0x111, 0, 1, 0x22, descriptor_bytes)
            + struct.pack("<BBBBHB", 7, 5, 0x81, 3, 8, 10)
        )
        .hex()
        .upper()
    )
    node = f"bus/usb/{_BUS:03d}/{_DEVICE:03d}"
    lines = [
        f"P: {SYSFS}", f"N: {node}={descriptors}", f"E: DEVNAME=/dev/{node}", "E: DEVTYPE=usb_device",
        "E: SUBSYSTEM=usb", f"E: BUSNUM={_BUS:03d}", f"E: DEVNUM={_DEVICE:03d}", "E: MAJOR=189", "E: MINOR=4",
        f"A: busnum={_BUS}\\n", f"A: devnum={_DEVICE}\\n", "A: speed=12\\n", "A: bConfigurationValue=1\\n",
        f"H: descriptors={descriptors}",
    ]  # fmt: skip
    return "\n".join(lines) + "\n"


def _packet(
    number: int,
    event: str,
    kind: int,
    endpoint: int,
    data: bytes,
    status: int,
    length: int,
    setup: bytes = b"",
) -> bytes:
    header = struct.pack(
        "<QBBBBHBBqiiII8siiII",
        number, ord(event), kind, endpoint, _DEVICE, _BUS, 0 if setup else ord("-"), 0 if data else ord("<"),
        1000, 0, status, length, len(data), setup, 10 if kind == _INTERRUPT else 0, 0, 0x200, 0,
    )  # fmt: skip
    return header + data
