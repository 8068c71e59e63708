"""Who may use the page from another computer: a code that the station shows opens a session.

Code and sessions are kept hashed, in two files beside the database that only the station's own user can read:

    <database>.page-code.json      the code's scrypt hash (RFC 7914), until when it is good, and the generation of sessions;
                                   written by whoever shows the code: `tallywell station pair`, or the station at its start
    <database>.page-sessions.json  the SHA-256 of each session's token; written by the page's server alone

A session is good until its day, or until the generation is raised.
"""

import hashlib
import hmac
import json
import os
import re
import secrets
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, Final, TypeVar

from ingest.announce import log
from ingest.disk import write_whole

CODE_DIGITS: Final = 8
CODE_GOOD_S: Final = 900.0
WRONG_EACH: Final = 5  # wrong codes from one address within CODE_GOOD_S; then that address waits
WRONG_ALL: Final = 100  # of 10^8 codes, whoever tries them; then the code is void
MOST_SESSIONS: Final = 100
_MOST_ADDRESSES: Final = 1000
_DAY_S: Final = 86_400.0

Kept = TypeVar("Kept")


class ForeignUserError(Exception):
    """The code would be kept as another user than the one that runs the station. One sentence."""


class PairingError(Exception):
    """No session is opened. One sentence. `wait_s`: how long this address must wait before it may try again."""

    def __init__(self, sentence: str, wait_s: float | None = None) -> None:
        super().__init__(sentence)
        self.wait_s = wait_s


@dataclass(frozen=True, slots=True)
class KeptCode:
    """A code at rest. salt, hash: hexadecimal; None: there is no code. until_s: wall clock, seconds since 1970."""

    salt: str | None = None
    hash: str | None = None
    until_s: float = 0.0
    generation: int = 0


@dataclass(frozen=True, slots=True)
class Session:
    """A session at rest. hash: SHA-256 of its token, hexadecimal; the token has 256 random bits, so no salt is needed."""

    hash: str
    until_s: float
    generation: int


def code_path(database: Path) -> Path:
    return database.with_name(database.name + ".page-code.json")


def sessions_path(database: Path) -> Path:
    return database.with_name(database.name + ".page-sessions.json")


def new_code(database: Path, now_s: float, *, forget: bool = False) -> str:
    """Make a new code, keep its hash in place of an older one, and give it as it is shown (`1234 5678`).

    forget: end every session too.

    Raises:
        ForeignUserError: the station is another user's, who could not read what is written.
        OSError: it cannot be kept.
    """
    owner = database.stat()
    if os.geteuid() not in (owner.st_uid, 0):
        raise ForeignUserError(
            f"The station of {database} is run by another user: give this command as that user, or as root."
        )
    code = f"{secrets.randbelow(10**CODE_DIGITS):0{CODE_DIGITS}}"
    salt = secrets.token_bytes(16)
    before = _read_code(code_path(database))
    kept = KeptCode(
        salt.hex(), _scrypt(code, salt).hex(), now_s + CODE_GOOD_S, before.generation + (1 if forget else 0)
    )
    write_whole(code_path(database), json.dumps(asdict(kept)).encode(), private=True)
    if os.geteuid() != owner.st_uid:
        os.chown(code_path(database), owner.st_uid, owner.st_gid)
    return f"{code[:4]} {code[4:]}"


class Tries:
    """Counts wrong codes. Times are monotonic seconds."""

    def __init__(self) -> None:
        self._wrong: dict[str, list[float]] = {}
        self._code: str | None = None
        self._count = 0

    def wait_s(self, address: str, now_s: float) -> float:
        """How long this address must wait before it may try again; 0: it may."""
        times = [one for one in self._wrong.get(address, []) if now_s - one < CODE_GOOD_S]
        return 0.0 if len(times) < WRONG_EACH else times[-WRONG_EACH] + CODE_GOOD_S - now_s

    def is_void(self, code: KeptCode) -> bool:
        """Whether so many wrong codes were tried against this one that it is good no longer."""
        return code.salt == self._code and self._count >= WRONG_ALL

    def note_wrong(self, address: str, code: KeptCode, now_s: float) -> None:
        if code.salt != self._code:
            self._code, self._count = code.salt, 0
        self._count += 1
        times = self._wrong.pop(address, [])
        self._wrong[address] = [*times[1 - WRONG_EACH :], now_s]
        while len(self._wrong) > _MOST_ADDRESSES:
            del self._wrong[next(iter(self._wrong))]

    def forgive(self, address: str) -> None:
        self._wrong.pop(address, None)


class Pairing:
    """Opens sessions and knows them. `wall_s` and `mono_s` are the clocks."""

    def __init__(
        self, database: Path, session_days: float, wall_s: Callable[[], float], mono_s: Callable[[], float]
    ) -> None:
        self._code_path = code_path(database)
        self._sessions_path = sessions_path(database)
        self._session_s = session_days * _DAY_S
        self._wall_s = wall_s
        self._mono_s = mono_s
        self._tries = Tries()
        self._sessions = _read_sessions(self._sessions_path)
        self._code_seen: tuple[tuple[int, int] | None, KeptCode] = (None, KeptCode())

    def open_session(self, typed: str, address: str) -> str:
        """The token of a new session for whoever typed the code. Takes some 50 ms: not for an event loop.

        Raises PairingError: it is not the code, there is none, or this address has tried too often.
        """
        wait_s = self._tries.wait_s(address, self._mono_s())
        if wait_s > 0:
            raise PairingError(
                f"Too many wrong codes came from here: try again in {int(wait_s // 60) + 1} minutes.", wait_s
            )
        code = self._code()
        if code.salt is None or code.hash is None or self._tries.is_void(code) or not self._is_good(code):
            raise PairingError(
                "No code is good now: tallywell station pair, on the station, shows a new one."
            )
        digits = re.sub(r"[\s-]", "", typed)
        said = _scrypt(digits, bytes.fromhex(code.salt))
        if not hmac.compare_digest(said, bytes.fromhex(code.hash)):
            self._tries.note_wrong(address, code, self._mono_s())
            raise PairingError("That is not the code that the station shows: look again.")
        self._tries.forgive(address)
        token = secrets.token_urlsafe(32)
        session = Session(_digest(token), self._wall_s() + self._session_s, code.generation)
        self._keep([*self._good_sessions(), session][-MOST_SESSIONS:])
        return token

    def knows(self, token: str) -> bool:
        """Whether this token opens the page now."""
        digest = _digest(token)
        return any(hmac.compare_digest(one.hash, digest) for one in self._good_sessions())

    def _good_sessions(self) -> list[Session]:
        now_s, generation = self._wall_s(), self._code().generation
        return [one for one in self._sessions if one.generation == generation and now_s < one.until_s]

    def _is_good(self, code: KeptCode) -> bool:
        left_s = code.until_s - self._wall_s()
        return 0 < left_s <= CODE_GOOD_S + 60  # one made before the clock was set back is no code

    def _keep(self, sessions: list[Session]) -> None:
        self._sessions = sessions
        try:
            data = json.dumps([asdict(one) for one in sessions]).encode()
            write_whole(self._sessions_path, data, private=True)
        except OSError as trouble:
            log.warning("the sessions of the page are not kept over a restart: %s", trouble)

    def _code(self) -> KeptCode:
        """The code of the file, which `tallywell station pair` may have written anew."""
        try:
            stat = self._code_path.stat()
            seen = (stat.st_mtime_ns, stat.st_ino)
        except OSError:
            seen = None
        if seen != self._code_seen[0]:
            self._code_seen = (seen, _read_code(self._code_path))
        return self._code_seen[1]


def _scrypt(code: str, salt: bytes) -> bytes:
    return hashlib.scrypt(code.encode(), salt=salt, n=2**14, r=8, p=1)


def _digest(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()


def _read_code(path: Path) -> KeptCode:
    def read(kept: Any) -> KeptCode:
        code = KeptCode(**kept)
        bytes.fromhex(code.salt or ""), bytes.fromhex(code.hash or "")
        return replace(code, until_s=float(code.until_s), generation=int(code.generation))

    return _read(path, read, KeptCode())


def _read_sessions(path: Path) -> list[Session]:
    def read(kept: Any) -> list[Session]:
        return [Session(str(one["hash"]), float(one["until_s"]), int(one["generation"])) for one in kept]

    return _read(path, read, [])


def _read(path: Path, read: Callable[[Any], Kept], empty: Kept) -> Kept:
    try:
        return read(json.loads(path.read_bytes()))
    except FileNotFoundError:
        return empty
    except (OSError, ValueError, TypeError, KeyError) as trouble:
        log.warning("%s cannot be read (%s): tablets pair again", path, trouble)
        return empty
