"""The connection to a server, and every trouble with it in one sentence that holds no password."""

from collections.abc import Iterator
from contextlib import contextmanager

import psycopg
from psycopg import Connection, conninfo, errors

from office.publish.errors import PublishRefusedError, ServerLostError

_SETTINGS = "-c timezone=UTC -c search_path=tallywell,pg_temp -c client_min_messages=warning -c work_mem=64MB"
_UNREADABLE = "The address of the server cannot be read: write postgresql://USER@HOST/DATABASE."


def server_name(address: str) -> str:
    """Host, port and database of an address, for messages. Raises PublishRefusedError if it is none."""
    try:
        parts = conninfo.conninfo_to_dict(address)
    except psycopg.ProgrammingError:
        raise PublishRefusedError(_UNREADABLE) from None  # the library's own words may quote the password
    host = parts.get("host") or parts.get("hostaddr") or "this machine"
    port = f":{parts['port']}" if parts.get("port") else ""
    database = f"/{parts['dbname']}" if parts.get("dbname") else ""
    return f"{host}{port}{database}"


@contextmanager
def connected(address: str, *, timeout_s: int = 10) -> Iterator[Connection]:
    """A connection in autocommit mode, its times in UTC. Raises PublishRefusedError, ServerLostError.

    The same two come of any trouble with the server within the block.
    """
    name = server_name(address)
    with told_plainly(name):
        try:
            connection = psycopg.connect(
                conninfo.make_conninfo(
                    address, options=_SETTINGS, application_name="tallywell", connect_timeout=timeout_s
                ),
                autocommit=True,
            )
        except psycopg.OperationalError as error:
            raise _unreachable(name, error) from None
        with connection:
            encoding = connection.execute("SHOW server_encoding").fetchone()
            if encoding != ("UTF8",):
                raise PublishRefusedError(
                    f"The database at {name} is not in UTF-8: publish into one that was created with encoding UTF8."
                )
            yield connection


@contextmanager
def told_plainly(name: str) -> Iterator[None]:
    """Turn what the server says within the block into our own sentences; `name` is that of the server."""
    try:
        yield
    except errors.InsufficientPrivilege as error:
        raise PublishRefusedError(
            f"The server {name} does not allow it ({_first_line(error)}): ask its owner for the role tallywell_loader."
        ) from None
    except (errors.DiskFull, errors.OutOfMemory) as error:
        raise ServerLostError(
            f"The server {name} is full ({_first_line(error)}): what was published stays; make room and publish again."
        ) from None
    except errors.ReadOnlySqlTransaction:
        raise PublishRefusedError(f"The server {name} is read-only: publish to the primary one.") from None
    except (psycopg.OperationalError, psycopg.InterfaceError) as error:
        raise ServerLostError(
            f"The connection to {name} was lost ({_first_line(error)}): what was published stays; "
            "publish again, it goes on from there."
        ) from None


def _unreachable(name: str, error: psycopg.OperationalError) -> PublishRefusedError | ServerLostError:
    said = str(error).lower()
    if "invalid" in said and "connection option" in said:
        return PublishRefusedError(_UNREADABLE)
    if "password" in said or "authentication" in said or "role" in said or "pg_hba" in said:
        return PublishRefusedError(
            f"The server {name} does not let this user in: check name and password (PGPASSWORD or ~/.pgpass)."
        )
    if "database" in said and "does not exist" in said:
        return PublishRefusedError(f"There is no such database at {name}: create it, or name another.")
    why = (
        "nobody answers there"
        if "refused" in said or "no such file" in said
        else "it did not answer in time"
        if "timeout" in said
        else "its name is not known"
        if "translate host name" in said or "resolve" in said
        else "the connection failed"
    )
    return ServerLostError(
        f"The server {name} cannot be reached, {why}: check the address, and that it runs."
    )


def _first_line(error: Exception) -> str:
    return (str(error).splitlines() or ["no reason given"])[0]
