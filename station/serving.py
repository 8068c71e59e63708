"""The page's server: one thread of the station's process, with an event loop of its own.

It takes what the station announces and asks the ingest thread as a client would. Whatever happens here, a port that is
taken, a reader that never reads, a fault of this program, the fish go on.
"""

import asyncio
import contextlib
import logging
import secrets
import socket
import threading
import time
from collections import deque
from collections.abc import Mapping
from functools import partial
from typing import Final

import uvicorn

from ingest.announce import Tell, log
from ingest.companions import Doors
from ingest.pack_taking import take_pack
from ingest.records import Sound
from station.access import Access
from station.addresses import page_addresses
from station.app import Page, build_app
from station.asking import Asking
from station.connections import Connections, LimitedConnection
from station.guard import Guard
from station.news import News
from station.pairing import CODE_GOOD_S, ForeignUserError, Pairing, new_code
from station.scene import Display, build_scene
from station.scenes import Scenes

RETRY_S: Final = 5.0
MOST_UNHEARD: Final = 1000  # announcements kept for a thread that does not come to hear them
_STOP_S: Final = 2.0
_GRACE_S: Final = 1
_KEEP_S: Final = 5
_MOST_HEAD_BYTES: Final = 16 << 10
_SEND_BYTES: Final = 128 << 10  # in the kernel for one reader: one that does not read is noticed soon


def start_page(doors: Doors) -> "PageServer":
    """The companion of `ingest.daemon.run_station` that serves the page of this station."""
    return PageServer(doors)


class PageServer:
    """Serves from its construction until `close`; a port that is taken is tried again every `retry_s`."""

    def __init__(self, doors: Doors, retry_s: float = RETRY_S) -> None:
        self._doors = doors
        self._retry_s = retry_s
        self._settings = doors.station.file.page
        self._loop: asyncio.AbstractEventLoop | None = None
        self._heard: deque[Mapping[str, object]] = deque(maxlen=MOST_UNHEARD)
        self._news = News(secrets.token_hex(4))
        self._stop = asyncio.Event()
        self._lock = threading.Lock()
        self._stopped = False
        self._thread = threading.Thread(target=self._run, name="page", daemon=True)
        if self._settings.on:
            self._thread.start()

    def hear(self, announcement: Mapping[str, object]) -> None:
        self._heard.append(announcement)
        with self._lock:
            if (
                self._loop is not None and len(self._heard) == 1
            ):  # else the loop was told, and takes this one too
                self._loop.call_soon_threadsafe(self._pass_on)

    def close(self) -> None:
        with self._lock:
            self._stopped = True
            if self._loop is not None:
                self._loop.call_soon_threadsafe(self._stop.set)
        if self._thread.is_alive():
            self._thread.join(_STOP_S)

    def _pass_on(self) -> None:
        while self._heard:
            self._news.add(self._heard.popleft())

    def _run(self) -> None:
        try:
            asyncio.run(self._work())
        except Exception:
            log.exception("the page's thread ended by a fault of this program")

    async def _work(self) -> None:
        with self._lock:
            if self._stopped:
                return
            self._loop = asyncio.get_running_loop()
            self._loop.call_soon(self._pass_on)  # what was said before
        try:
            while not self._stop.is_set():
                await self._serve_until_it_fails()
        finally:
            with self._lock:
                self._loop = None

    async def _serve_until_it_fails(self) -> None:
        try:
            await self._serve()
        except Exception as fault:
            log.exception("the page failed")
            self._tell(
                "page_failed", f"The page failed by a fault of this program ({fault}). The fish go on."
            )
            await self._pause()

    async def _serve(self) -> None:
        door = await self._listening()
        if door is None:
            return
        _keep_quiet()
        server = uvicorn.Server(self._config())
        self._say_where(door.getsockname()[1])
        serving = asyncio.create_task(server.serve(sockets=[door]))
        stopping = asyncio.create_task(self._stop.wait())
        try:
            await asyncio.wait([serving, stopping], return_when=asyncio.FIRST_COMPLETED)
            self._news.end()
            server.should_exit = True
            await serving
        finally:
            stopping.cancel()
            for listening in getattr(server, "servers", ()):  # if it failed, it did not close them
                listening.close()
            door.close()

    def _config(self) -> uvicorn.Config:
        """The application in its guard, and how the server library serves it."""
        station = self._doors.station
        asking = Asking(self._doors.deliver)
        low_disk_bytes = self._settings.low_disk_mb * 1024 * 1024
        display = Display(self._settings.units, self._settings.theme, low_disk_bytes)
        self._news.changed.clear()  # of a server that failed
        scenes = Scenes(asking, self._news, partial(build_scene, display=display))
        pairing = Pairing(station.database, self._settings.session_days, time.time, time.monotonic)
        taking = partial(take_pack, station_file=self._doors.file)
        access = Access(self._settings, pairing.knows)
        app = build_app(Page(station, asking, self._news, scenes, pairing, taking, access.allows))
        return uvicorn.Config(
            Guard(app, access),
            http=partial(LimitedConnection, connections=Connections()),  # type: ignore[arg-type]
            ws="none",
            lifespan="off",
            log_config=None,
            access_log=False,
            proxy_headers=False,
            server_header=False,
            timeout_keep_alive=_KEEP_S,
            timeout_graceful_shutdown=_GRACE_S,
            h11_max_incomplete_event_size=_MOST_HEAD_BYTES,
        )

    async def _listening(self) -> socket.socket | None:
        """The socket at the address of the settings, however long that takes; None if told to stop before."""
        told = False
        while True:
            try:
                return _bound(self._settings.address, self._settings.port)
            except OSError as trouble:
                if not told:
                    self._tell(
                        "page_not_served",
                        f"There is no page: {self._settings.address} port {self._settings.port} cannot be used "
                        f"({trouble.strerror}). It is tried again; or name another port in [page].",
                    )
                told = True
            await self._pause()
            if self._stop.is_set():
                return None

    async def _pause(self) -> None:
        """Wait for the next try, or for the end."""
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(self._stop.wait(), self._retry_s)

    def _say_where(self, port: int) -> None:
        where = " or ".join(page_addresses(self._settings, port))
        if not self._settings.network:
            self._tell("page_ready", f"The page is at {where}", Sound.NONE)
            return
        pair = "tallywell station pair shows the code that pairs a tablet."
        self._tell("page_ready", f"The page is at {where}; {pair}", Sound.NONE)
        if self._doors.show is not None:  # the code for the eyes of who started the station, not for the log
            try:
                code = new_code(self._doors.station.database, time.time())
            except (OSError, ForeignUserError) as trouble:
                log.warning("no code for the page could be kept: %s", trouble)
            else:
                self._doors.show(f"For {CODE_GOOD_S / 60:.0f} minutes this code pairs a tablet: {code}")

    def _tell(self, name: str, sentence: str, sound: Sound = Sound.TROUBLE) -> None:
        self._doors.deliver(Tell(name, sound, sentence))


def _bound(address: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    # The protocol must be named: asyncio switches Nagle's 40 ms off only for sockets that say TCP.
    door = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    try:
        door.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        door.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, _SEND_BYTES)
        if family == socket.AF_INET6:
            door.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 0)
        door.bind((address, port))
        door.listen()  # before anybody is told where the page is
    except OSError:
        door.close()
        raise
    return door


def _keep_quiet() -> None:
    """Keep the server library's own words off the station's terminal: what matters is said by the station."""
    logger = logging.getLogger("uvicorn")
    logger.propagate = False
    if not logger.handlers:
        logger.addHandler(logging.NullHandler())
