"""`station pair`, and what `station check` says of the page."""

import json
from pathlib import Path

import pytest

from tests.cli.command_line import call, call_json
from tests.ingest.daemon_tools import quick_station
from tests.station.page_tools import page_on, with_page
from tests.station.web import client


def test_the_code_that_is_shown_pairs_and_forget_ends_what_was_paired(tmp_path: Path) -> None:
    with (
        page_on(tmp_path, 'network = true\nlisten = "127.0.0.1"') as (_, url),
        client(url) as web,
    ):

        def pair(code: str) -> dict[str, str]:
            return {"authorization": f"Bearer {web.post('/pair', json={'code': code}).json()['token']}"}

        shown = call("station", "pair", "--config", "station.toml", folder=tmp_path).stdout
        (code,) = [line.strip() for line in shown.splitlines() if line.startswith("    ")]
        assert "the address that the station said at its start" in shown
        first = pair(code)
        assert web.get("/health", headers=first).status_code == 200
        facts = call_json("station", "pair", "--forget", "--config", "station.toml", folder=tmp_path)
        assert facts["until"].endswith("Z")
        assert web.get("/health", headers=first).status_code == 401
        assert web.get("/health", headers=pair(facts["code"])).status_code == 200


def test_without_a_station_there_is_nothing_to_pair_with(tmp_path: Path) -> None:
    with_page(quick_station(tmp_path))
    done = call("station", "pair", "--config", "station.toml", folder=tmp_path, expect=3)
    assert "No station runs" in done.stderr


def test_a_station_without_a_page_says_so(tmp_path: Path) -> None:
    with_page(quick_station(tmp_path), "on = false")
    done = call("station", "pair", "--config", "station.toml", folder=tmp_path, expect=2)
    assert "This station has no page" in done.stderr


@pytest.mark.parametrize(
    ("lines", "shown"),
    [
        ("", "http://127.0.0.1:8620/, this computer only"),
        ("[page]\nport = 8700", "http://127.0.0.1:8700/, this computer only"),
        (
            '[page]\nnetwork = true\nlisten = "192.0.2.5"',
            "http://192.0.2.5:8620/, the network too, after pairing",
        ),
        ('[page]\nlisten = "::1"', "http://[::1]:8620/, this computer only"),
        ("[page]\nport = 0", "at an address that is said at the start, this computer only"),
        ("[page]\non = false", "none"),
    ],
)
def test_the_check_says_where_the_page_will_be(tmp_path: Path, lines: str, shown: str) -> None:
    toml = quick_station(tmp_path)
    toml.write_text(f"{toml.read_text()}{lines}\n")
    text = call("station", "check", "station.toml", folder=tmp_path).stdout
    (page,) = [line for line in text.splitlines() if line.startswith("page ")]
    assert page.split(maxsplit=1)[1] == shown


@pytest.mark.parametrize(
    ("lines", "key", "said"),
    [
        ('listen = "0.0.0.0"', "page", "lets other computers in: say network = true too"),
        ('listen = "station.local"', "page.listen", "is no address of a computer"),
        ("port = 70000", "page.port", "65535"),
        ("network = 1", "page.network", "write true or false"),
        ('network = "yes"', "page.network", "write true or false"),
        ('names = ["a b"]', "page.names", "match"),
        ('units = "feet"', "page.units", "inch_pound"),
        ('theme = "blue"', "page.theme", "dark"),
        ("session_days = 0.0", "page.session_days", "greater than 0"),
        ("unit = 3", "page.unit", "did you mean `units`"),
    ],
)
def test_mistakes_in_the_table_of_the_page_are_explained(
    tmp_path: Path, lines: str, key: str, said: str
) -> None:
    toml = quick_station(tmp_path)
    toml.write_text(f"{toml.read_text()}[page]\n{lines}\n")
    done = call("station", "check", "station.toml", "--json", folder=tmp_path, expect=2)
    (problem,) = json.loads(done.stdout)["problems"]
    assert problem["key"].startswith(key)
    assert said in problem["text"]
