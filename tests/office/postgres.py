"""A PostgreSQL server of our own on loopback: a new cluster in a temporary folder, thrown away at the end."""

import os
import pwd
import shutil
import signal
import subprocess
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import count
from pathlib import Path

import psycopg
import pytest

from tests.ports import reserved_port
from tests.station.needs import needed

PASSWORD = "s3cret/with:odd@signs"
_UNPRIVILEGED = ("postgres", "nobody")
_FAST = (
    "fsync=off",
    "full_page_writes=off",
    "synchronous_commit=off",
    "max_connections=30",
    "shared_buffers=64MB",
)
_READY = "database system is ready to accept connections"


@dataclass(frozen=True, slots=True)
class Server:
    """A running server. `postgres` is its superuser."""

    port: int
    numbers: Iterator[int]

    def address(self, database: str, user: str = "postgres", password: str | None = PASSWORD) -> str:
        secret = (
            ""
            if password is None
            else ":" + password.replace("/", "%2F").replace(":", "%3A").replace("@", "%40")
        )
        return f"postgresql://{user}{secret}@127.0.0.1:{self.port}/{database}"

    def connect(self, database: str, user: str = "postgres") -> psycopg.Connection:
        return psycopg.connect(self.address(database, user), autocommit=True)

    def new_database(self, options: str = "") -> str:
        """The name of a new, empty database."""
        name = f"agency_{next(self.numbers)}"
        with self.connect("postgres") as connection:
            connection.execute(f"CREATE DATABASE {name} {options}")
        return name

    def new_user(self, *roles: str) -> str:
        """The name of a new user, who is in these roles."""
        name = f"user_{next(self.numbers)}"
        with self.connect("postgres") as connection:
            granted = f" IN ROLE {', '.join(roles)}" if roles else ""
            connection.execute(f"CREATE ROLE {name} LOGIN PASSWORD '{PASSWORD}'{granted}")
        return name


def programs() -> Path | None:
    """The folder with `initdb` and `postgres`, if they are installed."""
    found = shutil.which("postgres")
    if found:
        return Path(found).resolve().parent
    there = [path.parent for path in Path("/usr/lib/postgresql").glob("*/bin/postgres")]
    return max(there, key=lambda path: int(path.parent.name), default=None)


@contextmanager
def running_server(settings: Sequence[str] = _FAST) -> Iterator[Server]:
    """Skips the test where no PostgreSQL is installed; a continuous integration without one fails."""
    folder = programs()
    needed(folder, "PostgreSQL is not installed")
    assert folder is not None
    home = Path(tempfile.mkdtemp(prefix="tallywell-postgres-"))
    user = _unprivileged()
    try:
        secret = home / "password"
        secret.write_text(PASSWORD)
        if user is not None:
            for path in (home, secret):
                shutil.chown(path, user)
        initdb = [
            str(folder / "initdb"), "-D", str(home / "data"), "-U", "postgres", "-E", "UTF8", "--locale=C.UTF-8", "-N",
            "--auth=scram-sha-256", f"--pwfile={secret}",
        ]  # fmt: skip
        subprocess.run(initdb, check=True, capture_output=True, user=user, cwd=home, env=_environment())
        with reserved_port() as port:
            place = (f"port={port}", "listen_addresses=127.0.0.1", f"unix_socket_directories={home}")
            postgres = [str(folder / "postgres"), "-D", str(home / "data")]
            postgres += [word for one in (*place, *settings) for word in ("-c", one)]
            with subprocess.Popen(
                postgres, stderr=subprocess.PIPE, user=user, cwd=home, text=True, env=_environment()
            ) as process:
                try:
                    _wait_until_ready(process)
                    # Nobody reads on: what it says later must not fill the pipe and stop it.
                    with subprocess.Popen(["cat"], stdin=process.stderr, stdout=subprocess.DEVNULL):
                        try:
                            yield Server(port, count(1))
                        finally:
                            process.send_signal(signal.SIGQUIT)  # at once: nobody needs the data any more
                finally:
                    process.kill()
    finally:
        shutil.rmtree(home, ignore_errors=True)


def _wait_until_ready(process: subprocess.Popen[str]) -> None:
    said = []
    assert process.stderr is not None
    for line in process.stderr:
        said.append(line)
        if _READY in line:
            return
    pytest.fail(f"PostgreSQL did not start: {''.join(said)}")


def _unprivileged() -> str | None:
    """Whom to run it as: the server refuses to run as root."""
    if os.geteuid() != 0:
        return None
    known = {entry.pw_name for entry in pwd.getpwall()}
    return next(name for name in _UNPRIVILEGED if name in known)


def _environment() -> dict[str, str]:
    return {name: value for name, value in os.environ.items() if not name.startswith("PG")} | {
        "LC_ALL": "C.UTF-8"
    }
