"""The office's database that a command means: opened to be changed, or to be read only."""

from contextlib import AbstractContextManager
from pathlib import Path
from typing import TYPE_CHECKING

from cli.errors import RefusedError
from cli.target import reading

if TYPE_CHECKING:
    import sqlite3

    from office.database import OfficeDatabase


def open_office(office: Path) -> "OfficeDatabase":
    """To be changed. Only a first pull or import makes one: a mistyped name does not.

    Raises:
        RefusedError: there is no such file.
        StoreTrouble: it is in use, damaged, or no office's.
    """
    from office.database import OfficeDatabase

    _is_there(office)
    return OfficeDatabase.open(office)


def reading_office(office: Path) -> "AbstractContextManager[sqlite3.Connection]":
    """To be read only, as `cli.target.reading`; a station's database will do where records are all that is asked."""
    _is_there(office)
    return reading(office)


def not_an_office(office: Path) -> RefusedError:
    """The refusal of a database that holds no office's tables."""
    return RefusedError(f"{office} is the database of a station: name the office's with --office.")


def one_water(connection: "sqlite3.Connection", written: str) -> str:
    """The water that a person means, as it is written or in another case. Raises RefusedError with what there is."""
    in_order = "SELECT water FROM water ORDER BY water <> ?, water"
    waters = [str(row[0]) for row in connection.execute(in_order, (written,))]
    for water in waters:
        if water.casefold() == written.casefold():
            return water
    raise RefusedError(f'There is no water "{written}". Known are: {", ".join(waters) or "none"}.')


def _is_there(office: Path) -> None:
    if (
        not office.is_file() or not office.stat().st_size
    ):  # a first pull that was cut short leaves an empty file
        raise RefusedError(
            f"There is no office database {office}: pull a day first, or name it with --office."
        )
