"""A USB instrument of the HID class (weighing instrument, keyboard-like reader) through pyusb and libusb.

Its interface is taken from the kernel's driver while it is open, so that a reader types into no window, and
given back at close, at the end of the program, and, after a crash, at the close of the next opening.
"""

import atexit
import contextlib
import errno
import threading
from collections.abc import Callable, Sequence
from typing import Any, Final

import libusb_package
import usb.core
import usb.util

from drivers.hid_descriptor import DescriptorError, parse_report_descriptor
from drivers.hid_reports import descriptor_piece
from drivers.transport.hints import Hindrance, Reason
from drivers.transport.settings import Address, UsbPort

RULES_FILE: Final = "60-tallywell.rules"

_HID_CLASS: Final = 0x03
_BOOT, _KEYBOARD = 1, 1  # subclass and protocol of a boot keyboard (HID 1.11, 4.2 and 4.3)
_HID_DESCRIPTOR, _REPORT_DESCRIPTOR = 0x21, 0x22
_GET_DESCRIPTOR, _SET_IDLE, _SET_PROTOCOL = 0x06, 0x0A, 0x0B
_IN_STANDARD_INTERFACE, _OUT_CLASS_INTERFACE = 0x81, 0x21
_INTERRUPT: Final = 0x03
_LONGEST_DESCRIPTOR: Final = 4096
_REQUEST_MS: Final = 1000
_READ_MS: Final = 200  # how long a stop may have to wait for a silent instrument

# pyusb has no type information: `Device`, `Interface` and `Endpoint` of usb.core.
Device = Any
FindUsb = Callable[[UsbPort], Sequence[Device]]


class UsbOpenError(OSError):
    """An instrument that cannot be opened, with the sentence for the crew."""

    def __init__(self, reason: Reason, sentence: str) -> None:
        super().__init__(sentence)
        self.hindrance = Hindrance(reason, sentence)


def find_usb(wanted: UsbPort) -> Sequence[Device]:
    """All devices with these ids, wherever they are plugged in."""
    backend = libusb_package.get_libusb1_backend()
    if backend is None:
        raise UsbOpenError(Reason.OTHER, "libusb cannot be loaded on this computer: install libusb-1.0")
    found: Sequence[Device] = list(
        usb.core.find(find_all=True, idVendor=wanted.vid, idProduct=wanted.pid, backend=backend)
    )
    return found


class UsbLink:
    """A `Link` to the interrupt reports of one HID interface; each `read` gives one whole report.

    The first `read` after `open` gives the piece with the report descriptor (`drivers.hid_reports`), if the
    instrument gives one.
    """

    def __init__(self, address: str, where: Address, find: FindUsb = find_usb) -> None:
        self._address = address
        self._where = where
        self._find = find
        self._stop = threading.Event()
        self._guard = threading.Lock()  # between a read and the close at the end of the program
        self._usb: Device = None
        self._taken = False  # the interface may be ours, or without a driver through us
        self._interface = 0
        self._endpoint: Device = None
        self._read_bytes = 0
        self._first: bytes | None = None
        self.device: str | None = None

    def open(self) -> None:
        where = self._where
        if not isinstance(where, UsbPort):
            raise UsbOpenError(
                Reason.NOT_A_PORT,
                f"{self._address} is no USB address: this instrument needs usb:VID:PID[:serial][@bus-port]",
            )
        atexit.register(self.close)
        try:
            self._open(where)
        except (usb.core.USBError, NotImplementedError) as error:
            raise self._explained(error) from error

    def read(self) -> bytes:
        first, self._first = self._first, None
        if first is not None:
            return first
        while not self._stop.is_set():
            try:
                with self._guard:
                    if self._endpoint is None:
                        raise OSError(errno.ENODEV, "closed at the end of the program")
                    report = bytes(self._endpoint.read(self._read_bytes, _READ_MS))
            except usb.core.USBTimeoutError:
                continue  # silence ends no report
            if report:  # an empty answer is no report, and never a zero
                return report
        return b""

    def cancel(self) -> None:
        self._stop.set()

    def close(self) -> None:
        atexit.unregister(self.close)
        with self._guard:
            device, self._usb, self._endpoint = self._usb, None, None
            if device is None:
                return
            # A device that was unplugged answers to none of these, and needs none.
            if self._taken:
                with contextlib.suppress(usb.core.USBError, NotImplementedError):
                    usb.util.release_interface(device, self._interface)
                # Also if no driver had to be taken off: a crash may have left it without one.
                with contextlib.suppress(usb.core.USBError, NotImplementedError):
                    device.attach_kernel_driver(self._interface)
            with contextlib.suppress(usb.core.USBError):
                usb.util.dispose_resources(device)

    def _open(self, where: UsbPort) -> None:
        device = self._choose(where)
        self.device = f"/dev/bus/usb/{device.bus or 0:03d}/{device.address or 0:03d}"
        self._usb = device
        interface, endpoint = _hid_interface(_configuration(device), where.location)
        if interface is None:
            raise UsbOpenError(
                Reason.NOT_A_PORT,
                f"{self._address} has no interface of the HID class that sends reports: correct the address, "
                "or use an instrument file for a serial port",
            )
        number = self._interface = interface.bInterfaceNumber
        self._taken = True
        _take_from_the_kernel(device, number)
        usb.util.claim_interface(device, number)
        if (interface.bInterfaceSubClass, interface.bInterfaceProtocol) == (_BOOT, _KEYBOARD):
            _as_boot_keyboard(device, number)
        descriptor = _report_descriptor(device, interface)
        self._first = descriptor_piece(number, descriptor) if descriptor else None
        self._read_bytes = _read_size(endpoint.wMaxPacketSize, descriptor)
        self._endpoint = endpoint

    def _choose(self, where: UsbPort) -> Device:
        fits = [
            device
            for device in self._find(where)
            if where.location is None or where.location.partition(":")[0] == _location(device)
        ]
        if where.serial is not None:
            serials = [_serial(device) for device in fits]
            fits = [device for device, serial in zip(fits, serials, strict=True) if serial == where.serial]
        if not fits:
            raise UsbOpenError(
                Reason.ABSENT,
                f"{self._address} is not there: plug it in and switch it on, and it is found by itself",
            )
        if len(fits) > 1:
            places = ", ".join(_location(device) for device in fits)
            raise UsbOpenError(
                Reason.AMBIGUOUS,
                f"{self._address} fits {len(fits)} instruments (at {places}): add its :serial or @bus-port",
            )
        return fits[0]

    def _explained(self, error: Exception) -> UsbOpenError:
        at = f"{self._address} ({self.device})" if self.device else self._address
        number = error.errno if isinstance(error, OSError) else None
        if number in (errno.EACCES, errno.EPERM):
            return UsbOpenError(
                Reason.DENIED,
                f"{at} may not be opened by this user: copy the udev rule {RULES_FILE} to /etc/udev/rules.d, "
                "write the ids of the instrument into it, add the user to the group dialout, plug in again",
            )
        if number == errno.EBUSY:
            return UsbOpenError(
                Reason.BUSY, f"{at} is in use by another program: close that program, and it is opened"
            )
        if number in (errno.ENODEV, errno.ENOENT, errno.EIO):
            return UsbOpenError(
                Reason.ABSENT, f"{at} went away while it was opened: check plug and power; it is tried again"
            )
        return UsbOpenError(Reason.OTHER, f"{at} could not be opened, it is tried again: {error}")


def _location(device: Device) -> str:
    """Bus and ports as the kernel writes them: 1-1.2."""
    return f"{device.bus}-{'.'.join(str(port) for port in device.port_numbers or ())}"


def _serial(device: Device) -> str | None:
    try:
        serial: str | None = device.serial_number
    except ValueError as error:  # pyusb's word for a device whose texts may not be read
        raise usb.core.USBError("its serial number may not be read", errno=errno.EACCES) from error
    return serial


def _configuration(device: Device) -> Any:
    try:
        return device.get_active_configuration()
    except (usb.core.USBError, NotImplementedError) as error:
        if getattr(error, "errno", None) in (errno.EACCES, errno.EPERM, errno.ENODEV):
            raise
    with contextlib.suppress(usb.core.USBError, NotImplementedError):  # not every device can be told
        device.set_configuration()
    return device[0]


def _hid_interface(configuration: Any, location: str | None) -> tuple[Any, Any]:
    """The interface that the address names (@1-1.2:1.0), else the first boot keyboard, else the first of the
    HID class; with its interrupt endpoint."""
    found = []
    for interface in configuration:
        endpoint = usb.util.find_descriptor(interface, custom_match=_is_interrupt_in)
        if interface.bInterfaceClass == _HID_CLASS and interface.bAlternateSetting == 0 and endpoint:
            found.append((interface, endpoint))
    named = (location or "").partition(":")[2]
    if named:
        value = configuration.bConfigurationValue
        found = [one for one in found if f"{value}.{one[0].bInterfaceNumber}" == named]
    found.sort(key=lambda one: (one[0].bInterfaceSubClass, one[0].bInterfaceProtocol) != (_BOOT, _KEYBOARD))
    return found[0] if found else (None, None)


def _is_interrupt_in(endpoint: Any) -> bool:
    return bool(
        usb.util.endpoint_direction(endpoint.bEndpointAddress) == usb.util.ENDPOINT_IN
        and usb.util.endpoint_type(endpoint.bmAttributes) == _INTERRUPT
    )


def _take_from_the_kernel(device: Device, interface: int) -> None:
    """Detach the kernel's driver. If that cannot be asked or done, the claim that follows will say so."""
    try:
        if device.is_kernel_driver_active(interface):
            device.detach_kernel_driver(interface)
    except NotImplementedError:
        pass
    except usb.core.USBError as error:
        if error.errno in (errno.EACCES, errno.EPERM, errno.ENODEV):
            raise


def _as_boot_keyboard(device: Device, interface: int) -> None:
    """Ask for the 8-byte reports of the boot protocol, and for reports of changes only."""
    for request in (_SET_PROTOCOL, _SET_IDLE):
        with contextlib.suppress(usb.core.USBError, NotImplementedError):  # both may be unknown to it
            device.ctrl_transfer(_OUT_CLASS_INTERFACE, request, 0, interface, None, _REQUEST_MS)


def _report_descriptor(device: Device, interface: Any) -> bytes:
    """What the interface says of its reports; b"" if it does not answer."""
    length = _descriptor_length(bytes(interface.extra_descriptors or b"")) or _LONGEST_DESCRIPTOR
    try:
        answer = device.ctrl_transfer(
            _IN_STANDARD_INTERFACE,
            _GET_DESCRIPTOR,
            _REPORT_DESCRIPTOR << 8,
            interface.bInterfaceNumber,
            length,
            _REQUEST_MS,
        )
    except usb.core.USBError as error:
        if error.errno == errno.ENODEV:
            raise
        return b""
    except NotImplementedError:
        return b""
    return bytes(answer)


def _descriptor_length(extra: bytes) -> int | None:
    """The length of the report descriptor by the HID descriptor (HID 1.11, 6.2.1) among these descriptors."""
    at = 0
    while at + 2 <= len(extra) and extra[at] >= 2:
        one = extra[at : at + extra[at]]
        if one[1] == _HID_DESCRIPTOR:
            for start in range(6, len(one) - 2, 3):
                if one[start] == _REPORT_DESCRIPTOR:
                    return int.from_bytes(one[start + 1 : start + 3], "little")
        at += extra[at]
    return None


def _read_size(packet_bytes: int, descriptor: bytes) -> int:
    """Whole packets, enough for the longest report: a shorter buffer would cut a report in two."""
    try:
        longest = parse_report_descriptor(descriptor).longest_input_bytes
    except DescriptorError:
        longest = 0
    packet_bytes = max(1, packet_bytes & 0x7FF)
    return -(-max(longest, 1) // packet_bytes) * packet_bytes
