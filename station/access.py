"""Which requests are let in, decided from their heads alone.

A request must name this station as its host (so that no foreign name can be pointed at it), must not come from a page of
another origin, and its sender must be allowed what it asks for:

    pair   the pairing page and the parts of pages: everybody
    read   the page and its stream: whoever has a session; without [page] network every user of this computer
    act    actions and the database: whoever has a session; without [page] network the user that runs the station
"""

import os
from collections.abc import Callable
from dataclasses import dataclass
from enum import IntEnum
from ipaddress import ip_address
from typing import Final

from starlette.requests import Request

from ingest.station_file import PageTable
from station.peers import is_this_computer, peer_uid, plain_address

COOKIE: Final = "tallywell_session"
_SAFE: Final = ("GET", "HEAD")
_PAGES: Final = ("/", "/pair")
_HERE: Final = ("localhost", "127.0.0.1", "::1")

PeerUid = Callable[[tuple[str, int], tuple[str, int]], int | None]


class Need(IntEnum):
    PAIR = 0
    READ = 1
    ACT = 2


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why a request is not let in: the status of HTTP (RFC 9110) and one sentence."""

    status: int
    sentence: str


def needed(path: str) -> Need:
    """What the sender of a request for this path must be allowed."""
    if path == "/pair" or path.startswith("/static/"):
        return Need.PAIR
    return Need.READ if path in ("/", "/events", "/health") else Need.ACT


class Access:
    """`knows` says whether a token is that of a session; `uid` whose program sent a request from this computer."""

    def __init__(self, settings: PageTable, knows: Callable[[str], bool], uid: PeerUid = peer_uid) -> None:
        self._settings = settings
        self._knows = knows
        self._uid = uid
        self._names = {name.lower() for name in (*settings.names, *_HERE)}

    def refusal(self, request: Request) -> Refusal | None:
        """Why this request is not let in; None if it is."""
        return self._wrong_host(request) or self._foreign(request) or self._not_allowed(request)

    def allows(self, request: Request) -> bool:
        return self.refusal(request) is None

    def _wrong_host(self, request: Request) -> Refusal | None:
        named = request.headers.getlist("host")
        host = _host_name(named[0]) if len(named) == 1 else None
        if host is not None and (host in self._names or host == plain_address(_server(request)[0])):
            return None
        where = plain_address(_server(request)[0])
        shown = f"[{where}]" if ":" in where else where
        return Refusal(
            421,
            f"This station is not opened under that name: use http://{shown}:{_server(request)[1]}/, or write the name "
            'into names of [page], such as names = ["station.local"].',
        )

    def _foreign(self, request: Request) -> Refusal | None:
        """A request that a page of another origin caused (Fetch Metadata, and the Origin of RFC 6454)."""
        refused = Refusal(403, "Only the station's own page may ask this.")
        site = request.headers.get("sec-fetch-site")
        opened = request.method in _SAFE and request.scope["path"] in _PAGES
        followed_link = opened and request.headers.get("sec-fetch-mode") == "navigate"
        if site is not None and site not in ("same-origin", "none") and not followed_link:
            return refused
        origin = request.headers.get("origin")
        if origin is not None and origin.lower() != f"http://{request.headers['host']}".lower():
            return refused
        by_cookie = request.cookies.get(COOKIE) is not None and _bearer(request) is None
        if request.method not in _SAFE and by_cookie and site is None and origin is None:
            return refused  # every browser that keeps cookies says where a request comes from
        return None

    def _not_allowed(self, request: Request) -> Refusal | None:
        need = needed(request.scope["path"])
        if need is Need.PAIR or self.has_session(request):
            return None
        if not self._settings.network:
            if need is Need.READ or self._is_owner(request):
                return None
            return Refusal(
                401,
                "Only the user that runs the station may do this without pairing: pair this browser at /pair with "
                "the code that tallywell station pair shows.",
            )
        return Refusal(
            401, "This device is not paired: open /pair and type the code that tallywell station pair shows."
        )

    def has_session(self, request: Request) -> bool:
        token = _bearer(request) or request.cookies.get(COOKIE)
        return token is not None and self._knows(token)

    def _is_owner(self, request: Request) -> bool:
        client = request.client
        if client is None or not is_this_computer(client.host):
            return False
        return self._uid((client.host, client.port), _server(request)) in (os.getuid(), 0)


def _server(request: Request) -> tuple[str, int]:
    host, port = request.scope.get("server") or ("", 0)
    return host, port or 0


def _bearer(request: Request) -> str | None:
    scheme, _, token = request.headers.get("authorization", "").partition(" ")
    return token.strip() if scheme.lower() == "bearer" and token else None


def _host_name(written: str) -> str | None:
    """The name in a Host header, lower case, without its port; None if it has not the form of one."""
    if written.startswith("["):
        name, closed, port = written[1:].partition("]")
        if not closed or not _is_port(port):
            return None
        try:
            return str(ip_address(name))
        except ValueError:
            return None
    name, colon, port = written.partition(":")
    return name.lower().rstrip(".") if _is_port(colon + port) and name else None


def _is_port(written: str) -> bool:
    return written == "" or (written[0] == ":" and written[1:].isascii() and written[1:].isdigit())
