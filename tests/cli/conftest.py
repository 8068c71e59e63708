from pathlib import Path

import pytest

from tests.cli.command_line import call
from tests.cli.invented_day import write_day, write_station


@pytest.fixture(scope="session")
def replayed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a station whose day was replayed by the command. Nobody may change it."""
    folder = tmp_path_factory.mktemp("replayed")
    write_station(folder)
    write_day(folder)
    call("replay", "day.jsonl", "--config", "STATION.toml", "--db", "work-up.sqlite", folder=folder)
    return folder


@pytest.fixture
def station(tmp_path: Path) -> Path:
    """A folder with a station that has never run; its STATION.toml."""
    return write_station(tmp_path)
