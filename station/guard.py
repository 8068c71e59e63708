"""Stands before the application: lets in what `station.access` allows, reads bodies within limits, and gives every answer
the headers that keep a browser from doing more with the page than it is for."""

import asyncio
from typing import Final

from starlette.datastructures import MutableHeaders
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from ingest.announce import log
from ingest.packs import MOST_BYTES
from station.access import Access, Refusal

MOST_BODY_BYTES: Final = 4096
BODY_S: Final = 10.0
PACK: Final = "/pack"

# Content Security Policy Level 3 and its neighbours: only parts of the station itself, no frames, nothing inline.
_HEADERS: Final = {
    "content-security-policy": "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; "
    "font-src 'self'; connect-src 'self'; media-src 'self'; manifest-src 'self'; form-action 'self'; base-uri 'none'; "
    "frame-ancestors 'none'",
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
    "x-robots-tag": "noindex",
}


class Guard:
    """An ASGI application around another one."""

    def __init__(self, app: ASGIApp, access: Access) -> None:
        self._app = app
        self._access = access

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            return
        answer = _Answer(send)
        request = Request(scope)
        refusal = self._access.refusal(request)
        if refusal is not None:
            await _refused(request, refusal)(scope, receive, answer)
            return
        try:
            taken = _Pack(request, receive) if scope["path"] == PACK else await _whole_body(request, receive)
            await self._app(scope, taken, answer)
        except _GoneError:
            pass
        except _BodyError as error:
            if not answer.started:
                await _refused(request, error.refusal)(scope, receive, answer)
        except Exception:
            log.exception("the page could not answer %s by a fault of this program", scope["path"])
            if answer.started:
                raise
            fault = Refusal(500, "The page has a fault: it is in the station's log. The fish go on.")
            await _refused(request, fault)(scope, receive, answer)


class _Answer:
    """Sends, with the headers on top."""

    def __init__(self, send: Send) -> None:
        self._send = send
        self.started = False

    async def __call__(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            self.started = True
            headers = MutableHeaders(scope=message)
            headers.update(_HEADERS)
            headers.setdefault("cache-control", "no-store")
        await self._send(message)


class _BodyError(HTTPException):
    """Raised inside the application too, which answers it as any other refusal."""

    def __init__(self, refusal: Refusal) -> None:
        super().__init__(refusal.status, refusal.sentence, {"connection": "close"})
        self.refusal = refusal


class _GoneError(Exception):
    """Whoever asked has hung up."""


class _Pack:
    """Receives a long body piece by piece: each in time, all of them within the limit."""

    def __init__(self, request: Request, receive: Receive, most: int = MOST_BYTES) -> None:
        self._receive = receive
        self._most = most
        self._got = 0
        _check_announced(request, most)

    async def __call__(self) -> Message:
        try:
            message = await asyncio.wait_for(self._receive(), BODY_S)
        except TimeoutError:
            raise _BodyError(_TOO_SLOW) from None
        if message["type"] != "http.request":
            raise _GoneError
        self._got += len(message.get("body", b""))
        if self._got > self._most:
            raise _BodyError(_too_long(self._most))
        return message


async def _whole_body(request: Request, receive: Receive) -> Receive:
    """Read the body, then give it to the application in one piece."""
    _check_announced(request, MOST_BODY_BYTES)
    body = b""
    try:
        async with asyncio.timeout(BODY_S):
            while True:
                message = await receive()
                if message["type"] != "http.request":
                    raise _GoneError
                body += message.get("body", b"")
                if len(body) > MOST_BODY_BYTES:
                    raise _BodyError(_too_long(MOST_BODY_BYTES))
                if not message.get("more_body"):
                    message = {"type": "http.request", "body": body, "more_body": False}
                    break
    except TimeoutError:
        raise _BodyError(_TOO_SLOW) from None
    first: list[Message] = [message]

    async def again() -> Message:
        return first.pop() if first else await receive()

    return again


def _check_announced(request: Request, most: int) -> None:
    written = request.headers.get("content-length", "0")
    if written.isascii() and written.isdigit() and int(written[:20]) > most:
        raise _BodyError(_too_long(most))


def _too_long(most: int) -> Refusal:
    return Refusal(413, f"That is too much at once: at most {most} bytes are taken here.")


_TOO_SLOW: Final = Refusal(408, f"The request did not come to its end within {BODY_S:g} s.")


def _refused(request: Request, refusal: Refusal) -> Response:
    """The refusal as whoever asked can show it: a sentence for a person, JSON for a program."""
    path = request.scope["path"]
    if refusal.status == 401 and path == "/":
        return RedirectResponse("/pair", 303)
    headers = {"connection": "close"} if refusal.status in (403, 408, 413, 421) else {}
    if "text/html" in request.headers.get("accept", "") and path in ("/", "/pair"):
        return PlainTextResponse(refusal.sentence, refusal.status, headers)
    return JSONResponse({"ok": False, "error": refusal.sentence}, refusal.status, headers)
