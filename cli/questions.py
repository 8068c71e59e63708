"""What people ask of the records, as rows ready for text and JSON. Reads one connection, changes nothing."""

import sqlite3
from pathlib import Path
from typing import Any

from cli.errors import RefusedError
from cli.show import escaped
from ingest.store.history import animal_history
from ingest.store.lookup import Lookup

Row = dict[str, Any]

_FISH = """SELECT f.fish_id, f.worked_up_at, f.bench, f.water, f.survey_id, f.run_no, f.species, f.tag, f.tag_status,
    f.length_mm, f.length_type, f.weight_g, f.weight_quality, f.relative_weight, f.fate, f.status, f.amended, f.note,
    (SELECT group_concat(i.name, ', ') FROM finding AS i WHERE i.fish_id = f.fish_id) AS findings
FROM fish_all AS f WHERE (:survey IS NULL OR f.survey_id = :survey)
    AND (:status IS NULL AND f.void = 0 OR f.status = :status)
ORDER BY rtrim(f.worked_up_at, 'Z'), f.fish_id"""

_SURVEYS = """SELECT s.survey_id, s.name, s.water, s.station, s.protocol, s.opened_at, s.closed_at, s.provisional,
    (SELECT count(*) FROM run AS r WHERE r.survey_id = s.survey_id) AS n_runs,
    (SELECT count(*) FROM worked_fish AS w WHERE w.survey_id = s.survey_id) AS n_fish,
    (SELECT count(*) FROM worked_fish AS w WHERE w.survey_id = s.survey_id AND w.tag_status = 'recapture')
        AS n_recaptures,
    (SELECT count(*) FROM fish AS f WHERE f.survey_id = s.survey_id AND f.closed = 0) AS n_waiting
FROM survey AS s ORDER BY rtrim(s.opened_at, 'Z')"""


def rows(connection: sqlite3.Connection, query: str, parameters: Any = ()) -> list[Row]:
    cursor = connection.execute(query, parameters)
    names = [column[0] for column in cursor.description]
    return [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]


def surveys(connection: sqlite3.Connection) -> list[Row]:
    """All surveys, the oldest first, with their counts."""
    return rows(connection, _SURVEYS)


def one_survey(connection: sqlite3.Connection, written: str) -> Row:
    """The survey that a person means: `last`, a name, a water (its last survey), or the beginning of an id.

    Raises RefusedError with what there is.
    """
    known = surveys(connection)
    if not known:
        raise RefusedError("There is no survey in this database yet.")
    if written.lower() == "last":
        return known[-1]
    for key in ("name", "water"):
        named = [one for one in known if (one[key] or "").lower() == written.lower()]
        if named:
            return named[-1]
    by_id = [one for one in known if len(written) >= 4 and one["survey_id"].startswith(written.lower())]
    if len(by_id) == 1:
        return by_id[0]
    names = "; ".join(survey_title(one) for one in known[-8:])
    raise RefusedError(f'There is no survey "{written}". The last ones are: {names}.')


def survey_title(survey: Row) -> str:
    return ", ".join(part for part in (survey["water"], survey["name"]) if part) or "not named yet"


def fish_list(connection: sqlite3.Connection, survey: str | None, status: str | None) -> list[Row]:
    """Fish in the order of the day; `survey` is an id. Void fish only if `status` asks for them."""
    return rows(connection, _FISH, {"survey": survey, "status": status})


def fish_history(connection: sqlite3.Connection, tag: str, database: Path) -> Row:
    """Everything known of the animal with this tag (canonical): captures, sightings, whether the tag is held."""
    captures = animal_history(Lookup(connection, database), tag)
    individuals = {one["individual_id"] for one in captures} - {None}
    tags = {tag}
    for individual in individuals:
        for table in ("fish_all", "prior_capture"):
            query = f"SELECT DISTINCT tag FROM {table} WHERE individual_id = ? AND tag IS NOT NULL"
            tags.update(row["tag"] for row in rows(connection, query, (individual,)))
    sightings = rows(
        connection, "SELECT at, instrument, why FROM sighting WHERE tag = ? ORDER BY rtrim(at, 'Z')", (tag,)
    )
    held = rows(connection, "SELECT source FROM tag_inventory WHERE tag = ? ORDER BY source", (tag,))
    return {
        "tag": tag,
        "tags_of_the_animal": sorted(tags),
        "captures": captures,
        "sightings": sightings,
        "inventory": [row["source"] for row in held],
    }


def fish_trace(connection: sqlite3.Connection, written: str) -> Row:
    """One fish down to the bytes. `written` is its id or the beginning of it. Raises RefusedError."""
    fish_id = _fish_id(connection, written)
    fish = rows(connection, "SELECT * FROM fish_all WHERE fish_id = ?", (fish_id,))[0]
    saved = rows(connection, "SELECT * FROM fish WHERE fish_id = ?", (fish_id,))[0]
    readings = rows(
        connection,
        "SELECT kind, role, value, unit, text, division, load, empty_before_g, empty_after_g, at, instrument, "
        "journal_id, n, later, raw FROM reading WHERE fish_id = ? ORDER BY n, seq",
        (fish_id,),
    )
    for reading in readings:
        raw = bytes(reading.pop("raw"))
        reading["raw"], reading["raw_hex"] = escaped(raw), raw.hex()
    return {
        "fish": fish,
        "as_saved": {key: saved[key] for key in saved if key in fish and saved[key] != fish[key]},
        "journal_id": saved["journal_id"],
        "opened_n": saved["opened_n"],
        "file_row": _file_row(connection, saved["journal_id"], saved["opened_n"]),
        "species_from": saved["species_from"],
        "tags": rows(connection, "SELECT tag, role FROM fish_tag WHERE fish_id = ? ORDER BY seq", (fish_id,)),
        "readings": readings,
        "findings": rows(
            connection,
            "SELECT name, severity, sentence, settled, later, numbers, suspects, proposes FROM finding "
            "WHERE fish_id = ? ORDER BY seq",
            (fish_id,),
        ),
        "observations": rows(
            connection, "SELECT kind, text FROM observation WHERE fish_id = ? ORDER BY seq", (fish_id,)
        ),
        "amendments": rows(
            connection,
            "SELECT amendment_id, at, who, why, field, old, new, journal_id, n FROM amendment "
            "WHERE fish_id = ? ORDER BY seq",
            (fish_id,),
        ),
    }


def _file_row(connection: sqlite3.Connection, journal_id: str, n: int) -> Row | None:
    """Of a fish that came from a table: the row as it stood, and the file; None for a fish of a station."""
    if not journal_id.startswith("import:"):
        return None
    found = rows(
        connection,
        "SELECT i.file, i.mapping_name, i.at, i.who, r.n AS row, f.data FROM imported_file AS i "
        "JOIN imported_row AS r ON r.import_id = i.import_id "
        "JOIN frame AS f ON f.journal_id = i.journal_id AND f.n = r.n "
        "WHERE i.journal_id = ? AND r.n = ? ORDER BY i.import_id LIMIT 1",
        (journal_id, n),
    )
    for one in found:
        one["data"] = bytes(one["data"]).decode(errors="backslashreplace")
    return found[0] if found else None


def _fish_id(connection: sqlite3.Connection, written: str) -> str:
    wanted = written.strip().lower()
    found = [
        fish_id
        for (fish_id,) in connection.execute(
            "SELECT fish_id FROM fish WHERE substr(fish_id, 1, length(?1)) = ?1 LIMIT 9", (wanted,)
        )
    ]
    if wanted and len(found) == 1:
        return str(found[0])
    if len(wanted) < 4 or not found:
        raise RefusedError(
            f'There is no fish "{written}": give at least the first four characters of an id of "fish list".'
        )
    raise RefusedError(f'"{written}" begins the id of several fish ({", ".join(found)}): write more of it.')


def overview(connection: sqlite3.Connection) -> Row:
    """What the database alone says of the station: its last survey and run, and what waits for somebody."""
    known = surveys(connection)
    survey = known[-1] if known else None
    runs = rows(
        connection,
        "SELECT run_no, started_at, ended_at, current_on_s FROM run WHERE survey_id = ? ORDER BY run_no DESC LIMIT 1",
        (survey["survey_id"] if survey else None,),
    )
    waiting = rows(
        connection,
        "SELECT fish_id, opened_at, bench, species, tag, length_mm, weight_g, status, rule FROM fish "
        "WHERE closed = 0 ORDER BY rtrim(opened_at, 'Z')",
    )
    return {"running": False, "survey": survey, "run": runs[0] if runs else None, "waiting": waiting}


def survey_summary(connection: sqlite3.Connection, survey: Row) -> Row:
    """A survey's runs (a run without fish is one too) and its catch by species."""
    of_survey = (survey["survey_id"],)
    return {
        "survey": survey,
        "catch": rows(
            connection,
            "SELECT coalesce(species, 'no species') AS species, count(*) AS n, count(tag) AS n_tagged, "
            "sum(tag_status = 'recapture') AS n_recaptures, min(length_mm) AS shortest_mm, "
            "max(length_mm) AS longest_mm, sum(weight_g) AS weight_g, sum(fate = 'removed') AS n_removed "
            "FROM worked_fish WHERE survey_id = ? GROUP BY 1 ORDER BY n DESC, 1",
            of_survey,
        ),
        "batches": rows(
            connection,
            "SELECT coalesce(species, 'no species') AS species, sum(iif(kind = 'count', n, 0)) AS n_counted, "
            "sum(iif(kind = 'batch', n, 0)) AS n_in_batches, sum(total_weight_g) AS weight_g FROM batch_list "
            "WHERE survey_id = ? GROUP BY 1 ORDER BY sum(n) DESC, 1",
            of_survey,
        ),
        "runs": rows(
            connection,
            "SELECT r.run_no, r.started_at, r.ended_at, r.current_on_s, r.water_c, r.conductivity_us_per_cm, "
            "(SELECT count(*) FROM worked_fish AS w WHERE w.survey_id = r.survey_id AND w.run_no = r.run_no) AS n_fish, "
            "(SELECT coalesce(sum(b.n), 0) FROM batch_list AS b WHERE b.survey_id = r.survey_id "
            "AND b.run_no = r.run_no) AS n_only_counted FROM run AS r "
            "WHERE r.survey_id = ? ORDER BY r.run_no",
            of_survey,
        ),
    }
