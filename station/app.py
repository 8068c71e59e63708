"""The page's addresses, as an ASGI application:

GET  /                    the page (`?bench=NAME` for one bench of several)
GET  /events?bench=NAME   the stream of server-sent events, as `station.news` describes it
POST /act                 {"command": "next", "bench": "main"} -> {"ok": true, "said": [...]}
                          or {"ok": false, "error": "one sentence"}
GET  /static/...          its parts
GET  /health              {"ok": true, "answers": whether the ingest thread answered lately}
"""

import json
from collections.abc import AsyncIterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response, StreamingResponse
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from ingest.control import error
from ingest.station import Station
from station.actions import ActionError, read_action
from station.asking import Asking
from station.news import BEAT_S, News, Reader, beat
from station.scenes import Scenes

_HERE = Path(__file__).parent
_RECONNECT = b"retry: 1000\n\n"


@dataclass(frozen=True, slots=True)
class Page:
    """What the application serves."""

    station: Station
    asking: Asking
    news: News
    scenes: Scenes


def build_app(page: Page) -> Starlette:
    templates = Environment(loader=FileSystemLoader(_HERE / "templates"), autoescape=True)
    handlers = _Handlers(page, templates)
    return Starlette(
        routes=[
            Route("/", handlers.page),
            Route("/events", handlers.events),
            Route("/act", handlers.act, methods=["POST"]),
            Route("/health", handlers.health),
            Mount("/static", StaticFiles(directory=_HERE / "static", check_dir=False)),
        ]
    )


class _Handlers:
    def __init__(self, page: Page, templates: Environment) -> None:
        self._page = page
        self._templates = templates

    async def page(self, request: Request) -> Response:
        """Its template knows the station's name, the benches, and the table [page] of the station's file."""
        station = self._page.station
        html = self._templates.get_template("page.html").render(
            station=station.name, benches=list(station.benches), settings=station.file.page
        )
        return HTMLResponse(html)

    async def events(self, request: Request) -> Response:
        bench = request.query_params.get("bench") or None
        if bench is not None and bench not in self._page.station.benches:
            known = ", ".join(self._page.station.benches)
            return JSONResponse(error(f"There is no bench {bench!r}; known are {known}."), 404)
        reader = self._page.news.reader(bench, request.headers.get("last-event-id"))
        self._page.scenes.follow(reader)
        return StreamingResponse(self._stream(reader), media_type="text/event-stream")

    async def _stream(self, reader: Reader) -> AsyncIterator[bytes]:
        try:
            yield _RECONNECT
            while (messages := await reader.messages(BEAT_S)) is not None:
                for one in messages or [beat(self._page.scenes.answers)]:
                    yield one
        finally:
            self._page.news.leave(reader)

    async def act(self, request: Request) -> Response:
        try:
            question = read_action(await _json(request))
        except ActionError as refused:
            return JSONResponse(error(str(refused)), 400)
        answer = await self._page.asking(question)
        return JSONResponse(answer, 200 if answer.get("ok") else 409)

    async def health(self, request: Request) -> Response:
        return JSONResponse({"ok": True, "answers": self._page.scenes.answers})


async def _json(request: Request) -> Any:
    try:
        return json.loads(await request.body())
    except (ValueError, RecursionError):
        raise ActionError("The body must be JSON.") from None
