# The few commands people type. `make demo` and `make test` do everything on a fresh machine.
PYTHON ?= python3
BIN := .venv/bin
JOBS ?= auto

.PHONY: setup demo test check bench clean

setup: .venv/ready
	@$(BIN)/python -m ampelog.pdf_needs

.venv/ready: pyproject.toml constraints.txt
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' \
	  || { echo "Python 3.11 or newer is needed; set PYTHON=python3.12, say"; exit 1; }
	@$(PYTHON) -m venv .venv 2>/dev/null \
	  || { echo "no venv module; on Debian and Ubuntu: apt-get install python3-venv"; exit 1; }
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check --constraint constraints.txt --editable '.[dev]'
	@touch $@

demo: setup
	@bash example_vintage/demo.sh

test: setup
	$(BIN)/python -m pytest -n $(JOBS) --dist loadgroup

check: setup
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy

bench: setup
	$(BIN)/python bench/run.py

clean:
	rm -rf .venv demo bench/.work
