"""The page's addresses, as an ASGI application. Who may use which: `station.access`.

    GET  /                    the page (`?bench=NAME` for one bench of several)
    GET  /events?bench=NAME   the stream of server-sent events, as `station.news` describes it
    POST /act                 {"command": "next", "bench": "main"} -> {"ok": true, "said": [...]}
    GET  /pair                where the code is typed
    POST /pair                {"code": "1234 5678"} -> {"ok": true, "token": "..."}; from the form: a cookie, and the page
    GET  /pull/manifest       the figures of a fresh snapshot: station, file, sha256, size_bytes, rows, taken_at, ...
    GET  /pull/file/NAME      that snapshot, whole or in ranges (RFC 9110, section 14)
    POST /pack                a history pack, its bytes -> {"ok": true, "changed": whether it is new here, "said": "..."}
    GET  /health              {"ok": true, "answers": whether the ingest thread answers}
    GET  /static/...          parts of the pages

What is refused is answered {"ok": false, "error": "one sentence"}.
"""

import asyncio
import json
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field
from pathlib import Path
from time import monotonic
from typing import Any, Final
from urllib.parse import parse_qs

from jinja2 import Environment, FileSystemLoader
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import (
    FileResponse,
    HTMLResponse,
    JSONResponse,
    RedirectResponse,
    Response,
    StreamingResponse,
)
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from ingest.control import error
from ingest.pack_taking import Taken
from ingest.packs import PackError
from ingest.station import Station
from ingest.toml_file import ConfigError
from station import pull
from station.access import COOKIE
from station.actions import ActionError, Pace, read_action
from station.asking import Asking
from station.news import BEAT_S, News, Reader, as_json, beat
from station.pairing import Pairing, PairingError
from station.peers import plain_address
from station.scenes import Scenes
from station.sounds.on_page import page_sounds

ALIVE_S: Final = 2.0
REST: Final = (
    4.0  # a snapshot holds up the fish: between two the station rests so many times as long as one took
)
REST_MOST_S: Final = 30.0
MOST_STREAMS: Final = 64
MOST_STREAMS_EACH: Final = 12  # of one address
_HERE = Path(__file__).parent
_RECONNECT = b"retry: 1000\n\n"
_LATE = "The station has not answered yet, and does it when it can: look at the page before you press again."


@dataclass(frozen=True, slots=True)
class Page:
    """What the application serves. `take_pack` puts the bytes of a history pack in place for this station; `may_stay`
    says whether whoever opened a stream by this request is still let in."""

    station: Station
    asking: Asking
    news: News
    scenes: Scenes
    pairing: Pairing
    take_pack: Callable[[bytes], Taken]
    may_stay: Callable[[Request], bool]
    pace: Pace = field(default_factory=Pace)


def build_app(page: Page) -> Starlette:
    templates = Environment(loader=FileSystemLoader(_HERE / "templates"), autoescape=True)
    handlers = _Handlers(page, templates)
    return Starlette(
        routes=[
            Route("/", handlers.page),
            Route("/events", handlers.events),
            Route("/act", handlers.act, methods=["POST"]),
            Route("/pair", handlers.pair_page, methods=["GET"]),
            Route("/pair", handlers.pair, methods=["POST"]),
            Route("/pull/manifest", handlers.manifest),
            Route("/pull/file/{name}", handlers.file),
            Route("/pack", handlers.pack, methods=["POST"]),
            Route("/health", handlers.health),
            Mount("/static", StaticFiles(directory=_HERE / "static")),
        ],
        exception_handlers={HTTPException: _no_such_thing},
    )


class _Handlers:
    def __init__(self, page: Page, templates: Environment) -> None:
        self._page = page
        self._templates = templates
        self._one_try = asyncio.Lock()
        self._one_pull = asyncio.Lock()
        self._one_pack = asyncio.Lock()
        self._rested_s = 0.0

    async def page(self, request: Request) -> Response:
        """Its template knows the station's name, the benches, the table [page] of the station's file, and the sounds."""
        station = self._page.station
        return self._html(
            "page.html",
            benches=list(station.benches),
            settings=station.file.page,
            sounds=as_json(page_sounds(station.file.sounds)),
        )

    async def events(self, request: Request) -> Response:
        bench = request.query_params.get("bench") or None
        if bench is not None and bench not in self._page.station.benches:
            asked = await self._page.asking(
                {"ask": "scene", "bench": bench}
            )  # the file may have a new one by now
            if not asked.get("ok"):
                return _refused(404, asked["error"])
        readers, where = self._page.news.readers, _where(request)
        same = sum(1 for one in readers if one.where == where)
        if len(readers) >= MOST_STREAMS or same >= MOST_STREAMS_EACH:
            return _refused(503, "Too many pages of the station are open: close some of them.")
        reader = self._page.news.reader(bench, request.headers.get("last-event-id"), where)
        self._page.scenes.follow(reader)
        return StreamingResponse(self._stream(reader, request), media_type="text/event-stream")

    async def _stream(self, reader: Reader, request: Request) -> AsyncIterator[bytes]:
        try:
            yield _RECONNECT
            asked_s = monotonic()
            while (messages := await reader.messages(BEAT_S)) is not None:
                if monotonic() - asked_s >= BEAT_S:  # a pairing may end while its page is open
                    asked_s = monotonic()
                    if not self._page.may_stay(request):
                        return
                for one in messages or [beat(self._page.scenes.answers(reader.bench))]:
                    yield one
        finally:
            self._page.news.leave(reader)

    async def act(self, request: Request) -> Response:
        try:
            question = read_action(await _json(request))
        except ActionError as refused:
            return _refused(400, str(refused))
        if not self._page.pace.may():
            return _refused(429, "Too many actions at once: wait a moment.")
        answer = await self._page.asking(question, late=_LATE)
        return JSONResponse(answer, 200 if answer.get("ok") else 409)

    async def pair_page(self, request: Request) -> Response:
        return self._html("pair.html", refused=None)

    async def pair(self, request: Request) -> Response:
        """A form gets a cookie that scripts cannot read, a program its token: never both."""
        by_form = request.headers.get("content-type", "").startswith("application/x-www-form-urlencoded")
        code = await _form_code(request) if by_form else await _json_code(request)
        if code is None:
            return _refused(400, 'The code is sent as {"code": "1234 5678"}.')
        try:
            async with self._one_try:
                token = await asyncio.to_thread(self._page.pairing.open_session, code, _where(request))
        except PairingError as refused:
            status = 403 if refused.wait_s is None else 429
            headers = {} if refused.wait_s is None else {"retry-after": str(int(refused.wait_s) + 1)}
            if by_form:
                return self._html("pair.html", status, headers, refused=str(refused))
            return JSONResponse(error(str(refused)), status, headers)
        if not by_form:
            return JSONResponse({"ok": True, "token": token})
        answer = RedirectResponse("/", 303)
        age_s = int(self._page.station.file.page.session_days * 86_400)
        answer.set_cookie(COOKIE, token, max_age=age_s, path="/", httponly=True, samesite="strict")
        return answer

    async def manifest(self, request: Request) -> Response:
        async with self._one_pull:
            await asyncio.sleep(self._rested_s - monotonic())
            began_s = monotonic()
            figures = await pull.manifest(self._page.asking)
            ended_s = monotonic()
            self._rested_s = ended_s + min(REST_MOST_S, REST * (ended_s - began_s))
        return JSONResponse(figures, 200 if figures.get("ok", True) else 503)

    async def file(self, request: Request) -> Response:
        name = request.path_params["name"]
        path = pull.snapshot_file(self._page.station.database.parent / "snapshots", name)
        if path is None:
            return _refused(404, "There is no such snapshot (any more): ask for /pull/manifest again.")
        return FileResponse(path, media_type="application/vnd.sqlite3")

    async def pack(self, request: Request) -> Response:
        async with self._one_pack:
            try:
                taken = await asyncio.to_thread(self._page.take_pack, await request.body())
            except (PackError, ConfigError) as refused:
                return _refused(409, str(refused))
            except OSError as trouble:
                return _refused(507, f"The pack was not kept: {trouble.strerror or trouble}.")
        return JSONResponse({"ok": True, "changed": taken.changed, "said": taken.sentence})

    async def health(self, request: Request) -> Response:
        answer = await self._page.asking({"ask": "alive"}, ALIVE_S)
        return JSONResponse({"ok": True, "answers": answer.get("ok") is True})

    def _html(
        self, template: str, status: int = 200, headers: dict[str, str] | None = None, **known: object
    ) -> Response:
        html = self._templates.get_template(template).render(station=self._page.station.name, **known)
        return HTMLResponse(html, status, headers)


async def _json(request: Request) -> Any:
    if request.headers.get("content-type", "").partition(";")[0].strip().lower() != "application/json":
        raise ActionError("The body must be JSON, sent as application/json.")
    try:
        return json.loads(await request.body())
    except (ValueError, RecursionError):
        raise ActionError("The body must be JSON.") from None


async def _json_code(request: Request) -> str | None:
    try:
        body = await _json(request)
    except ActionError:
        return None
    code = body.get("code") if isinstance(body, dict) else None
    return code if isinstance(code, str) else None


async def _form_code(request: Request) -> str | None:
    try:
        fields = parse_qs((await request.body()).decode("utf-8"), keep_blank_values=True, max_num_fields=10)
    except ValueError:
        return None
    return fields.get("code", [None])[0]


def _where(request: Request) -> str:
    """The address that a request comes from."""
    return plain_address(request.client.host) if request.client else ""


def _refused(status: int, sentence: str) -> Response:
    return JSONResponse(error(sentence), status)


async def _no_such_thing(request: Request, refused: Exception) -> Response:
    if not isinstance(refused, HTTPException):
        raise refused
    if refused.status_code == 405:
        return _refused(405, f"{request.method} is not possible here.")
    if refused.status_code == 404:
        return _refused(404, "There is nothing at this address of the station.")
    sentence = f"{refused.detail.removesuffix('.')}."
    return JSONResponse(error(sentence), refused.status_code, refused.headers)
