"""What a file of the inbox changes in the records: sightings, and that the file was taken. Pure."""

from collections.abc import Mapping
from typing import Any, Final

from ingest.assemble.parts import Ref
from ingest.records import AddSighting, Change, SaveInboxFile, derived_id

EVENT: Final = "sightings"


def inbox_changes(body: Mapping[str, Any], survey_id: str, ref: Ref) -> tuple[list[Change], str]:
    """The changes that the event `sightings` asks for, and a sentence about them.

    body: file (its name), sha256 (under which its bytes are kept), seen ([tag, RFC 3339 UTC or null] each), refused
    ([line, text, why] each). A sighting without a time of its own has the time of the event. Raises ValueError for a
    body of another form.
    """
    file, sha256, seen, refused = (body.get(key) for key in ("file", "sha256", "seen", "refused"))
    if not (isinstance(file, str) and isinstance(sha256, str)):
        raise ValueError("an event 'sightings' names no file")
    if not (isinstance(seen, list) and isinstance(refused, list)):
        raise ValueError(f"the event 'sightings' of {file} has no lists")
    changes: list[Change] = []
    for index, one in enumerate(seen):
        tag, at = one
        changes.append(
            AddSighting(
                derived_id(f"sighting {tag}", ref.journal_id, ref.n, index),
                survey_id,
                str(tag),
                str(at) if at else ref.at,
                ref.instrument,
                f"file of a hand reader: {file}",
                ref.journal_id,
                ref.n,
            )
        )
    lines = tuple((int(line), str(text), str(why)) for line, text, why in refused)
    changes.append(SaveInboxFile(sha256, file, ref.at, len(seen), lines, ref.journal_id, ref.n))
    said = f"{file}: {_count(len(seen), 'sighting')}"
    if lines:
        line, _, why = lines[0]
        said += f", {_count(len(lines), 'line')} refused, the first of them line {line}: {why.rstrip('.')}"
    return changes, said + "."


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"
