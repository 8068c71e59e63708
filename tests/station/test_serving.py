"""The page beside the ingest: it comes, it goes, it fails, and the fish go on."""

import json
import socket
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from queue import SimpleQueue
from typing import Any

import httpx
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.announce import Tell
from ingest.companions import Doors
from ingest.control import Ask
from ingest.packs import MOST_BYTES, Pack, write_pack
from ingest.station_config import load_station
from station.serving import PageServer
from tests.cli.command_line import call
from tests.ingest.daemon_tools import Child, quick_station, station_on, wait_for
from tests.ports import reserved_port
from tests.station import web
from tests.station.page_tools import PROGRAM, address_of, page_on, with_page

TAG = "999000000000001"


@pytest.fixture(scope="module")
def station(tmp_path_factory: pytest.TempPathFactory) -> Any:
    with page_on(tmp_path_factory.mktemp("serving")) as one:
        one[0].work_up(TAG)
        yield one


def doors_of(folder: Path, lines: str) -> tuple[Doors, "SimpleQueue[Ask | Tell]", list[str]]:
    """What the page is given, and what it delivers and shows."""
    toml = quick_station(folder)
    toml.write_text(f"{toml.read_text()}[page]\n{lines}\n")
    heard: SimpleQueue[Ask | Tell] = SimpleQueue()
    shown: list[str] = []
    return Doors(load_station(toml), heard.put, shown.append, toml), heard, shown


def told(heard: "SimpleQueue[Ask | Tell]") -> Tell:
    one = heard.get(timeout=60)
    assert isinstance(one, Tell)
    return one


def test_a_port_that_is_taken_is_said_once_and_tried_until_it_is_free(tmp_path: Path) -> None:
    with reserved_port() as port, socket.create_server(("127.0.0.1", port)) as other:
        doors, heard, _ = doors_of(tmp_path, f"port = {port}")
        page = PageServer(doors, retry_s=0.01)
        try:
            first = told(heard)
            assert (first.name, first.sound.value) == ("page_not_served", "trouble")
            assert f"127.0.0.1 port {port} cannot be used (Address already in use)" in first.sentence
            other.close()
            second = told(heard)
            assert (second.name, second.sentence) == (
                "page_ready",
                f"The page is at http://127.0.0.1:{port}/",
            )
        finally:
            page.close()


def test_fish_go_on_while_there_is_no_page(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as other:
        toml = with_page(quick_station(tmp_path))
        toml.write_text(toml.read_text().replace("port = 0", f"port = {other.getsockname()[1]}"))
        with station_on(toml, program=PROGRAM) as child:
            wait_for(lambda: "There is no page" in child.said(), "word of it", child.process)
            child.work_up(TAG)
            assert [fish["tag"] for fish in child.fish()] == [TAG]
            assert child.signal() == 0


def test_a_page_that_is_off_listens_nowhere(tmp_path: Path) -> None:
    doors, heard, _ = doors_of(tmp_path, "on = false\nport = 0")
    page = PageServer(doors)
    page.hear({"name": "fish_saved"})
    page.close()
    assert heard.empty()


def test_a_person_at_the_terminal_sees_a_code_on_the_network_and_the_log_does_not(tmp_path: Path) -> None:
    doors, heard, shown = doors_of(tmp_path, 'port = 0\nnetwork = true\nlisten = "127.0.0.1"')
    doors.station.database.touch()
    page = PageServer(doors)
    try:
        ready = told(heard)
        assert "tallywell station pair shows the code" in ready.sentence
        wait_for(lambda: len(shown) == 1, "the code")
        code = shown[0].rpartition(": ")[2]
        assert code not in ready.sentence
        address = ready.sentence.split()[4].rstrip("/;")
        assert web.post(f"{address}/pair", json={"code": code}).json()["ok"]
    finally:
        page.close()


def test_a_code_that_cannot_be_kept_costs_the_code_not_the_page(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    doors, heard, shown = doors_of(tmp_path, 'port = 0\nnetwork = true\nlisten = "127.0.0.1"')
    doors.station.database.touch()  # of another user than the one that runs the station
    monkeypatch.setattr("os.geteuid", lambda: doors.station.database.stat().st_uid + 1)
    page = PageServer(doors)
    try:
        address = told(heard).sentence.split()[4].rstrip("/;")
        assert web.get(f"{address}/pair").status_code == 200
        assert shown == []
        assert heard.empty()
    finally:
        page.close()


def test_the_page_can_be_reached_as_soon_as_it_is_said_where_it_is(tmp_path: Path) -> None:
    doors, _, _ = doors_of(tmp_path, "port = 0")
    reached: SimpleQueue[bool] = SimpleQueue()

    def deliver(said: Ask | Tell) -> None:
        if isinstance(said, Tell):
            address = httpx.URL(said.sentence.split()[-1])
            with socket.socket() as visitor:
                reached.put(visitor.connect_ex((address.host, address.port)) == 0)

    page = PageServer(replace(doors, deliver=deliver))
    try:
        assert reached.get(timeout=60)
    finally:
        page.close()


def test_open_streams_do_not_hold_up_the_end_and_nothing_of_the_library_is_on_the_terminal(
    tmp_path: Path,
) -> None:
    with page_on(tmp_path) as (child, url), web.stream(f"{url}/events") as stream:
        lines = stream.iter_lines()
        assert next(lines) == "retry: 1000"
        child.work_up(TAG)
        assert child.signal() == 0
        assert [one for one in lines if one.startswith("event: said")]
        for line in child.said().splitlines():
            assert line[2] + line[5] == "::", f"a line that the station did not say: {line}"


def test_a_page_that_fails_is_told_comes_again_and_the_fish_go_on(tmp_path: Path) -> None:
    broken = """
from station import serving
serve, failures = serving.PageServer._serve, []
async def fail_once(self):
    if not failures:
        failures.append(True)
        raise ValueError("broken")
    await serve(self)
serving.PageServer._serve = fail_once
serving.PageServer.__init__.__defaults__ = (0.01,)
"""
    with station_on(with_page(quick_station(tmp_path)), program=PROGRAM, broken=broken) as child:
        url = address_of(child)
        assert "The page failed by a fault of this program (broken). The fish go on." in child.said()
        child.work_up(TAG)
        assert [fish["status"] for fish in child.fish()] == ["saved"]
        assert web.get(url).status_code == 200
        assert child.signal() == 0


def test_another_page_in_the_file_needs_a_restart_and_that_is_said(tmp_path: Path) -> None:
    with page_on(tmp_path) as (child, _):
        toml = tmp_path / "station.toml"
        toml.write_text(toml.read_text() + 'units = "inch_pound"\n')
        wait_for(lambda: "A new page needs a restart of the station" in child.said(), "the refusal")


def test_what_the_page_did_is_replayed_as_it_was(tmp_path: Path) -> None:
    with page_on(tmp_path) as (child, url):
        child.work_up(TAG)
        for command in (
            "fate removed",
            "note from the page",
            "run start area=upper bay",
            "run end seconds=640",
        ):
            assert web.post(f"{url}/act", json={"command": command}).json()["ok"]
        (fish,) = child.fish()
        assert fish["fate"] == "removed"
        assert child.signal() == 0
        call("rebuild", child.database, folder=tmp_path)


def test_the_stream_of_the_real_station_shows_a_fish_from_tag_to_saved(station: tuple[Child, str]) -> None:
    child, url = station
    with web.stream(f"{url}/events", params={"bench": "main"}) as stream:
        assert stream.headers["content-type"].startswith("text/event-stream")
        lines = stream.iter_lines()
        next(lines)
        child.work_up("999000000000002")
        names, states = [], []
        for line in lines:
            if line.startswith('data: {"name"'):
                names.append(json.loads(line[6:])["name"])
            elif line.startswith('data: {"station"'):
                states.append(json.loads(line[6:])["state"])
                if states[-1] == "saved" and names[-1:] == ["fish_saved"]:
                    break
        assert names == ["part_taken", "part_taken", "part_taken", "fish_saved"]


# --- the database for the office ----------------------------------------------------------------------------


def test_the_manifest_is_that_of_a_fresh_snapshot_and_the_file_is_whole(station: tuple[Child, str]) -> None:
    child, url = station
    first = web.get(f"{url}/pull/manifest").json()
    assert first["station"] == "bank"
    assert {
        "sha256",
        "size_bytes",
        "schema_version",
        "sqlite_version",
        "rows",
        "taken_at",
        "clock_doubtful",
        "surveys",
    } <= set(first)
    assert web.get(f"{url}/pull/manifest").json() == first, "nothing changed: no new snapshot"
    answer = web.get(f"{url}/pull/file/{first['file']}")
    assert len(answer.content) == first["size_bytes"]
    assert answer.content == (child.folder / "snapshots" / first["file"]).read_bytes()
    assert answer.headers["accept-ranges"] == "bytes"


@pytest.mark.parametrize(
    "name",
    [
        "work-up.sqlite",
        "..%2Fwork-up.sqlite",
        "%2e%2e/work-up.sqlite",
        "nothing.sqlite",
        "a.json",
        "%00.sqlite",
    ],
)
def test_no_other_file_can_be_pulled(station: tuple[Child, str], name: str) -> None:
    _, url = station
    answer = web.get(f"{url}/pull/file/{name}")
    assert answer.status_code == 404
    assert answer.json()["error"].endswith(".")


ranges = st.one_of(
    st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=30).map(str.strip),
    st.builds("bytes={}-{}".format, st.integers(0, 10**6), st.integers(0, 10**6) | st.just("")),
    st.builds("bytes=-{}".format, st.integers(0, 10**6)),
    st.lists(st.tuples(st.integers(0, 10**5), st.integers(0, 10**5)), min_size=1, max_size=4).map(
        lambda pairs: "bytes=" + ",".join(f"{first}-{last}" for first, last in pairs)
    ),
)


class Pulled:
    """A snapshot on the station, and a client that has it."""

    def __init__(self, folder: Path, client: httpx.Client) -> None:
        name = client.get("/pull/manifest").json()["file"]
        self._client, self._path = client, f"/pull/file/{name}"
        self.whole = (folder / "snapshots" / name).read_bytes()

    def get(self, **headers: str) -> httpx.Response:
        sent = {name.replace("_", "-"): value for name, value in headers.items()}
        return self._client.get(self._path, headers=sent)


@pytest.fixture(scope="module")
def pulled(station: tuple[Child, str]) -> Iterator[Pulled]:
    child, url = station
    with web.client(url) as client:
        yield Pulled(child.folder, client)


@given(wanted=ranges)
@settings(max_examples=60, deadline=None)
def test_any_range_gives_those_bytes_or_a_refusal(pulled: Pulled, wanted: str) -> None:
    answer = pulled.get(range=wanted)
    assert answer.status_code in (200, 206, 400, 416)
    if answer.status_code == 200:
        assert answer.content == pulled.whole
    if answer.status_code == 206 and not answer.headers["content-type"].startswith("multipart/"):
        unit, _, rest = answer.headers["content-range"].partition(" ")
        first, last = map(int, rest.partition("/")[0].split("-"))
        assert (unit, answer.content) == ("bytes", pulled.whole[first : last + 1])


def test_a_pull_that_broke_off_goes_on_where_it_was(pulled: Pulled) -> None:
    head = pulled.get(range="bytes=0-9999")
    tail = pulled.get(range="bytes=10000-", if_range=head.headers["etag"])
    assert (head.status_code, tail.status_code) == (206, 206)
    assert head.content + tail.content == pulled.whole
    assert pulled.get(range=f"bytes={len(pulled.whole)}-").status_code == 416


# --- the history pack from the office -----------------------------------------------------------------------

OLD_FISH = "999000000000555"


def pack_of(made_at: str) -> bytes:
    row = f"{OLD_FISH},2025-05-13,Reedmace Pond,largemouth_bass,287,301,removed"
    history = f"tag,date,water,species,length_mm,weight_g,fate\n{row}\n".encode()
    return write_pack(Pack(made_at, "office", ("Reedmace Pond",), {"history.csv": history}))


def test_a_pack_over_the_network_is_in_use_at_once_and_an_older_one_is_refused(tmp_path: Path) -> None:
    with page_on(tmp_path) as (child, url):
        answer = web.post(f"{url}/pack", content=pack_of("2026-05-01T12:00:00Z"))
        assert (answer.status_code, answer.json()["changed"]) == (200, True)
        assert "Reedmace Pond" in answer.json()["said"]
        wait_for(lambda: "New settings are in use" in child.said(), "the pack in use", child.process)
        child.work_up(OLD_FISH)
        wait_for(lambda: "recapture" in child.said().lower(), "the word of it", child.process)
        again = web.post(f"{url}/pack", content=pack_of("2026-05-01T12:00:00Z"))
        assert again.json()["changed"] is False
        for body in (pack_of("2026-04-01T12:00:00Z"), b"PK no pack", b""):
            refused = web.post(f"{url}/pack", content=body)
            assert (refused.status_code, refused.json()["ok"]) == (409, False)
            assert refused.json()["error"].endswith(".")


def test_a_pack_that_is_too_large_is_refused_before_it_is_read(station: tuple[Child, str]) -> None:
    _, url = station
    head = f"POST /pack HTTP/1.1\r\nhost: 127.0.0.1\r\ncontent-length: {65 << 20}\r\n\r\n"
    with socket.create_connection(("127.0.0.1", httpx.URL(url).port or 0), timeout=20) as door:
        door.sendall(head.encode())
        assert b" 413 " in door.recv(65536)


def test_a_pack_that_is_too_long_or_not_sent_to_its_end_is_refused_in_one_sentence(tmp_path: Path) -> None:
    with page_on(tmp_path) as (child, url):
        endless = web.post(f"{url}/pack", content=(bytes(1 << 20) for _ in range((MOST_BYTES >> 20) + 1)))
        assert endless.status_code == 413
        assert (
            endless.json()["error"] == f"That is too much at once: at most {MOST_BYTES} bytes are taken here."
        )
        host = url.removeprefix("http://")
        with socket.create_connection(("127.0.0.1", httpx.URL(url).port or 0), timeout=20) as door:
            door.sendall(f"POST /pack HTTP/1.1\r\nhost: {host}\r\ncontent-length: 9\r\n\r\nx".encode())
        assert (
            web.post(f"{url}/pack", content=b"PK no pack").status_code == 409
        )  # one after the other: that one is over
        logs = [path.read_text() for path in child.folder.rglob("*.log")]
        assert logs
        assert "by a fault of this program" not in "".join(logs)
