"""Who is let in: names, origins, pairing, the user at the other end."""

import os
import socket
import subprocess
import sys
from collections.abc import Callable, Mapping

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from starlette.requests import Request

from ingest.station_file import PageTable
from station.access import COOKIE, Access, Need, needed
from station.peers import is_this_computer, peer_uid, plain_address

HERE = PageTable()
NETWORK = PageTable(network=True, names=("Station.local",))
OTHER_USER = os.getuid() + 1


def request_of(
    path: str = "/",
    method: str = "GET",
    headers: Mapping[str, str] | None = None,
    client: str = "127.0.0.1",
    server: str = "127.0.0.1",
) -> Request:
    sent = {"host": f"{server}:8620", **(headers or {})}
    return Request(
        {
            "type": "http",
            "method": method,
            "path": path,
            "query_string": b"",
            "headers": [(name.encode(), value.encode("latin-1")) for name, value in sent.items()],
            "client": (client, 50_000),
            "server": (server, 8620),
            "scheme": "http",
        }
    )


def status(
    request: Request,
    settings: PageTable = HERE,
    user: int | None = None,
    knows: Callable[[str], bool] | None = None,
) -> int:
    """The status of the refusal, 200 if the request is let in."""
    uid = os.getuid() if user is None else user
    access = Access(
        settings, knows or (lambda token: token == "good"), lambda _, __: None if uid < 0 else uid
    )
    refusal = access.refusal(request)
    return refusal.status if refusal else 200


@pytest.mark.parametrize(
    "host", ["127.0.0.1:8620", "127.0.0.1", "localhost:8620", "LOCALHOST", "localhost.:1", "[::1]:8620"]
)
def test_this_computers_own_names_are_taken_with_any_port(host: str) -> None:
    assert status(request_of(headers={"host": host})) == 200


@pytest.mark.parametrize("host", ["192.0.2.5:8620", "station.local", "STATION.LOCAL:80"])
def test_on_the_network_the_address_asked_and_the_names_of_the_file_are_taken(host: str) -> None:
    request = request_of("/pair", headers={"host": host}, server="192.0.2.5", client="192.0.2.9")
    assert status(request, NETWORK) == 200


@pytest.mark.parametrize(
    "host",
    ["192.0.2.6", "attacker.example", "station.local.attacker.example", "station.local@x", "a b", "::1"],
)
def test_other_names_are_not(host: str) -> None:
    request = request_of("/pair", headers={"host": host}, server="192.0.2.5", client="192.0.2.9")
    assert status(request, NETWORK) == 421


@settings(deadline=None)
@given(host=st.text(st.characters(max_codepoint=255), max_size=40))
def test_any_host_is_taken_or_refused(host: str) -> None:
    assert status(request_of(headers={"host": host})) in (200, 421)


@settings(deadline=None)
@given(
    headers=st.dictionaries(
        st.sampled_from(["origin", "sec-fetch-site", "sec-fetch-mode", "cookie", "authorization", "accept"]),
        st.text(st.characters(max_codepoint=255), max_size=40),
    ),
    method=st.sampled_from(["GET", "POST", "HEAD", "PUT"]),
    path=st.sampled_from(["/", "/pair", "/act", "/events", "/pull/manifest", "/static/../act", "//act"]),
)
def test_whatever_the_headers_say_an_unpaired_device_of_the_network_gets_no_further_than_pairing(
    headers: dict[str, str], method: str, path: str
) -> None:
    request = request_of(path, method, headers, client="192.0.2.9")
    refused = status(request, NETWORK, knows=lambda token: False)
    assert refused in ((200, 403) if path in ("/pair", "/static/../act") else (401, 403))


def test_a_link_to_the_page_may_be_followed_from_anywhere_but_nothing_else() -> None:
    link = {"sec-fetch-site": "cross-site", "sec-fetch-mode": "navigate"}
    assert status(request_of("/", headers=link)) == 200
    assert status(request_of("/", "POST", link)) == 403
    assert status(request_of("/events", headers=link)) == 403
    assert status(request_of("/", headers={**link, "sec-fetch-mode": "no-cors"})) == 403


def test_a_cookie_alone_cannot_act_without_a_word_of_where_the_request_comes_from() -> None:
    cookie = {"cookie": f"{COOKIE}=good"}
    page = {"origin": "http://127.0.0.1:8620"}
    assert status(request_of("/act", "POST", cookie)) == 403
    assert status(request_of("/act", "POST", {**cookie, **page})) == 200
    assert status(request_of("/act", "POST", {"authorization": "Bearer good"}), NETWORK) == 200


def test_every_user_of_this_computer_may_look_but_only_the_stations_own_may_act() -> None:
    assert status(request_of("/"), user=OTHER_USER) == 200
    assert status(request_of("/events"), user=OTHER_USER) == 200
    for path in ("/act", "/pull/manifest", "/pack"):
        assert status(request_of(path, "POST"), user=OTHER_USER) == 401
        assert status(request_of(path, "POST"), user=-1) == 401, "the kernel does not say whose it is"
        assert status(request_of(path, "POST")) == 200
        assert status(request_of(path, "POST"), user=0) == 200
        assert status(request_of(path, "POST", {"authorization": "Bearer good"}), user=OTHER_USER) == 200


def test_on_the_network_the_stations_own_user_pairs_like_everybody() -> None:
    assert status(request_of("/"), NETWORK) == 401
    assert status(request_of("/act", "POST"), NETWORK) == 401
    assert status(request_of("/", headers={"cookie": f"{COOKIE}=good"}), NETWORK) == 200
    assert status(request_of("/", headers={"cookie": f"{COOKIE}=replayed"}), NETWORK) == 401


def test_what_no_list_names_needs_the_most() -> None:
    assert needed("/something/new") is Need.ACT


# --- who is at the other end --------------------------------------------------------------------------------


@pytest.mark.parametrize("family", [socket.AF_INET, socket.AF_INET6])
def test_the_kernel_says_whose_program_a_connection_is(family: socket.AddressFamily) -> None:
    host = "127.0.0.1" if family == socket.AF_INET else "::1"
    with socket.socket(family) as listening:
        try:
            listening.bind((host, 0))
        except OSError:
            assert family == socket.AF_INET6, "every computer has 127.0.0.1"
            pytest.skip("this computer has no IPv6")
        listening.listen()
        server = listening.getsockname()[:2]
        with socket.create_connection(server) as client:
            assert peer_uid(client.getsockname()[:2], server) == os.getuid()
        assert peer_uid((host, 1), server) is None


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become another user")
def test_the_kernel_tells_another_user_from_the_stations_own() -> None:
    script = (
        "import os, socket, sys; os.setuid(65534); one = socket.socket(); one.connect(('127.0.0.1', int(sys.argv[1])));"
        "print(one.getsockname()[1], flush=True); sys.stdin.read()"
    )
    with socket.create_server(("127.0.0.1", 0)) as listening:
        server = listening.getsockname()
        command = [sys.executable, "-c", script, str(server[1])]
        with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as nobody:
            assert nobody.stdin is not None
            assert nobody.stdout is not None
            client = ("127.0.0.1", int(nobody.stdout.readline()))
            assert peer_uid(client, server) == 65534
            nobody.stdin.close()


@pytest.mark.parametrize(
    ("written", "plain", "here"),
    [
        ("127.0.0.1", "127.0.0.1", True),
        ("127.8.8.8", "127.8.8.8", True),
        ("::1", "::1", True),
        ("::ffff:127.0.0.1", "127.0.0.1", True),
        ("::ffff:192.0.2.1", "192.0.2.1", False),
        ("fe80::1%eth0", "fe80::1", False),
        ("", "", False),
        ("testclient", "testclient", False),
    ],
)
def test_addresses_are_compared_in_their_plain_form(written: str, plain: str, here: bool) -> None:
    assert (plain_address(written), is_this_computer(written)) == (plain, here)
