"""`python -m cli` is `tallywell`."""

from cli.main import run

run()
