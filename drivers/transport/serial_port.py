"""A local serial port: device node, stable link or USB identity."""

import contextlib
import fcntl
import os
import termios

import serial

from drivers.transport.ports import FindPorts, choose
from drivers.transport.settings import DevicePath, PortSettings, UsbPort

_PARITY = {
    "none": serial.PARITY_NONE,
    "even": serial.PARITY_EVEN,
    "odd": serial.PARITY_ODD,
    "mark": serial.PARITY_MARK,
    "space": serial.PARITY_SPACE,
}


class SerialLink:
    """A `Link` through pyserial.

    Never uses pyserial's `readline`: at a timeout it returns half a line, at an error it drops what it took.
    """

    def __init__(self, settings: PortSettings, where: DevicePath | UsbPort, find_ports: FindPorts) -> None:
        self._settings = settings
        self._where = where
        self._find_ports = find_ports
        self._port: serial.Serial | None = None
        self.device: str | None = None

    def open(self) -> None:
        settings = self._settings
        if isinstance(self._where, UsbPort):
            path = choose(self._where, self._find_ports())
        else:
            path = self._where.path
        self.device = os.path.realpath(path)
        port = serial.Serial()
        port.port = path
        port.baudrate = settings.baud
        port.bytesize = settings.data_bits
        port.parity = _PARITY[settings.parity]
        port.stopbits = settings.stop_bits
        port.xonxoff = port.rtscts = port.dsrdtr = False
        port.dtr, port.rts = settings.dtr, settings.rts
        port.exclusive = settings.exclusive or None
        port.timeout = None
        self._port = port
        port.open()
        if settings.exclusive:
            # pyserial's own lock binds only programs that ask for it; this one refuses every opener but root.
            fcntl.ioctl(port.fileno(), termios.TIOCEXCL)

    def read(self) -> bytes:
        port = self._port
        assert port is not None
        return port.read(port.in_waiting or 1)

    def cancel(self) -> None:
        if self._port is not None:
            self._port.cancel_read()

    def close(self) -> None:
        port, self._port = self._port, None
        if port is None:
            return
        if port.is_open and self._settings.exclusive:
            # The mark stays on a node that outlives this open (a pseudo-terminal) and would lock us out too.
            with contextlib.suppress(OSError):
                fcntl.ioctl(port.fileno(), termios.TIOCNXCL)
        with contextlib.suppress(OSError):
            port.close()
