"""USB instruments in memory, for pyusb: a backend whose devices can be plugged, pressed, unplugged, refused."""

import errno
import json
import threading
import time
from collections import deque
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import usb.backend
import usb.core

from drivers.transport.settings import UsbPort

_VECTORS = Path(__file__).parent / "vectors" / "hid_descriptors.json"
DESCRIPTORS: dict[str, bytes] = {
    name: bytes.fromhex(text) for name, text in json.loads(_VECTORS.read_text())["descriptors"].items()
}
LANGID = 0x0409


@dataclass
class MemoryInterface:
    """One interface. `descriptor` None: it does not answer the request."""

    descriptor: bytes | None
    boot_keyboard: bool = False
    hid: bool = True
    packet_bytes: int = 8


@dataclass
class MemoryDevice:
    """One instrument on the bus, and everything that was done to it in `done`."""

    vid: int = 0xFFFF
    pid: int = 0x0001
    serial: str | None = None
    bus: int = 1
    ports: tuple[int, ...] = (2,)
    interfaces: list[MemoryInterface] = field(default_factory=list)
    kernel_driver: bool = True
    configured: bool = True
    refuses: dict[str, int] = field(default_factory=dict)  # call -> errno
    unknown: set[str] = field(default_factory=set)  # calls that this backend does not know
    done: list[str] = field(default_factory=list)
    reports: deque[bytes] = field(default_factory=deque)
    plugged: bool = True
    address: int = 5
    reading: bool = False


def memory_scale(**more: Any) -> MemoryDevice:
    return MemoryDevice(interfaces=[MemoryInterface(DESCRIPTORS["scale"])], **more)


def memory_keyboard(**more: Any) -> MemoryDevice:
    return MemoryDevice(
        interfaces=[MemoryInterface(DESCRIPTORS["keyboard"], boot_keyboard=True)], **{"pid": 2, **more}
    )


class MemoryUsb(usb.backend.IBackend):  # type: ignore[misc]  # pyusb has no types
    """The backend. Its methods are those of pyusb's `IBackend`."""

    def __init__(self, *devices: MemoryDevice) -> None:
        self.devices = list(devices)
        self._changed = threading.Condition()

    def find(self, wanted: UsbPort) -> list[Any]:
        """What `drivers.transport.usb.find_usb` gives, on this bus."""
        return list(usb.core.find(find_all=True, idVendor=wanted.vid, idProduct=wanted.pid, backend=self))

    # --- the hand at the plug ---------------------------------------------------------------------------

    def send(self, device: MemoryDevice, *reports: bytes) -> None:
        with self._changed:
            device.reports.extend(reports)
            self._changed.notify_all()

    def unplug(self, device: MemoryDevice) -> None:
        with self._changed:
            device.plugged = False
            self.devices.remove(device)
            self._changed.notify_all()

    def plug(self, device: MemoryDevice) -> None:
        with self._changed:
            device.plugged = True
            device.address += 1
            device.kernel_driver = True
            device.reports.clear()
            self.devices.append(device)

    # --- pyusb's side -----------------------------------------------------------------------------------

    def enumerate_devices(self) -> list[MemoryDevice]:
        return list(self.devices)

    def get_device_descriptor(self, dev: MemoryDevice) -> SimpleNamespace:
        return SimpleNamespace(
            bLength=18, bDescriptorType=1, bcdUSB=0x0200, bDeviceClass=0, bDeviceSubClass=0,
            bDeviceProtocol=0, bMaxPacketSize0=8, idVendor=dev.vid, idProduct=dev.pid, bcdDevice=0x0100,
            iManufacturer=0, iProduct=0, iSerialNumber=3 if dev.serial else 0, bNumConfigurations=1,
            address=dev.address, bus=dev.bus, port_number=dev.ports[-1], port_numbers=dev.ports, speed=1,
        )  # fmt: skip

    def get_configuration_descriptor(self, dev: MemoryDevice, config: int) -> SimpleNamespace:
        if config:
            raise IndexError("one configuration")
        return SimpleNamespace(
            bLength=9, bDescriptorType=2, wTotalLength=34, bNumInterfaces=len(dev.interfaces),
            bConfigurationValue=1, iConfiguration=0, bmAttributes=0x80, bMaxPower=50, extra_descriptors=[],
        )  # fmt: skip

    def get_interface_descriptor(
        self, dev: MemoryDevice, intf: int, alt: int, config: int
    ) -> SimpleNamespace:
        if intf >= len(dev.interfaces) or alt:
            raise IndexError("no such interface")
        one = dev.interfaces[intf]
        length = len(one.descriptor or b"")
        hid = [9, 0x21, 0x11, 0x01, 0, 1, 0x22, length & 0xFF, length >> 8] if length else []
        return SimpleNamespace(
            bLength=9, bDescriptorType=4, bInterfaceNumber=intf, bAlternateSetting=0, bNumEndpoints=1,
            bInterfaceClass=3 if one.hid else 0xFF, bInterfaceSubClass=int(one.boot_keyboard),
            bInterfaceProtocol=int(one.boot_keyboard), iInterface=0, extra_descriptors=hid,
        )  # fmt: skip

    def get_endpoint_descriptor(
        self, dev: MemoryDevice, ep: int, intf: int, alt: int, config: int
    ) -> SimpleNamespace:
        if ep:
            raise IndexError("one endpoint")
        return SimpleNamespace(
            bLength=7, bDescriptorType=5, bEndpointAddress=0x81 + intf, bmAttributes=3,
            wMaxPacketSize=dev.interfaces[intf].packet_bytes, bInterval=10, bRefresh=0, bSynchAddress=0,
            extra_descriptors=[],
        )  # fmt: skip

    def open_device(self, dev: MemoryDevice) -> MemoryDevice:
        self._do(dev, "open")
        return dev

    def close_device(self, dev_handle: MemoryDevice) -> None:
        dev_handle.done.append("close")

    def get_configuration(self, dev_handle: MemoryDevice) -> int:
        self._do(dev_handle, "get_configuration")
        return int(dev_handle.configured)

    def set_configuration(self, dev_handle: MemoryDevice, config_value: int) -> None:
        self._do(dev_handle, "set_configuration")
        dev_handle.configured = True

    def claim_interface(self, dev_handle: MemoryDevice, intf: int) -> None:
        self._do(dev_handle, f"claim {intf}")
        if dev_handle.kernel_driver:
            raise usb.core.USBError("Resource busy", errno=errno.EBUSY)

    def release_interface(self, dev_handle: MemoryDevice, intf: int) -> None:
        self._do(dev_handle, f"release {intf}")

    def is_kernel_driver_active(self, dev_handle: MemoryDevice, intf: int) -> bool:
        self._do(dev_handle, "is_kernel_driver_active")
        return dev_handle.kernel_driver

    def detach_kernel_driver(self, dev_handle: MemoryDevice, intf: int) -> None:
        self._do(dev_handle, f"detach {intf}")
        dev_handle.kernel_driver = False

    def attach_kernel_driver(self, dev_handle: MemoryDevice, intf: int) -> None:
        self._do(dev_handle, f"attach {intf}")
        dev_handle.kernel_driver = True

    def ctrl_transfer(self, dev_handle: MemoryDevice, *request: Any) -> int:
        """`request`: bmRequestType, bRequest, wValue, wIndex, the buffer, the timeout in ms."""
        request_type, number, value, index, data, _timeout = request
        kind = {
            (0x80, 6): "text",
            (0x81, 6): "descriptor",
            (0x21, 10): "set_idle",
            (0x21, 11): "set_protocol",
        }
        name = kind[request_type, number]
        self._do(dev_handle, name)
        if name == "text":
            answer = [4, 3, LANGID & 0xFF, LANGID >> 8]
            if value & 0xFF:
                text = (dev_handle.serial or "").encode("utf-16-le")
                answer = [len(text) + 2, 3, *text]
        elif name == "descriptor":
            found = dev_handle.interfaces[index].descriptor
            if found is None:
                raise usb.core.USBError("Pipe error", errno=errno.EPIPE)
            answer = list(found)
        else:
            return 0
        answer = answer[: len(data)]
        data[: len(answer)] = type(data)(data.typecode, answer)
        return len(answer)

    def intr_read(self, dev_handle: MemoryDevice, ep: int, intf: int, buff: Any, timeout: int) -> int:
        deadline = time.monotonic() + timeout / 1000
        with self._changed:
            dev_handle.reading = True
            while not dev_handle.reports:
                self._do(dev_handle, "read")
                left_s = deadline - time.monotonic()
                if left_s <= 0:
                    raise usb.core.USBTimeoutError("Operation timed out", errno=errno.ETIMEDOUT)
                self._changed.wait(left_s)
            report = dev_handle.reports.popleft()
        if len(report) > len(buff):
            raise usb.core.USBError("Overflow", errno=errno.EOVERFLOW)
        buff[: len(report)] = type(buff)(buff.typecode, report)
        return len(report)

    def _do(self, device: MemoryDevice, call: str) -> None:
        if call != "read":
            device.done.append(call)
        name = call.split()[0]
        if name in device.unknown:
            raise NotImplementedError(name)
        if not device.plugged:
            raise usb.core.USBError("No such device (it may have been disconnected)", errno=errno.ENODEV)
        if name in device.refuses:
            number = device.refuses[name]
            raise usb.core.USBError("refused", errno=number)
