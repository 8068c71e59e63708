"""A station on the network: its snapshot in as many pieces as the link needs, and the token that lets us in.

`POST /pair` gives a token for the code that the station shows, `GET /pull/manifest` takes a fresh snapshot, `GET
/pull/file/<file>` gives it, also from the middle (Range, RFC 9110, section 14), `POST /pack` hands over a history
pack. What arrived of a file stays in the staging folder under its hash, so that the next pull goes on from there.
"""

import http.client
import json
import os
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass, field
from email.utils import parsedate_to_datetime
from hashlib import sha256
from pathlib import Path
from urllib.parse import quote, urlsplit

from ingest.disk import write_whole
from office.manifest import MOST_BYTES, PullRefusedError, SnapshotManifest, read_manifest, verify
from office.sources import Fetched, Missed, Progress

_WAIT_S = 30.0
_SNAPSHOT_S = 310.0  # a station on a slow card takes up to 300 s for the snapshot of a long season
_CHUNK_BYTES = 1 << 16
_TRIES = 5


@dataclass(slots=True)
class TokenBook:
    """The tokens that stations gave this office, by address: a private file beside the office database."""

    path: Path
    _tokens: dict[str, str] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        self._tokens = {}
        with suppress(OSError, ValueError, TypeError):  # lost tokens are given anew for a new code
            known = json.loads(self.path.read_text(encoding="utf-8"))
            self._tokens = {str(key): str(token) for key, token in dict(known).items()}

    def token(self, address: str) -> str | None:
        return self._tokens.get(address)

    def keep(self, address: str, token: str) -> None:
        """Raises OSError."""
        self._tokens[address] = token
        write_whole(self.path, json.dumps(self._tokens, indent=1).encode() + b"\n", private=True)


@dataclass(frozen=True, slots=True)
class Address:
    """A station's address, such as http://bank.local:8080. `code` is that of a pairing, if one was given."""

    written: str
    tokens: TokenBook
    code: str | None = None

    def fetch(self, staging: Path, now_s: float, progress: Progress) -> Iterator[Fetched | Missed]:
        """Brings the station's snapshot into `staging`. Raises PullRefusedError, StoreTrouble, OSError."""
        if self.code is not None:
            self.tokens.keep(self.written, self._pair(self.code))
        status, headers, text = self._ask("GET", "/pull/manifest")
        self._expect(status, text)
        manifest = read_manifest(text, f"of {self.written}")
        copy = staging / f"{manifest.sha256}.sqlite"
        part = self._part(staging, manifest.sha256)
        self._download(manifest, part, progress)
        try:
            verify(part, manifest, self.written)
        except BaseException:
            part.unlink(missing_ok=True)
            raise
        part.replace(copy)
        yield Fetched(copy, manifest, self.written, _ahead_s(headers, now_s))

    def send_pack(self, data: bytes) -> tuple[bool, str]:
        """Hand a history pack to the station; whether it was new there, and what the station says of it. Raises
        PullRefusedError, OSError."""
        if self.code is not None:
            self.tokens.keep(self.written, self._pair(self.code))
        status, _, text = self._ask("POST", "/pack", data)
        self._expect(status, text)
        try:
            answer = json.loads(text)
            return bool(answer["changed"]), str(answer["said"])
        except (ValueError, KeyError, TypeError):
            raise PullRefusedError(
                f"{self.written} did not say whether it took the pack: is it a station?"
            ) from None

    def _part(self, staging: Path, sha256_of_file: str) -> Path:
        """What arrived so far of this snapshot; that of an older one of the same station is of no more use."""
        mine = sha256(self.written.encode()).hexdigest()[:12]
        part = staging / f"{mine}-{sha256_of_file}.part"
        for older in staging.glob(f"{mine}-*.part"):
            if older != part:
                older.unlink(missing_ok=True)
        return part

    def _pair(self, code: str) -> str:
        status, _, text = self._ask("POST", "/pair", {"code": code})
        self._expect(status, text)
        try:
            return str(json.loads(text)["token"])
        except (ValueError, KeyError, TypeError):
            raise PullRefusedError(
                f"{self.written} answered the code with no token: is it a station?"
            ) from None

    def _download(self, manifest: SnapshotManifest, part: Path, progress: Progress) -> None:
        tries = 0
        while True:
            have = part.stat().st_size if part.exists() else 0
            if have > manifest.size_bytes:
                part.unlink()
                have = 0
            if have == manifest.size_bytes and have:
                return
            try:
                self._piece(manifest, part, have, progress)
            except (http.client.HTTPException, OSError) as broken:
                now = part.stat().st_size if part.exists() else 0
                tries = 0 if now > have else tries + 1
                if tries >= _TRIES:
                    raise PullRefusedError(
                        f"The link to {self.written} broke off at {now:,} of {manifest.size_bytes:,} bytes "
                        f"({_reason(broken)}): pull once more, it goes on from there."
                    ) from None

    def _piece(self, manifest: SnapshotManifest, part: Path, have: int, progress: Progress) -> None:
        """From `have` to the end, or as far as the link holds. Raises HTTPException, OSError of the link."""
        with closing(self._connection(_WAIT_S)) as link:
            asked = {"Range": f"bytes={have}-"} if have else {}
            link.request("GET", f"/pull/file/{quote(manifest.file)}", headers={**self._headers(), **asked})
            answer = link.getresponse()
            if answer.status == 206 and not _begins_at(answer, have):
                raise PullRefusedError(
                    f"{self.written} sent another piece than the one asked for: update the station."
                )
            if answer.status not in (200, 206):
                self._expect(answer.status, answer.read(MOST_BYTES))
            done = have if answer.status == 206 else 0
            with _own_disk(part):
                fd = os.open(part, os.O_WRONLY | os.O_CREAT | (os.O_APPEND if done else os.O_TRUNC), 0o600)
            try:
                while done < manifest.size_bytes:
                    chunk = answer.read(min(_CHUNK_BYTES, manifest.size_bytes - done))
                    if not chunk:
                        raise http.client.IncompleteRead(b"", manifest.size_bytes - done)
                    with _own_disk(part):
                        _append(fd, chunk)
                    done += len(chunk)
                    progress(manifest.file, done, manifest.size_bytes)
            finally:
                os.close(fd)

    def _ask(
        self, method: str, path: str, body: Mapping[str, object] | bytes | None = None
    ) -> tuple[int, Mapping[str, str], bytes]:
        try:
            with closing(self._connection(_SNAPSHOT_S)) as link:
                sent = body if body is None or isinstance(body, bytes) else json.dumps(body).encode()
                shape = "application/zip" if isinstance(body, bytes) else "application/json"
                kind = {} if sent is None else {"Content-Type": shape}
                link.request(method, path, sent, {**self._headers(), **kind})
                answer = link.getresponse()
                return answer.status, dict(answer.headers.items()), answer.read(MOST_BYTES)
        except (http.client.HTTPException, OSError) as error:
            raise PullRefusedError(
                f"The station at {self.written} cannot be reached ({_reason(error)}): check the address, and that the "
                "station runs and its page is on."
            ) from None

    def _connection(self, wait_s: float) -> http.client.HTTPConnection:
        parts = urlsplit(self.written)
        kind = http.client.HTTPSConnection if parts.scheme == "https" else http.client.HTTPConnection
        assert parts.hostname is not None
        return kind(parts.hostname, parts.port, timeout=wait_s)

    def _headers(self) -> dict[str, str]:
        token = self.tokens.token(self.written)
        return {"Accept": "application/json"} | ({"Authorization": f"Bearer {token}"} if token else {})

    def _expect(self, status: int, text: bytes) -> None:
        if status == 200:
            return
        if status in (401, 403) and self.code is None:
            raise PullRefusedError(
                f"The station at {self.written} does not know this office: tallywell station pair, on the station, shows a "
                f"code; then tallywell office pull {self.written} --code CODE."
            )
        raise PullRefusedError(f"The station at {self.written} refused ({status}): {_said(text)}")


@contextmanager
def _own_disk(part: Path) -> Iterator[None]:
    """Trouble in here is that of the office's own disk, and not the link's."""
    try:
        yield
    except OSError as error:
        raise PullRefusedError(
            f"The copy in {part.parent} cannot be written ({error.strerror}): make room on the office's disk and pull "
            "once more, it goes on from there."
        ) from None


def _append(fd: int, chunk: bytes) -> None:
    rest = memoryview(chunk)
    while rest:
        rest = rest[os.write(fd, rest) :]


def _begins_at(answer: http.client.HTTPResponse, have: int) -> bool:
    return (answer.getheader("Content-Range") or "").startswith(f"bytes {have}-")


def _ahead_s(headers: Mapping[str, str], now_s: float) -> float | None:
    """By how much the clock that answered is ahead of ours, from its field Date (RFC 9110, 6.6.1; whole seconds)."""
    said = {name.lower(): value for name, value in headers.items()}.get("date")
    try:
        return None if said is None else parsedate_to_datetime(said).timestamp() - now_s
    except ValueError:
        return None


def _reason(error: Exception) -> str:
    if isinstance(error, TimeoutError):
        return "no answer in time"
    if isinstance(error, OSError):
        return error.strerror or str(error) or type(error).__name__
    return (
        "the link was cut" if isinstance(error, http.client.IncompleteRead) else "what answers speaks no HTTP"
    )


def _said(text: bytes) -> str:
    """What a refusal says, as a station says it, else its first words."""
    with suppress(ValueError, TypeError, KeyError):
        document = json.loads(text)
        return str(document.get("error") or document["detail"])
    words = " ".join(text.decode("utf-8", "replace").split())
    return words[:200] or "without a reason."


def find_address(written: str, tokens: TokenBook, code: str | None = None) -> Address | None:
    """The address that is written; None if it is none. Raises PullRefusedError for one that cannot be right."""
    if "://" not in written:
        return None
    try:
        parts = urlsplit(written)
        good = parts.scheme in ("http", "https") and parts.hostname and (parts.port is None or parts.port > 0)
    except ValueError:
        good = False
    if not good or parts.path not in ("", "/") or parts.query or parts.fragment or parts.username:
        raise PullRefusedError(f"{written} is no address of a station: write it as http://192.0.2.10:8080.")
    return Address(written.rstrip("/"), tokens, code)
