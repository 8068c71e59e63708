# Everything a newcomer needs: `make demo` shows the main job, `make test` runs the tests. Both set up by themselves.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
STAMP := $(VENV)/.installed

.PHONY: help setup demo test test-long bench check format clean

help:
	@echo "make demo       set up, then work up an invented survey on virtual instruments (a minute; WATCH=1: at the pace of a crew)"
	@echo "make test       set up, then run the tests"
	@echo "make test-long  the slow suite: hundreds of kills, thousands of crews"
	@echo "make bench      timings against baselines of the same run"
	@echo "make check      format, lint, types, import contract"
	@echo "make format     let the formatter rewrite the code"

$(STAMP): pyproject.toml
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || \
		{ echo "Python 3.11 or newer is needed; this is $$($(PYTHON) --version). Name another one: make PYTHON=python3.12"; exit 1; }
	@echo "Setting up $(VENV) (once; a minute or two) ..."
	@$(PYTHON) -m venv $(VENV)
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check --editable '.[dev]'
	@touch $@

setup: $(STAMP)

demo: $(STAMP)
	@$(BIN)/python -m simulators.demo $(if $(WATCH),--watch)

test: $(STAMP)
	$(BIN)/python -m pytest -n 2 --dist worksteal -m "not long"

test-long: $(STAMP)
	$(BIN)/python -m pytest -m long -s

bench: $(STAMP)
	$(BIN)/python -m tests.bench.run

check: $(STAMP)
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/lint-imports

format: $(STAMP)
	$(BIN)/ruff format .
	$(BIN)/ruff check --fix .

clean:
	rm -rf $(VENV) demo-out bench-out .mypy_cache .ruff_cache .pytest_cache .hypothesis .import_linter_cache
