"""Texts that records rest on (config, inventory, species), kept beside the journal under their hash."""

import hashlib
import re
from pathlib import Path

from ingest.disk import sync_folder, write_whole

_SHA256 = re.compile(r"[0-9a-f]{64}")


def keep_content(folder: Path, data: bytes) -> str:
    """Keep a text (config, inventory, species) under the SHA-256 of its bytes; gives that hash in hex.

    Raises:
        OSError: the medium failed.
    """
    sha256 = hashlib.sha256(data).hexdigest()
    path = folder / "content" / sha256
    if not path.exists():
        path.parent.mkdir(parents=True, exist_ok=True)
        sync_folder(folder)
        write_whole(path, data)
    return sha256


def content(folder: Path, sha256: str) -> bytes:
    """The bytes kept under this hash.

    Raises:
        ValueError: it is not there, or is no longer what it was; one sentence.
    """
    if _SHA256.fullmatch(sha256) is None:
        raise ValueError(f"{sha256!r} is not a SHA-256 in 64 lower-case hex digits")
    path = folder / "content" / sha256
    try:
        data = path.read_bytes()
    except OSError as error:
        raise ValueError(
            f"{path} cannot be read ({error.strerror}): copy it from the second medium"
        ) from None
    if hashlib.sha256(data).hexdigest() != sha256:
        raise ValueError(f"{path} was changed or damaged: copy it from the second medium")
    return data
