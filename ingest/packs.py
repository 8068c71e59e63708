"""A history pack: one zip file with all that a station needs to know for the next trip, made by an office.

`manifest.json` names every other file with its SHA-256: `history.csv` (the captures of the animals of these waters),
`inventory.csv` (tags that are in no fish yet), `relations.csv` (the waters' own length-weight relations), `checks.toml`
(limits of the checks) and `species/*.toml`. A pack is used whole or not at all. Its files are sources of the station
like any other file, so what they say is in the journal by its hash, and replay reads the same.
"""

import io
import json
import re
import struct
import zipfile
import zlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Any, Final, Literal

FORMAT: Final = 1
MANIFEST: Final = "manifest.json"
MOST_BYTES: Final = 64 << 20
MOST_BYTES_UNPACKED: Final = 512 << 20
STICK_FOLDER: Final = Path("tallywell", "pack")
NAME: Final = "history-pack-*.zip"
_KINDS: Final[Mapping[str, Literal["history", "inventory", "relations", "checks"]]] = {
    "history.csv": "history",
    "inventory.csv": "inventory",
    "relations.csv": "relations",
    "checks.toml": "checks",
}
_DAMAGE = (
    zipfile.BadZipFile, zipfile.LargeZipFile, zlib.error, KeyError, ValueError, EOFError, OSError, NotImplementedError,
    RuntimeError, struct.error,
)  # fmt: skip
_SPECIES = re.compile(r"species/[a-z0-9_]{1,60}\.toml")

PackKind = Literal["history", "inventory", "relations", "checks", "species"]


class PackError(Exception):
    """A pack cannot be used. One sentence: which, why, what to do."""


@dataclass(frozen=True, slots=True)
class Pack:
    """A pack that is whole. made_at: RFC 3339 UTC, by the clock of the office. files: by name, without the manifest."""

    made_at: str
    office_id: str
    waters: tuple[str, ...]
    files: Mapping[str, bytes]

    def sources(self) -> Iterator[tuple[PackKind, str, bytes]]:
        """(kind, name, bytes) of its files, named so that no file of the station has the same name."""
        for name, data in self.files.items():
            kind: PackKind = _KINDS.get(name, "species")
            yield kind, Path(name).name if kind == "species" else f"pack: {name}", data

    def is_for(self, water: str | None) -> bool:
        return water is not None and water.casefold() in {one.casefold() for one in self.waters}

    @property
    def age(self) -> str:
        """A text that sorts by the time at which it was made."""
        return self.made_at.rstrip("Z")


def read_pack(data: bytes, shown: str) -> Pack:
    """The pack in these bytes, every file checked against the manifest; `shown` names it in messages.

    Raises PackError.
    """
    if len(data) > MOST_BYTES:
        raise PackError(f"{shown} has {len(data) >> 20} MiB, a history pack at most {MOST_BYTES >> 20}.")
    damaged = f"{shown} is damaged or no history pack"
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            entries = archive.infolist()
            if sum(entry.file_size for entry in entries) > MOST_BYTES_UNPACKED:
                raise PackError(f"{shown} is too big unpacked: make one for fewer waters.")
            found = {entry.filename: _unpacked(archive, entry) for entry in entries}
        manifest = json.loads(found.pop(MANIFEST))
    except _DAMAGE:
        raise PackError(f"{damaged}: copy it again.") from None
    return _checked(manifest, found, len(entries) - 1, shown)


def _unpacked(archive: zipfile.ZipFile, entry: zipfile.ZipInfo) -> bytes:
    """No more than its directory says of it: what would go on unpacking fills no memory. Raises one of _DAMAGE."""
    if entry.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
        raise NotImplementedError
    with archive.open(entry) as file:
        return file.read(entry.file_size + 1)


def _checked(manifest: Any, found: dict[str, bytes], number: int, shown: str) -> Pack:
    if not isinstance(manifest, dict) or not isinstance(manifest.get("tallywell_pack"), int):
        raise PackError(f"{shown} is no history pack: its manifest says nothing of one.")
    if manifest["tallywell_pack"] != FORMAT:
        raise PackError(f"{shown} was made by a newer Tallywell: update this station.")
    made_at, office_id, waters, files = (
        manifest.get(key) for key in ("made_at", "office_id", "waters", "files")
    )
    plain = isinstance(made_at, str) and isinstance(office_id, str) and isinstance(files, dict)
    if not plain or not isinstance(waters, list) or not all(isinstance(water, str) for water in waters):
        raise PackError(f"{shown}: its manifest lacks who made it, when, for which waters, or its files.")
    assert isinstance(made_at, str)
    assert isinstance(office_id, str)
    assert isinstance(files, dict)
    if re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9:.]{8,15}Z", made_at) is None:
        raise PackError(f"{shown}: its manifest has no time such as 2026-05-12T13:00:00Z.")
    if files.keys() != found.keys() or number != len(found):
        raise PackError(f"{shown} does not hold the files that its manifest names: copy it again.")
    for name, data in found.items():
        said = files[name]
        if not isinstance(said, dict) or said.get("sha256") != sha256(data).hexdigest():
            raise PackError(f"{shown}: {name} is not what the manifest says: copy it again.")
        if name not in _KINDS and _SPECIES.fullmatch(name) is None:
            raise PackError(f"{shown}: {name} has no place in a history pack.")
    return Pack(made_at, office_id, tuple(waters), found)


def write_pack(pack: Pack) -> bytes:
    """The bytes of a pack, the same for the same content."""
    listed = {
        name: {"sha256": sha256(data).hexdigest(), "size_bytes": len(data)}
        for name, data in sorted(pack.files.items())
    }
    manifest = {
        "tallywell_pack": FORMAT,
        "made_at": pack.made_at,
        "office_id": pack.office_id,
        "waters": list(pack.waters),
        "files": listed,
    }
    text = json.dumps(manifest, indent=1, ensure_ascii=False).encode() + b"\n"
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in ((MANIFEST, text), *sorted(pack.files.items())):
            entry = zipfile.ZipInfo(name)  # dated 1980, always
            entry.compress_type, entry.external_attr = zipfile.ZIP_DEFLATED, 0o644 << 16
            archive.writestr(entry, data)
    return out.getvalue()


def find_pack(place: Path, water: str | None = None) -> tuple[Path, bytes]:
    """The newest whole pack of a folder or a stick, or the file itself: of those for this water, if there are any.

    Raises PackError, OSError.
    """
    if not place.is_dir():
        if not place.exists():
            raise PackError(
                f"There is no {place}: name a history pack, or the folder or stick that holds it."
            )
        return place, place.read_bytes()
    folders = (place, place / STICK_FOLDER, place / STICK_FOLDER.name)
    found = [path for folder in folders for path in sorted(folder.glob(NAME))]
    best: tuple[tuple[bool, str], Path, bytes] | None = None
    why = ""
    for path in found:
        try:
            if path.stat().st_size > MOST_BYTES:
                raise PackError(f"{path} is too big for a history pack.")
            data = path.read_bytes()
            pack = read_pack(data, str(path))
        except PackError as error:
            why = why or str(error)
            continue
        rank = pack.is_for(water), pack.age
        if best is None or rank > best[0]:
            best = rank, path, data
    if best is None:
        raise PackError(why or f"There is no history pack ({NAME}) in {place}: write one with office pack.")
    return best[1:]
