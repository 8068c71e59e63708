"""Limits of connections, on a server of the library with small numbers in place of the station's."""

import asyncio
import logging
import socket
import threading
from collections.abc import AsyncIterator, Iterator
from contextlib import ExitStack, contextmanager
from functools import partial

import pytest
import uvicorn
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response, StreamingResponse
from starlette.routing import Route

from station.connections import Connections, LimitedConnection, Limits
from tests.ingest.daemon_tools import wait_for
from tests.station import web

LIMITS = Limits(most=6, most_each=4, headers_s=0.3, unread_s=0.3)
PATIENT = Limits(most=6, most_each=4, headers_s=30.0, unread_s=30.0)


class Served:
    """`/` answers, `/endless` sends for ever, `/slow` waits until `go` is set. `ended`: endless streams that ended."""

    def __init__(self) -> None:
        self.port = 0
        self.ended = 0
        self.waiting = 0
        self.go = threading.Event()

    async def quick(self, request: Request) -> Response:
        return PlainTextResponse("well")

    async def endless(self, request: Request) -> Response:
        async def stream() -> AsyncIterator[bytes]:
            try:
                while True:
                    yield b"x" * 65536
                    await asyncio.sleep(0)
            finally:
                self.ended += 1

        return StreamingResponse(stream())

    async def body(self, request: Request) -> Response:
        self.waiting += 1
        await request.body()
        return PlainTextResponse("all of it")

    async def slow(self, request: Request) -> Response:
        self.waiting += 1
        while not self.go.is_set():
            await asyncio.sleep(0.005)  # between two looks
        return PlainTextResponse("at last")


@contextmanager
def served(limits: Limits) -> Iterator[Served]:
    one = Served()
    routes = [Route("/", one.quick), Route("/endless", one.endless), Route("/slow", one.slow)]
    app = Starlette(routes=[*routes, Route("/body", one.body, methods=["POST"])])
    logging.getLogger("uvicorn").propagate = False
    config = uvicorn.Config(
        app,
        http=partial(LimitedConnection, connections=Connections(limits)),  # type: ignore[arg-type]
        log_config=None,
        lifespan="off",
        ws="none",
        timeout_graceful_shutdown=1,
    )
    server = uvicorn.Server(config)
    with socket.create_server(("127.0.0.1", 0)) as listening:
        one.port = listening.getsockname()[1]
        thread = threading.Thread(target=lambda: asyncio.run(server.serve(sockets=[listening])))
        thread.start()
        try:
            yield one
        finally:
            one.go.set()
            server.should_exit = True
            thread.join()


def door(one: Served, request: bytes = b"") -> socket.socket:
    made = socket.create_connection(("127.0.0.1", one.port), timeout=20)
    made.sendall(request)
    return made


def heard(made: socket.socket) -> bytes:
    said = b""
    while chunk := made.recv(65536):
        said += chunk
    return said


@pytest.fixture
def quick() -> Iterator[Served]:
    with served(LIMITS) as one:
        yield one


@pytest.fixture
def patient() -> Iterator[Served]:
    with served(PATIENT) as one:
        yield one


@pytest.mark.parametrize("begun", [b"", b"GET / HTTP/1.1\r\nhost: a\r\n"])
def test_a_connection_that_asks_nothing_is_ended_with_a_sentence(quick: Served, begun: bytes) -> None:
    with door(quick, begun) as idle:
        said = heard(idle)
    assert said.startswith(b"HTTP/1.1 408 ")
    assert said.endswith(b"No whole request came within 0.3 s.")


def test_a_second_request_that_does_not_come_to_its_end_is_ended_too(quick: Served) -> None:
    with door(quick, b"GET / HTTP/1.1\r\nhost: a\r\n\r\nGET / HTTP/1.1\r\nho") as half:
        wait_for(lambda: b"well" in half.recv(65536, socket.MSG_PEEK), "the first answer")
        half.sendall(b"st")
        said = heard(half)
    assert said.count(b"HTTP/1.1") == 1, "what would come now could be taken for the second answer"


def test_a_reader_that_does_not_read_is_cut_off(quick: Served) -> None:
    with door(quick, b"GET /endless HTTP/1.1\r\nhost: a\r\n\r\n"):
        wait_for(lambda: quick.ended == 1, "the end of the stream")


def test_idle_connections_make_room_for_one_that_asks(patient: Served) -> None:
    with ExitStack() as stack:
        idle = [stack.enter_context(door(patient)) for _ in range(20)]
        assert web.get(f"http://127.0.0.1:{patient.port}/").text == "well"
        said = heard(idle[0])
        assert said.startswith(b"HTTP/1.1 408 ")
        assert said.endswith(b"You asked nothing, and somebody else needs the connection.")


def test_requests_that_do_not_come_to_their_end_make_room_too(patient: Served) -> None:
    half = b"POST /body HTTP/1.1\r\nhost: a\r\ncontent-length: 9\r\n\r\nx"
    with ExitStack() as stack:
        made = [stack.enter_context(door(patient, half)) for _ in range(LIMITS.most_each)]
        wait_for(lambda: patient.waiting == LIMITS.most_each, "all half asked")
        assert web.get(f"http://127.0.0.1:{patient.port}/").text == "well"
        assert heard(made[0]) == b""


def test_connections_at_work_are_never_ended_for_others(patient: Served) -> None:
    request = b"GET /slow HTTP/1.1\r\nhost: a\r\nconnection: close\r\n\r\n"
    with ExitStack() as stack:
        working = [stack.enter_context(door(patient, request)) for _ in range(LIMITS.most_each)]
        wait_for(lambda: patient.waiting == LIMITS.most_each, "all at work")
        with door(patient) as refused:
            said = heard(refused)
        assert said.startswith(b"HTTP/1.1 503 ")
        assert said.endswith(b"Too many are connected to the station: close some of their pages.")
        patient.go.set()
        assert all(heard(one).endswith(b"at last") for one in working)


def test_one_address_cannot_use_up_what_others_need(patient: Served) -> None:
    request = b"GET /slow HTTP/1.1\r\nhost: a\r\nconnection: close\r\n\r\n"
    with ExitStack() as stack:
        for _ in range(LIMITS.most_each):
            stack.enter_context(door(patient, request))
        wait_for(lambda: patient.waiting == LIMITS.most_each, "all at work")
        other = socket.socket()
        stack.enter_context(other)
        other.settimeout(20)
        other.bind(("127.0.0.2", 0))
        other.connect(("127.0.0.1", patient.port))
        other.sendall(b"GET / HTTP/1.1\r\nhost: a\r\nconnection: close\r\n\r\n")
        assert heard(other).endswith(b"well")
