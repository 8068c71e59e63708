"""A pull over the network: a link that breaks goes on where it broke, and only who is let in gets anything."""

import json
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from email.utils import formatdate
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest

from ingest.records import SaveFish
from office.database import OfficeDatabase
from office.manifest import PullRefusedError
from office.network import Address, TokenBook, find_address
from office.pull import find_source, pull
from tests.ingest.builders import fish
from tests.office.pulling import NOW_S, dump, ids, nothing, pull_one, station, write_snapshot

CODE = "1234 5678"
TOKEN = "a-token"


@dataclass
class Link:
    """A station as the office sees it: its snapshots, and how the link to it behaves.

    cuts: after how many bytes each answer with the file is cut off, one after the other. asked: the ranges asked for.
    says: what it says to everything, with this status.
    """

    folder: Path
    snapshot: Path
    cuts: list[int] = field(default_factory=list)
    ranges: bool = True
    open_to_all: bool = True
    clock_s: float = NOW_S
    asked: list[str | None] = field(default_factory=list)
    damage: bool = False
    gone: bool = False
    says: bytes | None = None
    status: int = 200


def handler(link: Link) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        def date_time_string(self, timestamp: float | None = None) -> str:
            return formatdate(link.clock_s, usegmt=True)

        def log_message(self, *_: Any) -> None:
            pass

        def do_POST(self) -> None:
            if link.says is not None:
                self._bytes(link.status, link.says)
                return
            body = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
            if body == {"code": CODE}:
                self._say(200, {"ok": True, "token": TOKEN})
            else:
                self._say(403, {"ok": False, "error": "This code is not good."})

        def do_GET(self) -> None:
            if not link.open_to_all and self.headers["Authorization"] != f"Bearer {TOKEN}":
                self._say(401, {"ok": False, "error": "This device is not paired."})
            elif link.says is not None:
                self._bytes(link.status, link.says)
            elif self.path == "/pull/manifest":
                self._say(200, json.loads(link.snapshot.with_suffix(".json").read_bytes()))
            elif self.path == f"/pull/file/{link.snapshot.name}" and not link.gone:
                self._file()
            else:
                self._say(404, {"ok": False, "error": "There is no such thing."})

        def _file(self) -> None:
            data = link.snapshot.read_bytes()
            if link.damage:
                data = data[:-1] + b"?"
            asked = self.headers["Range"]
            link.asked.append(asked)
            start = int(asked.removeprefix("bytes=").rstrip("-")) if asked and link.ranges else 0
            self.send_response(206 if asked and link.ranges else 200)
            if asked and link.ranges:
                self.send_header("Content-Range", f"bytes {start}-{len(data) - 1}/{len(data)}")
            self.send_header("Content-Length", str(len(data) - start))
            self.end_headers()
            cut = link.cuts.pop(0) if link.cuts else len(data)
            self.wfile.write(data[start : start + cut])
            self.close_connection = True

        def _say(self, status: int, document: dict[str, Any]) -> None:
            self._bytes(status, json.dumps(document).encode())

        def _bytes(self, status: int, data: bytes) -> None:
            self.send_response(status)
            self.send_header("Content-Length", str(len(data)))
            self.end_headers()
            self.wfile.write(data)

    return Handler


@contextmanager
def served(link: Link) -> Iterator[str]:
    with ThreadingHTTPServer(("127.0.0.1", 0), handler(link)) as server:
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
        thread.start()
        try:
            yield f"http://127.0.0.1:{server.server_address[1]}"
        finally:
            server.shutdown()
            thread.join()


@pytest.fixture
def link(tmp_path: Path) -> Link:
    with station(tmp_path / "bank.sqlite", 60) as store:
        return Link(tmp_path, write_snapshot(store, tmp_path / "snapshots"))


@pytest.fixture
def office(tmp_path: Path) -> Iterator[OfficeDatabase]:
    with OfficeDatabase.open(tmp_path / "office.sqlite") as opened:
        yield opened


def test_a_day_comes_over_the_network(link: Link, office: OfficeDatabase) -> None:
    with served(link) as address:
        pulled = pull_one(office, address)
    assert (pulled.where, pulled.station, pulled.added["fish"]) == (address, "bank", 60)
    assert link.asked == [None]
    assert not list(office.path.parent.glob("*.pulls"))


def test_a_link_that_breaks_goes_on_where_it_broke(link: Link, office: OfficeDatabase) -> None:
    link.cuts = [70_000, 0, 30_000, 1]
    with served(link) as address:
        pull_one(office, address)
    assert link.asked == [None, "bytes=70000-", "bytes=70000-", "bytes=100000-", "bytes=100001-"]
    assert len(ids(office.connection)) == 60


def test_a_station_that_went_away_is_pulled_from_where_it_broke_by_the_next_pull(
    link: Link, office: OfficeDatabase
) -> None:
    before = dump(office.connection)
    link.cuts = [90_000] + [0] * 10
    with served(link) as address:
        with pytest.raises(PullRefusedError, match="broke off at 90,000 of"):
            pull_one(office, address)
        assert dump(office.connection) == before
        link.cuts, link.asked = [], []
        pull_one(office, address)
    assert link.asked == ["bytes=90000-"]


def test_a_station_that_knows_no_ranges_starts_over(link: Link, office: OfficeDatabase) -> None:
    link.cuts, link.ranges = [70_000], False
    with served(link) as address:
        pull_one(office, address)
    assert len(ids(office.connection)) == 60


def test_a_piece_of_an_older_snapshot_is_never_put_before_a_newer_one(
    link: Link, office: OfficeDatabase, tmp_path: Path
) -> None:
    link.cuts = [90_000] + [0] * 10
    with served(link) as address:
        with pytest.raises(PullRefusedError):
            pull_one(office, address)
        with station(tmp_path / "bank.sqlite", 60) as store:
            store.commit([SaveFish(fish(70))])
            link.snapshot = write_snapshot(store, tmp_path / "later")
        link.cuts, link.asked = [], []
        assert pull_one(office, address).added["fish"] == 61
    assert link.asked == [None]
    assert not list(office.path.parent.glob("*.pulls"))


def test_what_arrives_damaged_is_refused_and_fetched_anew(link: Link, office: OfficeDatabase) -> None:
    before = dump(office.connection)
    link.damage = True
    with served(link) as address:
        with pytest.raises(PullRefusedError, match="SHA-256"):
            pull_one(office, address)
        assert dump(office.connection) == before
        link.damage = False
        pull_one(office, address)


def test_the_code_of_the_station_is_asked_for_once(link: Link, office: OfficeDatabase) -> None:
    link.open_to_all = False
    with served(link) as address:
        with pytest.raises(PullRefusedError, match="--code CODE"):
            pull_one(office, address)
        wrong = find_source(address, office.path, "0000 0000")
        with pytest.raises(PullRefusedError, match=r"This code is not good\."):
            pull(office, wrong, NOW_S, nothing)
        assert len(pull(office, find_source(address, office.path, CODE), NOW_S, nothing).pulled) == 1
        pull_one(office, address)
    book = office.path.with_name("office.sqlite.tokens")
    assert book.stat().st_mode & 0o777 == 0o600


def test_a_clock_that_goes_wrong_is_measured(link: Link, office: OfficeDatabase) -> None:
    link.clock_s = NOW_S + 7_500
    with served(link) as address:
        assert "The clock of the station bank is 2 h ahead of this computer's" in " ".join(
            pull_one(office, address).notices
        )
        link.clock_s = NOW_S - 600
        assert "10 min behind" in " ".join(pull_one(office, address).notices)


def test_where_nobody_answers_it_is_said(link: Link, office: OfficeDatabase) -> None:
    with served(link) as address:
        pass
    with pytest.raises(PullRefusedError, match="cannot be reached"):
        pull_one(office, address)


@pytest.mark.parametrize(
    ("manifest", "said"),
    [
        (b"<html>a router</html>", "damaged or none of Tallywell"),
        (b"", "damaged or none of Tallywell"),
    ],
)
def test_something_else_that_answers_is_no_station(
    link: Link, office: OfficeDatabase, manifest: bytes, said: str
) -> None:
    link.says = manifest
    with served(link) as address:
        with pytest.raises(PullRefusedError, match=said):
            pull_one(office, address)
        with pytest.raises(PullRefusedError, match="no token"):
            pull(office, find_source(address, office.path, CODE), NOW_S, nothing)


def test_a_refusal_in_other_words_is_passed_on(link: Link, office: OfficeDatabase) -> None:
    link.says, link.status = b"the proxy is\ntired", 503
    with (
        served(link) as address,
        pytest.raises(PullRefusedError, match=r"refused \(503\): the proxy is tired"),
    ):
        pull_one(office, address)


def test_a_snapshot_that_is_gone_meanwhile_is_said(link: Link, office: OfficeDatabase) -> None:
    link.gone = True
    with served(link) as address, pytest.raises(PullRefusedError, match="There is no such thing"):
        pull_one(office, address)


def test_what_speaks_no_http_is_said(office: OfficeDatabase) -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:

        def answer() -> None:
            client, _ = server.accept()
            with client:
                client.recv(1000)
                client.sendall(b"220 mail\r\n\r\n")

        thread = threading.Thread(target=answer)
        thread.start()
        with pytest.raises(PullRefusedError, match="speaks no HTTP"):
            pull_one(office, f"http://127.0.0.1:{server.getsockname()[1]}")
        thread.join()


@pytest.mark.parametrize(
    "written",
    [
        "ftp://bank",
        "http://",
        "http://bank:nonsense",
        "http://bank/somewhere",
        "http://u:p@bank",
        "http://bank:0",
    ],
)
def test_what_can_be_no_address_is_refused(tmp_path: Path, written: str) -> None:
    with pytest.raises(PullRefusedError, match="no address of a station"):
        find_address(written, TokenBook(tmp_path / "tokens"))


def test_a_path_is_no_address(tmp_path: Path) -> None:
    assert find_address("bank.sqlite", TokenBook(tmp_path / "tokens")) is None
    book = TokenBook(tmp_path / "tokens")
    assert find_address("http://bank.local:8080/", book) == Address("http://bank.local:8080", book)


def test_a_book_of_tokens_that_is_damaged_is_a_new_one(tmp_path: Path) -> None:
    for text in ("", "[", "[1]", "{}"):
        (tmp_path / "tokens").write_text(text)
        assert TokenBook(tmp_path / "tokens").token("http://bank") is None
