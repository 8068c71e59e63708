"""The station's local door: a unix socket on which one JSON line asks and one JSON line answers.

    {"ask":"status"}                      -> {"ok":true, ...}
    {"ask":"command","command":"next"}    -> {"ok":true,"said":[...]}
    {"ask":"subscribe"}                   -> {"ok":true}, then a line for each announcement
    anything else                         -> {"ok":false,"error":"one sentence"}

Requests are answered by the ingest thread, between two frames; this module only carries them. A client that
is slow, mute or gone costs itself its connection and the station nothing.
"""

import contextlib
import json
import os
import queue
import socket
import threading
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any, Self

MAX_REQUEST_BYTES = 64 << 10
MOST_CONNECTIONS = 32
_MOST_UNSENT = 1000  # announcements that a subscriber may lag behind
_ANSWER_S = 30.0
_SEND_S = 5.0


class Ask:
    """One request on its way to the ingest thread, and the answer on its way back."""

    def __init__(self, request: Mapping[str, Any]) -> None:
        self.request = request
        self._answer: queue.SimpleQueue[dict[str, object]] = queue.SimpleQueue()

    def reply(self, answer: dict[str, object]) -> None:
        self._answer.put(answer)

    def wait(self, within_s: float) -> dict[str, object]:
        try:
            return self._answer.get(timeout=within_s)
        except queue.Empty:
            return error(f"The station did not answer within {within_s:g} s: look at its trouble messages.")


def error(sentence: str) -> dict[str, object]:
    """The answer that says what was wrong."""
    return {"ok": False, "error": sentence}


def socket_path(database: Path) -> Path:
    return database.with_name(database.name + ".sock")


class ControlServer:
    """Listens beside the database; `deliver` hands each request to the ingest thread and returns at once."""

    def __init__(self, path: Path, deliver: Callable[[Ask], None]) -> None:
        """Raises OSError if the socket cannot be made."""
        self._path = path
        self._deliver = deliver
        self._lock = threading.Lock()
        self._open: set[socket.socket] = set()
        self._subscribers: dict[socket.socket, queue.Queue[bytes | None]] = {}
        self._stopped = False
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            os.fchmod(self._socket.fileno(), 0o600)  # before there is a name that anybody could open
            path.unlink(missing_ok=True)  # of a station that was killed: this one holds the database's lock
            with _short_name(path) as name:
                self._socket.bind(name)
            self._socket.listen(MOST_CONNECTIONS)
        except OSError:
            self._socket.close()
            raise
        self._thread = threading.Thread(target=self._accept, name="control", daemon=True)
        self._thread.start()

    def publish(self, announcement: Mapping[str, object]) -> None:
        """Send to all subscribers; one that lags too far behind is cut off."""
        with self._lock:
            if not self._subscribers:
                return
            line = _line({"announcement": announcement})
            for client, lines in list(self._subscribers.items()):
                try:
                    lines.put_nowait(line)
                except queue.Full:
                    del self._subscribers[client]
                    _hang_up(client)

    def close(self) -> None:
        """Close every connection and remove the socket; waits for no client."""
        with self._lock:
            self._stopped = True
            for client in self._open:
                _hang_up(client)
            for lines in self._subscribers.values():
                with contextlib.suppress(queue.Full):
                    lines.put_nowait(None)
            self._subscribers.clear()
        _hang_up(self._socket)
        self._thread.join(2.0)
        self._socket.close()
        self._path.unlink(missing_ok=True)

    def _accept(self) -> None:
        while True:
            try:
                client, _ = self._socket.accept()
            except OSError:
                if self._stopped:
                    return
                continue
            with self._lock:
                full = len(self._open) >= MOST_CONNECTIONS
                if not full and not self._stopped:
                    self._open.add(client)
            if full or self._stopped:
                with contextlib.suppress(OSError):
                    client.settimeout(_SEND_S)
                    client.sendall(_line(error("Too many programs are connected to the station already.")))
                client.close()
                continue
            threading.Thread(target=self._serve, args=(client,), name="control client", daemon=True).start()

    def _serve(self, client: socket.socket) -> None:
        try:
            with client, client.makefile("rb") as incoming:
                while line := incoming.readline(MAX_REQUEST_BYTES + 1):
                    if len(line) > MAX_REQUEST_BYTES:
                        _send(client, error(f"A request has at most {MAX_REQUEST_BYTES} bytes."))
                        return
                    request = _request(line)
                    if isinstance(request, str):
                        _send(client, error(request))
                    elif request.get("ask") == "subscribe":
                        self._stream(client)
                        return
                    else:
                        ask = Ask(request)
                        self._deliver(ask)
                        _send(client, ask.wait(_ANSWER_S))
        except OSError:
            pass  # the client is gone
        finally:
            with self._lock:
                self._open.discard(client)
                self._subscribers.pop(client, None)

    def _stream(self, client: socket.socket) -> None:
        lines: queue.Queue[bytes | None] = queue.Queue(_MOST_UNSENT)
        with self._lock:
            if self._stopped:
                return
            self._subscribers[client] = lines
        _send(client, {"ok": True})
        client.settimeout(_SEND_S)
        while (line := lines.get()) is not None:
            client.sendall(line)


class StationError(Exception):
    """The station could not be asked, or refused. One sentence."""


class StationClient:
    """Talks to the station that keeps this database. A context manager.

    Raises:
        StationError: no station runs there, it hung up, or it refused the request.
    """

    def __init__(self, database: Path, within_s: float = _ANSWER_S) -> None:
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._socket.settimeout(within_s)
        try:
            with _short_name(socket_path(database)) as name:
                self._socket.connect(name)
        except (FileNotFoundError, ConnectionRefusedError):
            self._socket.close()
            raise StationError(
                f"No station runs on {database}: start it, or name another database."
            ) from None
        except OSError as failure:
            self._socket.close()
            raise StationError(f"The station of {database} cannot be asked: {failure.strerror}.") from None
        self._lines = self._socket.makefile("rb")

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Also while another thread listens to announcements: that one ends."""
        with contextlib.suppress(OSError):  # the station has gone already
            self._socket.shutdown(socket.SHUT_RDWR)  # whoever reads a line holds what `close` would wait for
        self._lines.close()
        self._socket.close()

    def ask(self, what: str, **details: object) -> dict[str, Any]:
        """One question and its answer."""
        try:
            self._socket.sendall(_line({"ask": what, **details}))
            answer = self._next()
        except OSError as failure:
            raise StationError(f"The station did not answer: {failure}.") from None
        if answer is None:
            raise StationError("The station hung up: it stops, or has too many clients.")
        if not answer.get("ok"):
            raise StationError(str(answer.get("error", "The station refused without a reason.")))
        return answer

    def command(self, text: str, bench: str | None = None) -> list[dict[str, Any]]:
        """Give a command as if by a card; the announcements that it caused."""
        said: list[dict[str, Any]] = self.ask("command", command=text, bench=bench)["said"]
        return said

    def announcements(self) -> Iterator[dict[str, Any]]:
        """What the station says from now on; ends when it stops. Use the client for nothing else after."""
        self.ask("subscribe")
        self._socket.settimeout(None)
        while (line := self._next()) is not None:
            yield line["announcement"]

    def _next(self) -> dict[str, Any] | None:
        line = self._lines.readline()
        if not line:
            return None
        answer: dict[str, Any] = json.loads(line)
        return answer


def _request(line: bytes) -> dict[str, Any] | str:
    """The request, or what is wrong with it."""
    try:
        request = json.loads(line)
    except (ValueError, RecursionError):
        return 'A request is one line of JSON, such as {"ask":"status"}.'
    if not isinstance(request, dict) or not isinstance(request.get("ask"), str):
        return 'A request is a JSON object with the key "ask", such as {"ask":"status"}.'
    return request


def _send(client: socket.socket, answer: Mapping[str, object]) -> None:
    client.settimeout(_SEND_S)
    client.sendall(_line(answer))
    client.settimeout(None)


def _line(answer: Mapping[str, object]) -> bytes:
    return json.dumps(answer, ensure_ascii=False, default=str).encode("utf-8", "replace") + b"\n"


def _hang_up(client: socket.socket) -> None:
    with contextlib.suppress(OSError):
        client.shutdown(socket.SHUT_RDWR)


@contextlib.contextmanager
def _short_name(path: Path) -> Iterator[str]:
    """A name of at most 108 bytes for a socket that may lie deep in the tree (see unix(7))."""
    folder = os.open(path.parent, os.O_PATH | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        yield f"/proc/self/fd/{folder}/{path.name}"
    finally:
        os.close(folder)
