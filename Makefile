.DEFAULT_GOAL := help
PYTHON ?= python3
PORT ?= 8000
SEED ?= demo
VENV := .venv
BIN := $(VENV)/bin

.PHONY: help run test soak check bench clean

help: ## show this
	@grep -hE '^[a-z]+:.*## ' $(MAKEFILE_LIST) | sed -E 's/:.*## /\t/' | expand -t 10

$(VENV)/.run: pyproject.toml
	@test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	@$(BIN)/python -m pip install -q --disable-pip-version-check -e .
	@touch $@

$(VENV)/.test: pyproject.toml $(VENV)/.run
	@$(BIN)/python -m pip install -q --disable-pip-version-check -e '.[test,check]'
	@touch $@

$(VENV)/.bench: pyproject.toml $(VENV)/.test
	@$(BIN)/python -m pip install -q --disable-pip-version-check -e '.[bench]'
	@touch $@

run: $(VENV)/.run ## serve on PORT (8000); SEED=none starts empty
	@STILLROOM_PORT=$(PORT) STILLROOM_SEED=$(SEED) exec $(BIN)/python -m service serve

test: $(VENV)/.test ## every test, on SQLite and on a real PostgreSQL
	@$(BIN)/python -m pytest -n auto --maxprocesses=4 --dist=loadfile

soak: $(VENV)/.test ## the same tests with much larger counts (hours)
	@STILLROOM_SOAK=1 $(BIN)/python -m pytest

check: $(VENV)/.test ## format, lint, types, import directions, migration drift
	@$(BIN)/ruff format --check service api_tests
	@$(BIN)/ruff check service api_tests
	@$(BIN)/mypy
	@$(BIN)/lint-imports
	@$(BIN)/python -m pytest api_tests/infra/test_migrations.py -k "tables and sqlite"

bench: $(VENV)/.bench ## speed, as a table and JSON under var/bench; ONLY=runs,check for parts, BENCH_QUICK=1 for less
	@$(BIN)/python -m api_tests.bench

clean: ## remove the virtual environment (never the database)
	@rm -rf $(VENV)
