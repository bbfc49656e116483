# Only Python 3.11 to 3.13 and make are needed; everything else is installed under .venv.
SHELL := /bin/sh
PYTHON ?= $(shell for p in python3.11 python3.12 python3.13 python3; do \
	$$p -c 'import sys; sys.exit(not (3, 11) <= sys.version_info[:2] <= (3, 13))' 2>/dev/null && { echo $$p; break; }; done)
VENV := .venv
PY := $(VENV)/bin/python
PIP := $(PY) -m pip --disable-pip-version-check install --quiet --require-hashes --only-binary=:all:
PORT ?= 8000

.DEFAULT_GOAL := help
.PHONY: help run test lint types check bench soak demo lock clean

help: ## say what can be done here
	@grep -E '^[a-z]+:.*##' $(MAKEFILE_LIST) | sed 's/:.*## /\t/' | expand -t 12

$(PY):
	@test -n "$(PYTHON)" || { echo "Prepdesk needs Python 3.11, 3.12 or 3.13, and none was found. Install one, or name it: make run PYTHON=/path/to/python3.12"; exit 1; }
	@$(PYTHON) -m venv $(VENV) || { rm -rf $(VENV); echo "The environment could not be made. On Debian or Ubuntu install the package python3-venv, then try again."; exit 1; }

$(VENV)/.run: requirements.txt | $(PY)
	@echo "Installing what Prepdesk runs on (once) ..."
	@$(PIP) -r requirements.txt || { echo "The packages could not be installed. Is there a network connection?"; exit 1; }
	@touch $@

$(VENV)/.dev: requirements-dev.txt | $(PY)
	@echo "Installing what the tests need (once) ..."
	@$(PIP) -r requirements-dev.txt || { echo "The packages could not be installed. Is there a network connection?"; exit 1; }
	@touch $@ $(VENV)/.run

run: $(VENV)/.run ## set up, load the demo scenario on the first start, and serve on port 8000
	@$(PY) manage.py start --port $(PORT)

test: $(VENV)/.dev lint types ## everything that must be green: lint, types, all tests on PostgreSQL, then on SQLite
	$(PY) -m tests.services $(PY) -m pytest -n 2 -m "not browser"
	$(PY) -m pytest -n 2 -m "not (browser or postgres or redis)" tests/inventory tests/requests_app/test_orders.py tests/requests_app/test_batches.py tests/requests_app/test_order_pages.py tests/reports
	$(PY) -m tests.services $(PY) -m pytest -m browser

lint: $(VENV)/.dev ## style of code and templates, arrows between the rooms, missing migrations
	$(VENV)/bin/ruff check .
	$(VENV)/bin/ruff format --check .
	$(VENV)/bin/djlint --lint --quiet templates
	$(VENV)/bin/lint-imports
	$(PY) manage.py makemigrations --check --dry-run

types: $(VENV)/.dev ## static types
	$(VENV)/bin/mypy prepdesk inventory requests_app

bench: $(VENV)/.dev ## speed, as ratios to a plain way of doing the same
	$(PY) -m tests.bench

soak: $(VENV)/.dev ## a minute of many clients on one shelf, one killed every few seconds, on both databases
	SOAK_SECONDS=60 $(PY) -m tests.services $(PY) -m pytest -s tests/concurrency/test_soak.py

demo: $(VENV)/.run ## load the demo scenario into the present database
	$(PY) manage.py load_demo

lock: ## renew both lock files from pyproject.toml
	@test -x var/lock/bin/uv || { $(PYTHON) -m venv var/lock && var/lock/bin/python -m pip --quiet install uv; }
	var/lock/bin/uv --quiet pip compile --universal --python-version 3.11 --generate-hashes --no-annotate --no-header --upgrade pyproject.toml -o requirements.txt
	var/lock/bin/uv --quiet pip compile --universal --python-version 3.11 --generate-hashes --no-annotate --no-header --upgrade pyproject.toml --group dev -o requirements-dev.txt

clean: ## remove the environment; data under var/ stays
	rm -rf $(VENV)
