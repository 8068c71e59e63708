"""The records that the answers and the report are about, of a station or of an office."""

from pathlib import Path
from typing import TYPE_CHECKING

from cli import options
from cli.errors import RefusedError
from cli.target import HERE, Target, find_target

if TYPE_CHECKING:
    from sqlite3 import Connection

    from ingest.species import SpeciesBook
    from office.answers.records import Records

WATERS = "waters.toml"


def find_records(config: Path | None, database: Path | None) -> Target:
    """The station that the options mean; without any, the station in this folder, else the office.

    Raises:
        RefusedError, ConfigError: nothing is named and nothing is here, or the station's file is not valid.
    """
    if config is None and database is None and not HERE.exists() and options.OFFICE_HERE.exists():
        database = options.OFFICE_HERE
    return find_target(config, database)


def read_scope(
    connection: "Connection",
    database: Path,
    book: "SpeciesBook",
    *,
    water: str | None,
    survey: str | None,
    species: str | None,
    waters: Path | None,
    years: tuple[int, int] | None = None,
) -> "Records":
    """What is asked about, as people write it: a survey as for `one_survey`, a species by slug or common name.

    waters: the file of what is known of the waters; None: `WATERS` beside the database, if it is there.
    Raises RefusedError, ConfigError.
    """
    from cli.questions import one_survey
    from office.answers.reading import NoSuchScopeError, read_records
    from office.answers.waters import load_waters

    survey_id = None if survey is None else str(one_survey(connection, survey)["survey_id"])
    known = None if species is None else book.find(species)
    beside = database.parent / WATERS
    file = waters or (beside if beside.is_file() else None)
    try:
        return read_records(
            connection,
            None if file is None else load_waters(file),
            water=water,
            survey=survey_id,
            species=known.slug if known else species,
            years=years,
        )
    except NoSuchScopeError as error:
        raise RefusedError(str(error)) from None
