"""The answers alone, without paper: the records of ten years read once, and every chapter made from them."""

import sqlite3
import time
from contextlib import closing
from pathlib import Path

import numpy as np

from ingest.shipped import shipped_config
from ingest.species import load_species
from ingest.store import Store
from office.answers.compose import all_chapters
from office.answers.reading import read_records
from simulators.waters import plan_of_size, write_water
from tests.bench.contestants import BenchFailedError
from tests.bench.measure import Goal, Line, in_turns, middle_line

YEARS = 10
OURS, BARE = "read_records, all_chapters", "rows of worked_fish as arrays"


def answer_all(folder: Path, rounds: int, fish: int) -> list[Line]:
    """Seconds for all chapters of a water of `fish` over ten years, against reading its fish and nothing else."""
    database = folder / "answers.sqlite"
    with Store.open(database) as store:
        write_water(store, plan_of_size(fish, YEARS))
    book = load_species(shipped_config() / "species")

    def ours(_: int) -> list[float]:
        began_s = time.perf_counter()
        with closing(sqlite3.connect(database)) as connection:
            made = all_chapters(read_records(connection), book)
        if not all(chapter.answers for chapter in made):
            raise BenchFailedError("a chapter has no answer")
        return [time.perf_counter() - began_s]

    def bare(_: int) -> list[float]:
        began_s = time.perf_counter()
        with closing(sqlite3.connect(database)) as connection:
            rows = connection.execute("SELECT * FROM worked_fish").fetchall()
        for column in zip(*rows, strict=True):
            np.array(column, dtype=object)
        return [time.perf_counter() - began_s]

    samples = in_turns({BARE: bare, OURS: ours}, rounds)
    what = f"all answers of {fish:,} fish over {YEARS} years"
    return [middle_line(what, samples, OURS, BARE, "s", goal=Goal("ours", 5))]
