"""Reads the data tables beside these tests: lines that begin with # tell where the numbers were published."""

import csv
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

DATA = Path(__file__).parent / "data"


def table(name: str) -> list[dict[str, str]]:
    lines = (DATA / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def column(rows: list[dict[str, str]], name: str) -> NDArray[np.float64]:
    return np.array([float(row[name]) for row in rows])
