"""A station under attack: each attempt is refused with a plain sentence, and every fish worked up meanwhile is saved.

The station is the real one, with virtual instruments on pseudo-terminals and its page on a port of this computer.
"""

import json
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from itertools import count
from pathlib import Path
from typing import Any

import httpx
import pytest

from station.access import COOKIE
from station.connections import Limits
from station.guard import MOST_BODY_BYTES
from station.pairing import WRONG_EACH, code_path, new_code, sessions_path
from tests.ingest.daemon_tools import Child, wait_for
from tests.station import web
from tests.station.page_tools import address_of, page_on

_TAGS = count(1)


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Child, str]]:
    """A station as it comes: its page is for this computer."""
    with page_on(tmp_path_factory.mktemp("home")) as station:
        yield station


@pytest.fixture(scope="module")
def abroad(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Child, str]]:
    """A station whose page is for the network (of which only this computer can be had in a test)."""
    lines = 'network = true\nlisten = "127.0.0.1"'
    with page_on(tmp_path_factory.mktemp("abroad"), lines) as station:
        yield station


def token_of(child: Child, url: str) -> str:
    """A new session, by the code that the station shows."""
    answer = web.post(f"{url}/pair", json={"code": new_code(child.database, time.time())})
    assert answer.status_code == 200, answer.text
    token: str = answer.json()["token"]
    return token


def sentence_of(answer: httpx.Response) -> str:
    """What the refusal says; one plain sentence."""
    is_json = answer.headers["content-type"].startswith("application/json")
    said: str = answer.json()["error"] if is_json else answer.text
    assert said.endswith(".")
    assert "Traceback" not in said
    return said


def raw(url: str, request: bytes = b"") -> socket.socket:
    """A connection on which these bytes were sent."""
    address = httpx.URL(url)
    door = socket.create_connection((address.host, address.port or 80), timeout=20)
    with suppress(ConnectionError):  # refused before all of it was sent
        door.sendall(request)
    return door


def heard(door: socket.socket) -> bytes:
    """All that comes until the station hangs up."""
    said = b""
    try:
        while chunk := door.recv(65536):
            said += chunk
    except ConnectionResetError:
        pass
    return said


@contextmanager
def attack(once: Callable[[], object]) -> Iterator[None]:
    """Do this again and again in a thread of its own; at the end it must have gone well at least once."""
    stop, done, failed = threading.Event(), threading.Event(), []

    def keep_on() -> None:
        while not stop.is_set():
            try:
                once()
            except Exception as failure:
                failed.append(failure)
                return
            done.set()

    thread = threading.Thread(target=keep_on)
    thread.start()
    try:
        yield
        wait_for(lambda: done.is_set() or bool(failed), "one whole attack")
    finally:
        stop.set()
        thread.join()
    assert failed == []


def fish_go_on(child: Child, number: int = 2) -> None:
    """Work up fish, and see each of them in the database."""
    tags = [f"999{next(_TAGS):012}" for _ in range(number)]
    for tag in tags:
        child.work_up(tag)
    wait_for(lambda: not set(tags) - {fish["tag"] for fish in child.fish()}, "all fish saved", child.process)
    for fish in child.fish():
        assert (fish["status"], fish["length_mm"]) == ("saved", 312.0)


# --- names and origins --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "host", ["attacker.example", "attacker.example:80", "127.0.0.1.attacker.example", "", "[::1"]
)
def test_a_foreign_name_is_refused_whatever_is_asked(home: tuple[Child, str], host: str) -> None:
    child, url = home
    for path in ("/", "/events", "/pair", "/pull/manifest"):
        answer = web.get(url + path, headers={"host": host})
        assert answer.status_code == 421
        assert url in sentence_of(answer)
    with attack(lambda: web.get(url, headers={"host": host})):
        fish_go_on(child)


FOREIGN = [
    {"origin": "http://attacker.example"},
    {"origin": "null"},
    {"origin": "http://127.0.0.1:9"},
    {"origin": "https://127.0.0.1"},
    {"sec-fetch-site": "cross-site"},
    {"sec-fetch-site": "same-site"},
]


@pytest.mark.parametrize("headers", FOREIGN)
def test_a_page_of_another_origin_cannot_act(home: tuple[Child, str], headers: dict[str, str]) -> None:
    child, url = home

    def post() -> httpx.Response:
        return web.post(f"{url}/act", json={"command": "void"}, headers=headers)

    answer = post()
    assert (answer.status_code, sentence_of(answer)) == (403, "Only the station's own page may ask this.")
    assert "access-control-allow-origin" not in answer.headers
    with attack(post):
        fish_go_on(child)
    assert "void" not in child.said()


def test_the_page_itself_may_act_and_the_journal_says_that_it_was_the_page(home: tuple[Child, str]) -> None:
    child, url = home
    headers = {"origin": url, "sec-fetch-site": "same-origin"}
    answer = web.post(f"{url}/act", json={"command": "note  seen on the page"}, headers=headers)
    assert answer.json()["ok"], answer.text
    frames = [json.loads(line) for path in child.folder.glob("journal/*") if path.is_file()
              for line in path.read_text("utf-8", "replace").splitlines() if "seen on the page" in line]  # fmt: skip
    assert [one["from"] for one in frames if one.get("event") == "command"] == ["page"]


def test_a_form_of_another_site_that_needs_no_leave_is_refused_by_its_type(home: tuple[Child, str]) -> None:
    _, url = home
    answer = web.post(f"{url}/act", content=b'{"command": "void"}', headers={"content-type": "text/plain"})
    assert (answer.status_code, sentence_of(answer)) == (
        400,
        "The body must be JSON, sent as application/json.",
    )


def test_what_the_browser_is_told_to_keep_to(home: tuple[Child, str]) -> None:
    _, url = home
    for path in ("/", "/pair", "/static/pair.css", "/nothing", "/health"):
        headers = web.get(url + path).headers
        assert headers["content-security-policy"].startswith(
            "default-src 'none'; script-src 'self'; style-src 'self'"
        )
        assert "unsafe" not in headers["content-security-policy"]
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["x-frame-options"] == "DENY"
        assert "server" not in headers


# --- pairing ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("method", "path"),
    [
        ("GET", "/events"),
        ("GET", "/health"),
        ("POST", "/act"),
        ("GET", "/pull/manifest"),
        ("GET", "/pull/file/work-up-20260101T000000Z.sqlite"),
        ("POST", "/pack"),
        ("GET", "/nothing"),
    ],
)
def test_without_pairing_the_network_gets_nothing(abroad: tuple[Child, str], method: str, path: str) -> None:
    _, url = abroad
    for headers in (
        {},
        {"authorization": "Bearer guessed"},
        {"authorization": "Basic Zm9vOmJhcg=="},
        {"cookie": f"{COOKIE}=guessed", "origin": url},
    ):
        answer = web.request(method, url + path, headers=headers)
        assert answer.status_code == 401
        assert "not paired" in sentence_of(answer)


def test_without_pairing_the_page_leads_to_where_the_code_is_typed(abroad: tuple[Child, str]) -> None:
    _, url = abroad
    answer = web.get(url)
    assert (answer.status_code, answer.headers["location"]) == (303, "/pair")
    assert "eight digits" in web.get(f"{url}/pair").text


def test_the_code_opens_everything_for_a_program(abroad: tuple[Child, str]) -> None:
    child, url = abroad
    with web.client(url, headers={"authorization": f"Bearer {token_of(child, url)}"}) as client:
        assert client.get("/").status_code == 200
        assert client.get("/health").json() == {"ok": True, "answers": True}
        assert client.post("/act", json={"command": "species bluegill"}).json()["ok"]
        assert client.post("/act", json={"command": "species largemouth_bass"}).json()["ok"]
        assert client.cookies.get(COOKIE) is None


def test_the_code_opens_the_page_for_a_browser_without_telling_scripts_the_token(
    abroad: tuple[Child, str],
) -> None:
    child, url = abroad
    code = new_code(child.database, time.time())
    with web.client(url) as browser:
        answer = browser.post("/pair", data={"code": code}, headers={"origin": url})
        assert (answer.status_code, answer.headers["location"]) == (303, "/")
        cookie = answer.headers["set-cookie"].lower()
        assert "httponly" in cookie
        assert "samesite=strict" in cookie
        assert browser.get("/").status_code == 200
        assert browser.post("/act", json={"command": "next"}, headers={"origin": url}).status_code == 200
        no_origin = browser.post("/act", json={"command": "next"})
        assert no_origin.status_code == 403, "a cookie alone, with no word of where the request comes from"


def test_codes_and_tokens_are_nowhere_in_the_clear(abroad: tuple[Child, str]) -> None:
    child, url = abroad
    code = new_code(child.database, time.time())
    token = web.post(f"{url}/pair", json={"code": code}).json()["token"]
    secrets = [code.encode(), code.replace(" ", "").encode(), token.encode()]
    files = [path for path in child.folder.rglob("*") if path.is_file()]
    assert sessions_path(child.database) in files
    for path in files:
        kept = path.read_bytes()
        assert not any(secret in kept for secret in secrets), path
    for path in (code_path(child.database), sessions_path(child.database)):
        assert path.stat().st_mode & 0o777 == 0o600


def test_wrong_codes_are_refused_and_soon_not_even_looked_at(tmp_path: Path) -> None:
    with page_on(tmp_path, 'network = true\nlisten = "127.0.0.1"') as (child, url):
        right = new_code(child.database, time.time())
        wrong = f"{(int(right.replace(' ', '')) + 1) % 10**8:08}"

        def guess(code: str) -> httpx.Response:
            return web.post(f"{url}/pair", json={"code": code})

        for code in ("", "abc", wrong, "1" * 4000, "１２３４５６７８"):
            answer = guess(code)
            assert (answer.status_code, sentence_of(answer)[:20]) == (403, "That is not the code")
        assert WRONG_EACH == 5
        answer = guess(right)
        assert answer.status_code == 429
        assert "try again in 15 minutes" in sentence_of(answer)
        assert int(answer.headers["retry-after"]) > 800
        with attack(lambda: guess(wrong)):
            fish_go_on(child)


def test_a_session_that_was_ended_cannot_be_replayed(abroad: tuple[Child, str]) -> None:
    child, url = abroad
    headers = {"authorization": f"Bearer {token_of(child, url)}"}
    assert web.get(f"{url}/health", headers=headers).status_code == 200
    new_code(child.database, time.time(), forget=True)
    with attack(lambda: web.post(f"{url}/act", json={"command": "void"}, headers=headers)):
        fish_go_on(child)
    answer = web.post(f"{url}/act", json={"command": "void"}, headers=headers)
    assert answer.status_code == 401
    assert "not paired" in sentence_of(answer)


def test_a_page_that_is_open_when_its_pairing_ends_hears_no_more(abroad: tuple[Child, str]) -> None:
    child, url = abroad
    headers = {"authorization": f"Bearer {token_of(child, url)}"}
    with web.stream(f"{url}/events", headers=headers) as answer:
        lines = answer.iter_lines()
        assert next(line for line in lines if line.startswith("event: scene"))
        new_code(child.database, time.time(), forget=True)
        events = 0
        for line in lines:  # until the stream is at its end
            events += line.startswith("event: ")
            assert events < 8, "it goes on"
    assert web.get(f"{url}/events", headers=headers).status_code == 401


def test_a_session_outlives_a_restart_of_the_station(tmp_path: Path) -> None:
    with page_on(tmp_path, 'network = true\nlisten = "127.0.0.1"') as (child, url):
        headers = {"authorization": f"Bearer {token_of(child, url)}"}
        child.signal()
        before = child.said().count("The page is at")
        child.start()
        wait_for(lambda: child.said().count("The page is at") > before, "the page again", child.process)
        assert web.get(f"{address_of(child)}/health", headers=headers).status_code == 200


# --- too much, too slow -------------------------------------------------------------------------------------


def test_a_body_that_is_too_large_is_refused_before_it_is_read(home: tuple[Child, str]) -> None:
    child, url = home

    def announced() -> bytes:
        head = b"POST /act HTTP/1.1\r\nhost: 127.0.0.1\r\ncontent-type: application/json\r\ncontent-length: 99999999\r\n\r\n"
        with raw(url, head) as door:
            return heard(door)

    said = announced()
    assert b" 413 " in said
    assert f"at most {MOST_BODY_BYTES} bytes".encode() in said

    def in_pieces() -> bytes:
        head = b"POST /act HTTP/1.1\r\nhost: 127.0.0.1\r\ntransfer-encoding: chunked\r\n\r\n"
        with raw(url, head + (b"400\r\n" + b"x" * 1024 + b"\r\n") * 5) as door:  # and no end
            return heard(door)

    assert b" 413 " in in_pieces()
    with attack(announced), attack(in_pieces):
        fish_go_on(child)


def test_the_head_of_a_request_that_comes_too_slowly_ends_the_connection(home: tuple[Child, str]) -> None:
    child, url = home
    with ExitStack() as stack:
        doors = [
            stack.enter_context(raw(url, b"GET / HTTP/1.1\r\nhost: 127.0.0.1\r\nx: ")) for _ in range(10)
        ]
        stop = threading.Event()

        def drip() -> None:
            while not stop.wait(0.2):
                for door in doors:
                    try:
                        door.sendall(b"x")
                    except OSError:
                        pass

        dripping = threading.Thread(target=drip)
        dripping.start()
        try:
            fish_go_on(child)
            said = [heard(door) for door in doors]
        finally:
            stop.set()
            dripping.join()
    assert any(b"408" in one and b"No whole request came within 5 s." in one for one in said)


def test_two_hundred_idle_connections_do_not_lock_the_crew_out(home: tuple[Child, str]) -> None:
    child, url = home
    with ExitStack() as stack:
        doors = [stack.enter_context(raw(url)) for _ in range(200)]
        assert web.get(url).status_code == 200
        assert web.post(f"{url}/act", json={"command": "next"}).json()["ok"]
        fish_go_on(child)
        refused = heard(doors[0])
        assert b"408" in refused
        assert refused.endswith(b".")
    assert Limits().most < 200


def test_streams_that_nobody_reads_end_and_hold_up_nothing(home: tuple[Child, str]) -> None:
    child, url = home
    with ExitStack() as stack:
        request = b"GET /events HTTP/1.1\r\nhost: 127.0.0.1\r\n\r\n"
        for _ in range(8):
            stack.enter_context(raw(url, request))
        fish_go_on(child, 10)
        well = {"ok": True, "answers": True}
        wait_for(lambda: web.get(f"{url}/health").json() == well, "an answer in time", child.process)


def test_too_many_streams_of_one_address_are_refused(home: tuple[Child, str]) -> None:
    child, url = home
    with ExitStack() as stack:
        request = b"GET /events HTTP/1.1\r\nhost: 127.0.0.1\r\n\r\n"
        doors = [stack.enter_context(raw(url, request)) for _ in range(20)]
        answers = [door.recv(15) for door in doors]
        assert answers.count(b"HTTP/1.1 503 Ser") + answers.count(b"HTTP/1.1 503 Se") >= 4
        refused = web.get(f"{url}/events")
        assert (refused.status_code, sentence_of(refused)) == (
            503,
            "Too many pages of the station are open: close some of them.",
        )
        assert web.get(url).status_code == 200
        fish_go_on(child)


@pytest.mark.parametrize(
    "noise",
    [b"\x00\xff\xfe garbage\r\n\r\n", b"GET  HTTP/9\r\n\r\n", b"POST /act HTTP/1.1\r\ncontent-length: -1\r\n\r\n",
     b"GET / HTTP/1.1\r\nhost: a\r\nhost: b\r\n\r\n", b"GET /" + b"x" * 100_000],
)  # fmt: skip
def test_noise_is_refused(home: tuple[Child, str], noise: bytes) -> None:
    child, url = home
    with raw(url, noise) as door:
        assert b" 400 " in heard(door)
    assert child.process is not None
    assert child.process.poll() is None


# Three at once and then one an hour: a busy computer, too, gets no fourth through.
SLOW_PACE = "from station.actions import Pace; Pace.__init__.__defaults__ = (3, 3600.0, Pace.__init__.__defaults__[2])"


def test_too_many_actions_at_once_are_refused(tmp_path: Path) -> None:
    with page_on(tmp_path, broken=SLOW_PACE) as (child, url):

        def acts() -> list[int]:
            with web.client(url) as client:
                return [
                    client.post("/act", json={"command": "species largemouth_bass"}).status_code
                    for _ in range(4)
                ]

        assert acts() == [200, 200, 200, 429]
        with attack(acts):
            fish_go_on(child)


def test_what_the_page_may_not_give_is_refused_in_a_sentence(home: tuple[Child, str]) -> None:
    _, url = home
    for body, said in (
        ({"command": "batch bluegill count=3"}, '"batch" cannot be given on the page'),
        ({"command": "dance"}, '"dance" is no command'),
        ({"ask": "snapshot"}, "An action is a JSON object"),
    ):
        answer = act(url, body)
        assert (answer.status_code, said in sentence_of(answer)) == (400, True)


def test_an_action_for_a_bench_that_there_is_not_is_refused(home: tuple[Child, str]) -> None:
    _, url = home
    wait_for(
        lambda: act(url, {"command": "next", "bench": "left"}).status_code == 409, "the station's own word"
    )
    answer = web.get(f"{url}/events", params={"bench": "left"})
    assert (answer.status_code, sentence_of(answer)) == (404, "There is no bench 'left'; known are main.")


def act(url: str, body: dict[str, Any]) -> httpx.Response:
    return web.post(f"{url}/act", json=body)
