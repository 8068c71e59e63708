"""The control door: answers, garbage, limits, and subscribers that must not hold anybody up."""

import json
import socket
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ingest.control import (
    MAX_REQUEST_BYTES,
    MOST_CONNECTIONS,
    Ask,
    ControlServer,
    StationClient,
    StationError,
    socket_path,
)
from tests.ingest.daemon_tools import quick_station, station_on, wait_for


@pytest.fixture
def door(tmp_path: Path) -> Iterator[tuple[Path, ControlServer]]:
    """A server that answers every request with the request itself."""
    database = tmp_path / "work-up.sqlite"

    def echo(ask: Ask) -> None:
        ask.reply({"ok": True, "asked": dict(ask.request)})

    server = ControlServer(socket_path(database), echo)
    yield database, server
    server.close()


def raw(database: Path) -> socket.socket:
    made = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    made.settimeout(20)
    made.connect(str(socket_path(database)))
    return made


def test_a_question_is_answered(door: tuple[Path, ControlServer]) -> None:
    with StationClient(door[0]) as client:
        assert client.ask("status", limit=3)["asked"] == {"ask": "status", "limit": 3}
        assert client.ask("again")["asked"] == {"ask": "again"}


def test_a_client_that_listens_in_another_thread_can_be_closed(door: tuple[Path, ControlServer]) -> None:
    database, server = door
    client, heard = StationClient(database), threading.Event()

    def listen() -> None:
        for _ in client.announcements():
            heard.set()

    listening = threading.Thread(target=listen, daemon=True)
    listening.start()
    while not heard.wait(0.01):
        server.publish({"name": "hello"})
    closing = threading.Thread(target=client.close, daemon=True)  # nothing is said any more
    closing.start()
    for thread in (closing, listening):
        thread.join(20)
        assert not thread.is_alive()


def test_without_a_station_the_client_says_so(tmp_path: Path) -> None:
    with pytest.raises(StationError, match="No station runs"):
        StationClient(tmp_path / "none.sqlite")


def test_a_socket_left_by_a_killed_station_is_replaced(tmp_path: Path) -> None:
    path = socket_path(tmp_path / "work-up.sqlite")
    dead = socket.socket(socket.AF_UNIX)
    dead.bind(str(path))
    dead.close()
    with pytest.raises(StationError, match="No station runs"):
        StationClient(tmp_path / "work-up.sqlite")
    server = ControlServer(path, lambda ask: ask.reply({"ok": True}))
    with StationClient(tmp_path / "work-up.sqlite") as client:
        client.ask("status")
    server.close()
    assert not path.exists()


def test_a_database_deep_in_the_tree_has_a_door_too(tmp_path: Path) -> None:
    folder = tmp_path / ("a" * 100) / ("b" * 100)
    folder.mkdir(parents=True)
    server = ControlServer(socket_path(folder / "x.sqlite"), lambda ask: ask.reply({"ok": True}))
    with StationClient(folder / "x.sqlite") as client:
        assert client.ask("status")["ok"]
    server.close()


@settings(
    deadline=None,
    max_examples=60,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(garbage=st.binary(max_size=300).map(lambda data: data.replace(b"\n", b"")))
def test_garbage_is_answered_with_a_sentence_and_harms_nobody(
    door: tuple[Path, ControlServer], garbage: bytes
) -> None:
    with raw(door[0]) as client, client.makefile("rb") as lines:
        client.sendall(garbage + b"\n")
        answer = json.loads(lines.readline())
        assert answer["ok"] is False or "ask" in answer["asked"]
        client.sendall(b'{"ask":"status"}\n')
        assert json.loads(lines.readline())["ok"]


def test_a_request_that_is_too_long_is_refused(door: tuple[Path, ControlServer]) -> None:
    with raw(door[0]) as client, client.makefile("rb") as lines:
        client.sendall(b'{"ask":"' + b"x" * MAX_REQUEST_BYTES)
        assert "at most 65536 bytes" in json.loads(lines.readline())["error"]
    with StationClient(door[0]) as other:
        assert other.ask("status")["ok"]


def test_one_connection_too_many_is_told_so_and_a_freed_place_is_used_again(
    door: tuple[Path, ControlServer],
) -> None:
    clients = [StationClient(door[0]) for _ in range(MOST_CONNECTIONS)]
    for client in clients:
        client.ask("status")
    extra = StationClient(door[0])
    with pytest.raises(StationError):
        extra.ask("status")
    extra.close()
    for client in clients:
        client.close()

    def welcome() -> bool:
        try:
            with StationClient(door[0]) as late:
                return bool(late.ask("status")["ok"])
        except StationError:
            return False

    wait_for(welcome, "a free place")


def test_a_subscriber_hears_every_announcement(door: tuple[Path, ControlServer]) -> None:
    database, server = door
    heard: list[str] = []
    subscribed = threading.Event()

    def listen() -> None:
        with StationClient(database) as client:
            stream = client.announcements()
            for one in stream:
                heard.append(str(one["name"]))
                subscribed.set()

    thread = threading.Thread(target=listen)
    thread.start()
    while not subscribed.wait(0.01):
        server.publish({"name": "hello"})
    count = heard.count("hello")
    for number in range(50):
        server.publish({"name": f"n{number}"})
    wait_for(lambda: len(heard) >= count + 50, "fifty announcements")
    assert [name for name in heard if name != "hello"] == [f"n{number}" for number in range(50)]
    server.close()
    thread.join(20)
    assert not thread.is_alive()


def test_a_subscriber_that_does_not_read_is_dropped_and_blocks_nobody(
    door: tuple[Path, ControlServer],
) -> None:
    database, server = door
    with raw(database) as mute:
        mute.sendall(b'{"ask":"subscribe"}\n')
        assert json.loads(mute.recv(100))["ok"]
        wide = {"name": "wide", "sentence": "x" * 2000}
        for _ in range(5000):
            server.publish(wide)
        mute.settimeout(20)
        size = 0
        while data := mute.recv(1 << 20):  # what the socket held, and then the end
            size += len(data)
        assert size < 5000 * 2000
    with StationClient(database) as client:
        assert client.ask("status")["ok"]


def test_the_station_answers_while_it_works(tmp_path: Path) -> None:
    with station_on(quick_station(tmp_path)) as station:
        station.work_up("985120000000101")
        wait_for(lambda: len(station.fish()) == 1, "the fish")
        with station.client() as client:
            status = client.ask("status")
            assert status["survey"]["water"] == "Reedmace Pond"
            assert status["instruments"]["scale"]["port"] == "opened"
            assert status["instruments"]["board"]["outcomes"]["LengthSeen"] == 1
            assert status["benches"]["main"]["in_hand"] is None
            said = client.command("note torn fin", bench="main")
            assert [one["name"] for one in said] == ["fish_amended"]
            assert client.ask("fish")["fish"][0]["note"] == "torn fin"
            fish_id = client.ask("fish")["fish"][0]["fish_id"]
            trace = client.ask("trace", fish_id=fish_id)
            assert {row["data"].strip() for row in trace["frames"]} >= {"985120000000101", "312 mm"}
            captures = client.ask("history", tag="985 120000000101")["captures"]
            assert [one["length_mm"] for one in captures] == [312.0]
            refused = client.command("dance")
            assert "is no command" in refused[0]["sentence"]
            questions: tuple[tuple[str, dict[str, object], str], ...] = (
                ("command", {}, '"command" is missing'),
                ("command", {"command": "next", "bench": "moon"}, "There is no bench 'moon'"),
                ("fish", {"limit": 0}, "whole number from 1"),
                ("history", {"tag": "hello"}, "hello"),
                ("trace", {"fish_id": "x"}, "There is no fish x"),
                ("sing", {}, "possible are: status"),
            )
            for what, details, says in questions:
                with pytest.raises(StationError, match=says):
                    client.ask(what, **details)
        assert station.signal() == 0
