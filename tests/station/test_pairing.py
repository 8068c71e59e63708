"""Codes and sessions: what opens one, what ends it, and what lies on the disk."""

import json
import os
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from station.pairing import (
    CODE_GOOD_S,
    MOST_SESSIONS,
    WRONG_ALL,
    WRONG_EACH,
    KeptCode,
    Pairing,
    PairingError,
    Tries,
    code_path,
    new_code,
    sessions_path,
)

DAY_S = 86_400.0
NOW_S = 1_778_590_800.0


class Clocks:
    def __init__(self) -> None:
        self.wall_s = NOW_S
        self.mono_s = 0.0

    def pass_s(self, seconds: float) -> None:
        self.wall_s += seconds
        self.mono_s += seconds


@pytest.fixture
def clocks() -> Clocks:
    return Clocks()


@pytest.fixture
def database(tmp_path: Path) -> Path:
    path = tmp_path / "work-up.sqlite"
    path.touch()
    return path


def pairing_of(database: Path, clocks: Clocks, days: float = 30.0) -> Pairing:
    return Pairing(database, days, lambda: clocks.wall_s, lambda: clocks.mono_s)


def refusal(pairing: Pairing, code: str, address: str = "192.0.2.7") -> str:
    with pytest.raises(PairingError) as refused:
        pairing.open_session(code, address)
    return str(refused.value)


def test_the_code_opens_sessions_as_it_is_shown_and_as_people_type_it(database: Path, clocks: Clocks) -> None:
    pairing = pairing_of(database, clocks)
    code = new_code(database, clocks.wall_s)
    typed = [code, code.replace(" ", ""), code.replace(" ", "-"), f" {code} "]
    tokens = [pairing.open_session(one, "192.0.2.7") for one in typed]
    assert len(set(tokens)) == 4
    assert all(pairing.knows(token) for token in tokens)
    assert len(code.replace(" ", "")) == 8


def test_a_code_is_good_for_fifteen_minutes(database: Path, clocks: Clocks) -> None:
    pairing = pairing_of(database, clocks)
    code = new_code(database, clocks.wall_s)
    clocks.pass_s(CODE_GOOD_S - 1)
    assert pairing.open_session(code, "192.0.2.7")
    clocks.pass_s(1)
    assert "No code is good now" in refusal(pairing, code)


def test_without_a_code_nothing_opens(database: Path, clocks: Clocks) -> None:
    assert "No code is good now" in refusal(pairing_of(database, clocks), "12345678")


def test_a_new_code_takes_the_place_of_the_old_one_while_the_page_is_served(
    database: Path, clocks: Clocks
) -> None:
    pairing = pairing_of(database, clocks)
    old = new_code(database, clocks.wall_s)
    pairing.open_session(old, "192.0.2.7")
    new = new_code(database, clocks.wall_s)
    assert "not the code" in refusal(pairing, old)
    assert pairing.open_session(new, "192.0.2.7")


def test_an_address_with_wrong_codes_waits_and_another_does_not(database: Path, clocks: Clocks) -> None:
    pairing = pairing_of(database, clocks)
    code = new_code(database, clocks.wall_s)
    for _ in range(WRONG_EACH):
        assert "not the code" in refusal(pairing, "wrong")
        clocks.pass_s(1)
    assert "try again in 15 minutes" in refusal(pairing, code)
    assert pairing.open_session(code, "192.0.2.8")
    clocks.pass_s(CODE_GOOD_S - WRONG_EACH)
    assert pairing.open_session(new_code(database, clocks.wall_s), "192.0.2.7")


def test_a_code_that_was_guessed_at_from_everywhere_is_void(database: Path, clocks: Clocks) -> None:
    tries = Tries()
    code = KeptCode("00", "00", NOW_S + 1)
    for number in range(WRONG_ALL):
        assert not tries.is_void(code)
        tries.note_wrong(f"192.0.2.{number}", code, 0.0)
    assert tries.is_void(code)
    assert not tries.is_void(KeptCode("01", "00", NOW_S + 1))


def test_a_right_code_forgives_the_wrong_ones_before(database: Path, clocks: Clocks) -> None:
    pairing = pairing_of(database, clocks)
    code = new_code(database, clocks.wall_s)
    for _ in range(3):
        for _ in range(WRONG_EACH - 1):
            refusal(pairing, "wrong")
        pairing.open_session(code, "192.0.2.7")


def test_a_session_ends_on_its_day(database: Path, clocks: Clocks) -> None:
    pairing = pairing_of(database, clocks, days=2.0)
    token = pairing.open_session(new_code(database, clocks.wall_s), "192.0.2.7")
    clocks.pass_s(2 * DAY_S - 1)
    assert pairing.knows(token)
    clocks.pass_s(1)
    assert not pairing.knows(token)


def test_sessions_outlive_a_restart_and_end_all_together_when_asked(database: Path, clocks: Clocks) -> None:
    token = pairing_of(database, clocks).open_session(new_code(database, clocks.wall_s), "192.0.2.7")
    later = pairing_of(database, clocks)
    assert later.knows(token)
    code = new_code(database, clocks.wall_s, forget=True)
    assert not later.knows(token)
    new_code(database, clocks.wall_s)
    assert not pairing_of(database, clocks).knows(token), "a code after that does not bring it back"
    assert "not the code" in refusal(later, code)


def test_there_are_only_so_many_sessions_and_the_oldest_goes(database: Path, clocks: Clocks) -> None:
    code = new_code(database, clocks.wall_s)
    first = pairing_of(database, clocks).open_session(code, "192.0.2.7")
    kept = json.loads(sessions_path(database).read_bytes())
    generation, until_s = kept[0]["generation"], kept[0]["until_s"]
    more = [
        {"hash": f"{n:064}", "until_s": until_s, "generation": generation} for n in range(MOST_SESSIONS - 1)
    ]
    sessions_path(database).write_text(json.dumps(kept + more))
    pairing = pairing_of(database, clocks)
    assert pairing.knows(first)
    last = pairing.open_session(code, "192.0.2.7")
    assert (pairing.knows(first), pairing.knows(last)) == (False, True)


@settings(deadline=None)
@given(token=st.text(max_size=60))
def test_no_other_token_is_known(token: str, tmp_path_factory: pytest.TempPathFactory) -> None:
    folder = tmp_path_factory.getbasetemp() / "one-session"
    folder.mkdir(exist_ok=True)
    database = folder / "work-up.sqlite"
    database.touch()
    if not sessions_path(database).exists():
        pairing_of(database, Clocks()).open_session(new_code(database, NOW_S), "192.0.2.7")
    assert not pairing_of(database, Clocks()).knows(token)


@pytest.mark.parametrize(
    "damage", [b"", b"{", b"[1]", b'{"salt": "xyz", "hash": "q"}', b'{"salt": 3}', b'[{"hash": 1}]', b"\xff"]
)
def test_damaged_files_open_nothing_and_stop_nothing(database: Path, clocks: Clocks, damage: bytes) -> None:
    token = pairing_of(database, clocks).open_session(new_code(database, clocks.wall_s), "192.0.2.7")
    code_path(database).write_bytes(damage)
    sessions_path(database).write_bytes(damage)
    pairing = pairing_of(database, clocks)
    assert not pairing.knows(token)
    assert "No code is good now" in refusal(pairing, "12345678")
    assert pairing.open_session(new_code(database, clocks.wall_s), "192.0.2.7")


def test_the_files_are_for_the_stations_user_alone(database: Path, clocks: Clocks) -> None:
    before = os.umask(0)
    try:
        pairing_of(database, clocks).open_session(new_code(database, clocks.wall_s), "192.0.2.7")
    finally:
        os.umask(before)
    for path in (code_path(database), sessions_path(database)):
        assert path.stat().st_mode & 0o777 == 0o600


@pytest.mark.skipif(os.geteuid() != 0, reason="only root may give a file away")
def test_a_code_that_root_shows_can_be_read_by_the_stations_user(database: Path, clocks: Clocks) -> None:
    os.chown(database, 65534, 65534)
    new_code(database, clocks.wall_s)
    assert code_path(database).stat().st_uid == 65534
