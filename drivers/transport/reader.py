"""One thread per instrument that does nothing but drain its port, and finds the port again when it is lost.

The thread waits for nobody: an instrument whose bytes lie in the kernel gives old readings for new ones, and
what lies there at an unplug is gone.
"""

import logging
import random
import threading
import time
from collections.abc import Callable

from drivers.transport.backoff import Backoff
from drivers.transport.hints import Hindrance, explain_loss, explain_open
from drivers.transport.link import Link
from drivers.transport.network import Rfc2217Link, SocketLink
from drivers.transport.ports import FindPorts, list_ports
from drivers.transport.serial_port import SerialLink
from drivers.transport.settings import PortSettings, RawTcp, TelnetTcp
from drivers.transport.state import Bytes, Delivery, Health, PortBook, PortEvent
from drivers.transport.usb import FindUsb, UsbLink, UsbOpenError, find_usb

_log = logging.getLogger(__name__)

Wait = Callable[[threading.Event, float], object]


def wait_for_stop(stop: threading.Event, seconds: float) -> None:
    """Wait so long, or until the event is set."""
    stop.wait(seconds)


def make_link(
    settings: PortSettings, find_ports: FindPorts = list_ports, find_hid: FindUsb = find_usb
) -> Link:
    """The unopened connection that these settings ask for."""
    where = settings.where
    if settings.usb == "hid":
        return UsbLink(settings.address, where, find_hid)
    if isinstance(where, RawTcp):
        return SocketLink(settings, where)
    if isinstance(where, TelnetTcp):
        return Rfc2217Link(settings, where.url)
    return SerialLink(settings, where, find_ports)


class PortReader:
    """Reads one port for ever and hands over `Bytes` and `PortEvent`s through `deliver`.

    `deliver` runs in the reader's thread and must return at once (a queue's `put`). `wait` is how the thread
    waits between two tries, `chance` its dice (0 to 1); `find_ports` and `find_hid` are what `usb:` addresses
    are looked up in.
    """

    def __init__(
        self,
        name: str,
        settings: PortSettings,
        deliver: Callable[[Delivery], None],
        clock: Callable[[], float] = time.monotonic,
        *,
        wait: Wait = wait_for_stop,
        chance: Callable[[], float] = random.random,
        find_ports: FindPorts = list_ports,
        find_hid: FindUsb = find_usb,
    ) -> None:
        self.name = name
        self._settings = settings
        self._deliver = deliver
        self._clock = clock
        self._wait = wait
        self._backoff = Backoff(chance)
        self._find_ports = find_ports
        self._find_hid = find_hid
        self._lock = threading.Lock()  # guards the book, and the link against a cancel that meets its close
        self._book = PortBook(name, clock())
        self._link: Link | None = None
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Start the thread; also again after `stop` or after it broke. RuntimeError if it still runs."""
        if self._thread is not None and self._thread.is_alive():
            raise RuntimeError(f"the reader of {self.name} runs already")
        self._stop = threading.Event()
        with self._lock:
            self._book.started(self._clock())
            self._book.busy(self._clock())
        self._thread = threading.Thread(
            target=self._run, args=(self._stop,), name=f"port {self.name}", daemon=True
        )
        self._thread.start()

    def stop(self, within_s: float = 2.0) -> bool:
        """Stop and close. False if the thread is stuck in the operating system and was left behind.

        Only the reader's own thread closes the port: closing it under a blocked read makes pyserial raise
        TypeError, or worse, read from whatever got the same descriptor next.
        """
        self._stop.set()
        with self._lock:
            if self._link is not None:
                self._link.cancel()
        if self._thread is None:
            return True
        self._thread.join(within_s)
        return not self._thread.is_alive()

    def health(self) -> Health:
        """The port's state now; may be called from any thread."""
        with self._lock:
            return self._book.health(self._clock())

    def _run(self, stop: threading.Event) -> None:
        try:
            while not stop.is_set():
                self._one_connection(stop)
            with self._lock:
                event = self._book.stopped(self._clock())
                self._book.busy(None)
            self._deliver(event)
        except BaseException as bug:  # nobody joins this thread to see what it died of
            _log.exception("the reader of %s failed", self.name)
            with self._lock:
                event = self._book.broken(bug, time.monotonic())
            try:
                self._deliver(event)
            except BaseException:
                _log.exception("nobody could be told that the reader of %s failed", self.name)

    def _one_connection(self, stop: threading.Event) -> None:
        """Open, drain until it is lost, close, tell, wait."""
        link = make_link(self._settings, self._find_ports, self._find_hid)
        with self._lock:
            self._link = link
        opened = False
        try:
            obstacle = None if stop.is_set() else self._open(link)
            if obstacle is None and not stop.is_set():
                opened = True
                with self._lock:
                    event = self._book.opened(link.device or self._settings.address, self._clock())
                self._deliver(event)
                obstacle = self._drain(link, stop)
        finally:
            with self._lock:
                self._link = None
            link.close()  # first of all: a node that is held open comes back under another number
        if obstacle is not None and not stop.is_set():
            self._tell_and_wait(obstacle, opened, stop)

    def _tell_and_wait(self, obstacle: Hindrance, opened: bool, stop: threading.Event) -> None:
        now_s = self._clock()
        event: PortEvent | None
        with self._lock:
            if opened and self._book.was_of_use(now_s):
                self._backoff.reset()
            event = self._book.lost(obstacle, now_s) if opened else self._book.could_not_open(obstacle, now_s)
        if event is not None:
            self._deliver(event)
        self._busy(False)
        self._wait(stop, self._backoff.next_s())
        self._busy(True)

    def _busy(self, busy: bool) -> None:
        with self._lock:
            self._book.busy(self._clock() if busy else None)

    def _open(self, link: Link) -> Hindrance | None:
        try:
            link.open()
        except UsbOpenError as refused:
            return refused.hindrance
        except Exception as error:  # whatever a port or its library raises, it is tried again
            return explain_open(error, self._settings.address, link.device)
        return None

    def _drain(self, link: Link, stop: threading.Event) -> Hindrance | None:
        while not stop.is_set():
            self._busy(False)
            try:
                data = link.read()
            except (
                Exception
            ) as error:  # SerialException, OSError, a TypeError of a racing close: all mean gone
                return explain_loss(error, self._settings.address)
            finally:
                self._busy(True)
            if data:
                now_s = self._clock()
                with self._lock:
                    self._book.received(len(data), now_s)
                self._deliver(Bytes(self.name, data, now_s))
        return None
