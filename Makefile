# Each target brings its own environment: nothing has to be set up first. `make` alone lists them.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
READY := $(VENV)/.ready
# The same examples every time; bare pytest looks for new ones.
export CI ?= true
# Every process started would compile all of it anew where the machine says not to keep what was compiled.
export PYTHONDONTWRITEBYTECODE :=

.DEFAULT_GOAL := help
.PHONY: screens help demo test slow check format bench serve openapi clean

help: ## list the targets
	@grep -hE '^[a-z]+:.*## ' $(MAKEFILE_LIST) | sed -E 's/^([a-z]+):.*## /\1\t/' | expand -t 10

$(READY): pyproject.toml constraints.txt
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11) and "Python 3.11 or newer is needed; name one: make PYTHON=python3.12 …")'
	test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --constraint constraints.txt --editable '.[dev]'
	@touch $@

demo: $(READY) ## run the main job on the invented demo, then serve it on loopback
	$(BIN)/rimekeep demo

test: $(READY) ## all quick tests, on SQLite and on a PostgreSQL started for the purpose
	@sh .ci/postgres
	@sh .ci/broker
	@sh .ci/browser
	$(BIN)/pytest -n 2 --dist worksteal -m "not slow"

slow: $(READY) ## fault and load tests: processes killed, many clients
	@sh .ci/postgres
	@sh .ci/broker
	@sh .ci/browser
	$(BIN)/pytest -n 2 --dist worksteal -m slow

check: $(READY) ## format, lint, types, import contracts
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/lint-imports

format: $(READY) ## put the code into shape
	$(BIN)/ruff format .
	$(BIN)/ruff check --fix .

bench: $(READY) ## print the figures of speed as ratios measured in one run
	$(BIN)/rimekeep bench

serve: $(READY) ## serve on the database of RIMEKEEP_DATABASE_URL (default: SQLite under var/)
	$(BIN)/rimekeep serve

screens: $(READY) ## take the pictures of the pages in fixtures/screens anew, to be looked at
	@sh .ci/browser
	$(BIN)/python tests/web/screens.py

openapi: $(READY) ## write the OpenAPI document after a change of the API
	$(BIN)/rimekeep openapi > openapi/rimekeep.json

clean: ## remove the environment and what tools left behind
	find service tests -name __pycache__ -prune -exec rm -rf {} +
	rm -rf $(VENV) build .mypy_cache .ruff_cache .pytest_cache .hypothesis .import_linter_cache
