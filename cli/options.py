"""The options that many commands share, each with one meaning."""

from pathlib import Path
from typing import Annotated

import typer

Json = Annotated[bool, typer.Option("--json", help="Print one JSON document instead of text.")]
StationFile = Annotated[
    Path, typer.Argument(metavar="STATION.toml", help="The station's file.", show_default=False)
]
Config = Annotated[
    Path | None,
    typer.Option("--config", metavar="STATION.toml", help="The station's file. Default: STATION.toml here."),
]
Database = Annotated[
    Path | None,
    typer.Option("--db", metavar="DB", help="The database that is meant, in place of the station's."),
]
Office = Annotated[Path, typer.Option("--office", metavar="OFFICE.sqlite", help="The office's database.")]
OFFICE_HERE = Path("office.sqlite")
SpeciesFolder = Annotated[
    Path | None,
    typer.Option("--species", metavar="FOLDER", help="Species files of your own.", show_default=False),
]
