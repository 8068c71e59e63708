"""Which fish of an office database a row tells of: so a file that comes twice, or corrected, is known again."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from sqlite3 import Connection

from ingest.records import derived_id
from office.importing.rows import ProposedFish
from office.protocols import REPORTS

KINDS = {"survey": "imported survey", "reports": REPORTS}


def survey_id_of(fish: ProposedFish, kind: str) -> str:
    """Fish of one water, day, method and kind meet in one survey, whichever file brought them."""
    name = f"{fish.water.casefold()}|{fish.day}|{fish.method.casefold()}"
    return derived_id(KINDS[kind], name, 0)


def fish_ids(proposals: Sequence[ProposedFish], mapping_name: str, kind: str) -> dict[int, tuple[str, ...]]:
    """By row number, the ids that the fish may have: by its key, and by its tag or else its content. The first is the
    one that a new fish gets."""
    times: dict[str, int] = {}
    found: dict[int, tuple[str, ...]] = {}
    for one in proposals:
        survey = survey_id_of(one, kind)
        told = one.tag or repr(
            (one.at.isoformat(), one.species, one.length_mm, one.weight_g, one.fate, one.area, one.note)
        )
        name = f"{survey}|{told}"
        times[name] = times.get(name, -1) + 1
        plain = derived_id("imported fish", name, times[name])
        keyed = (
            (derived_id("imported fish", f"key:{mapping_name}:{one.key}", 0),) if one.key is not None else ()
        )
        found[one.number] = (*keyed, plain)
    return found


@dataclass(slots=True)
class Earlier:
    """What was imported before and has to do with this file.

    by_row: of this very file, the fish of each row. by_key: of this mapping, the fish of each key. rows: of files of this
    name and mapping, each fish that still counts, with its row there.
    """

    by_row: dict[int, str] = field(default_factory=dict)
    by_key: dict[str, str] = field(default_factory=dict)
    rows: dict[str, int] = field(default_factory=dict)


def earlier_imports(connection: Connection, file: str, journal_id: str, mapping_name: str) -> Earlier:
    earlier = Earlier()
    query = """SELECT i.file, i.journal_id, i.mapping_name, r.n, r.fish_id, r.row_key, v.void
        FROM imported_row AS r JOIN imported_file AS i ON i.import_id = r.import_id
            JOIN fish_all AS v ON v.fish_id = r.fish_id
        WHERE i.file = ?1 OR i.journal_id = ?2 OR i.mapping_name = ?3 ORDER BY r.import_id, r.n"""
    for name, journal, mapping, n, fish_id, key, void in connection.execute(
        query, (file, journal_id, mapping_name)
    ):
        if journal == journal_id:
            earlier.by_row[n] = fish_id
        if mapping == mapping_name and key is not None:
            earlier.by_key[key] = fish_id
        if name == file and mapping == mapping_name and not void:
            earlier.rows[fish_id] = n
    return earlier


def match(
    proposals: Sequence[ProposedFish],
    ids: dict[int, tuple[str, ...]],
    earlier: Earlier,
    connection: Connection,
) -> dict[int, str]:
    """By row number, the stored fish that it is; no fish is two rows'."""
    matched: dict[int, str] = {}
    claimed: set[str] = set()
    # The surest ties first, over all rows: a row moved in the file must not lose its fish to the one now in its place.
    for tie in ("row", "key", "id"):
        for one in proposals:
            if one.number in matched:
                continue
            candidates: tuple[str | None, ...]
            if tie == "row":
                candidates = (earlier.by_row.get(one.number),)
            elif tie == "key":
                candidates = (earlier.by_key.get(one.key) if one.key is not None else None,)
            else:
                candidates = ids[one.number]
            for candidate in candidates:
                if candidate is not None and candidate not in claimed and _stored(connection, candidate):
                    matched[one.number] = candidate
                    claimed.add(candidate)
                    break
    return matched


def _stored(connection: Connection, fish_id: str) -> bool:
    return connection.execute("SELECT 1 FROM fish WHERE fish_id = ?", (fish_id,)).fetchone() is not None


def gone(earlier: Earlier, matched: dict[int, str]) -> dict[str, int]:
    """Fish of earlier files of this name that no row tells of any more, with their row there."""
    still = set(matched.values())
    return {fish_id: n for fish_id, n in earlier.rows.items() if fish_id not in still}


def replaced(
    proposals: Sequence[ProposedFish],
    kind: str,
    earlier: Earlier,
    matched: dict[int, str],
    connection: Connection,
) -> dict[int, str]:
    """By row number, the fish of an earlier file of this name that a new row seems to be, with other values.

    A row without a match is one only if it stands where a fish has gone from, or tells of the same survey and species,
    or bears the same tag. A file that shares no fish with the earlier one is another file of that name: there only a
    fish of the same survey is thought of.
    """
    left = gone(earlier, matched)
    if not left:
        return {}
    same_file = any(fish_id in earlier.rows for fish_id in matched.values())
    about = {
        fish_id: connection.execute(
            "SELECT survey_id, species, tag FROM fish_all WHERE fish_id = ?", (fish_id,)
        ).fetchone()
        for fish_id in left
    }
    found: dict[int, str] = {}
    for tie in ("row", "tag", "survey"):
        for one in proposals:
            if one.number in matched or one.number in found:
                continue
            for fish_id, n in left.items():
                survey, species, tag = about[fish_id]
                there = survey == survey_id_of(one, kind)
                alike = {
                    "row": n == one.number and (there or same_file),
                    "tag": one.tag is not None and tag == one.tag and (there or same_file),
                    "survey": there and species == one.species,
                }[tie]
                if alike:
                    found[one.number] = fish_id
                    del left[fish_id]
                    break
    return found
