# Every target that needs Python keeps its own .venv up to date first; nothing
# has to be activated. Another interpreter: make test PYTHON=python3.12
PYTHON ?= python3
UV ?= uv

BIN := .venv/bin
PIP := $(BIN)/python -m pip --disable-pip-version-check
DEMO := footpath-string

# A .venv is sound when its Python runs and still calls itself what it did when
# it was made. A moved or copied folder, a vanished interpreter and one that was
# upgraded under the .venv all fail this, and the .venv is made anew.
WHO := import sys; print(sys.prefix, sys.implementation.cache_tag)
SOUND := $(shell [ -s .venv/.made-as ] \
	&& [ "$$($(BIN)/python -c '$(WHO)' 2>/dev/null)" = "$$(cat .venv/.made-as)" ] \
	&& echo yes)

# An interpreter named by hand is meant: do not go on with a .venv of another.
ifneq ($(origin PYTHON),file)
TAG := import sys; print(sys.implementation.cache_tag)
ifneq ($(shell $(PYTHON) -c '$(TAG)' 2>/dev/null),$(lastword $(shell cat .venv/.made-as 2>/dev/null)))
SOUND :=
endif
endif

# Compiled files are kept, whatever the shell says: the tests start hundreds of processes.
unexport PYTHONDONTWRITEBYTECODE

.DEFAULT_GOAL := help
.PHONY: help run test lint bench native pins clean FORCE
# Two pips in one .venv at once would spoil it.
.NOTPARALLEL:
.DELETE_ON_ERROR:

help: ## list the targets
	@sed -n 's/^\([a-z]*\):[^#]*## \(.*\)/  make \1|\2/p' $(firstword $(MAKEFILE_LIST)) \
		| awk -F '|' '{ printf "%-14s%s\n", $$1, $$2 }'

run: .venv/.stamp-run ## simulate the demo job and write it to out/
	$(BIN)/linehold trial $(DEMO) --out out/$(DEMO)

test: .venv/.stamp-dev ## run the tests
	$(BIN)/python -m pytest -n 3

lint: .venv/.stamp-dev ## check style, types and the import walls
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports --no-logo

bench: .venv/.stamp-dev ## measure speed, memory and the loop's timing
	$(BIN)/python -m tests.bench
	$(BIN)/python -m tests.bench_live

native: .venv/.stamp-dev ## compile loop and simulator to C (needs gcc; minutes)
	$(BIN)/python .ci/native.py

# Needs uv, which nothing else here does. Pins stay as they are unless the
# ranges in pyproject.toml call for a change; to move on: make pins UP=--upgrade
# Extras stay in the pins: without them pip 23 turns to a newer release of the
# same package the day one comes out, and refuses it for want of a hash.
COMPILE = $(UV) pip compile pyproject.toml --quiet --universal --python-version 3.11 \
	--generate-hashes --no-header --no-annotate --no-emit-index-url --no-strip-extras $(UP)
pins: ## rewrite the pinned requirement files (needs uv)
	$(COMPILE) --extra build --extra browser --extra test --extra lint \
		--output-file requirements-dev.txt
	$(COMPILE) --extra build --constraint requirements-dev.txt --output-file requirements.txt

clean: ## remove .venv, caches and out/
	rm -rf .venv out build dist *.egg-info htmlcov .coverage .coverage.*
	rm -rf .hypothesis .import_linter_cache .mypy_cache .pytest_cache .ruff_cache
	find . -name __pycache__ -type d -prune -exec rm -rf {} +

.venv/.made-as: $(if $(SOUND),,FORCE)
	@$(PYTHON) -c '' 2>/dev/null || { echo "$(PYTHON) does not run." \
		"Install Python 3.11, 3.12 or 3.13, or name one: make PYTHON=python3.12" >&2; exit 1; }
	@$(PYTHON) -c 'import sys; sys.exit(not (3, 11) <= sys.version_info < (3, 14))' || { \
		echo "Linehold needs Python 3.11, 3.12 or 3.13, and $(PYTHON) is" \
		"$$($(PYTHON) -V 2>&1). Name another: make PYTHON=python3.12" >&2; exit 1; }
	rm -rf .venv
	$(PYTHON) -m venv .venv
	@$(BIN)/python -c '$(WHO)' > $@

# Editable, so that a change in the tree counts at once; without isolation, so
# that the pinned setuptools does it and nothing else is fetched.
.venv/.stamp-run: requirements.txt pyproject.toml .venv/.made-as
	$(PIP) install --quiet --require-hashes -r requirements.txt
	$(PIP) install --quiet --no-deps --no-build-isolation -e .
	@touch $@

# The dev pins hold the runtime pins too, so both stamps are fresh afterwards.
.venv/.stamp-dev: requirements-dev.txt pyproject.toml .venv/.made-as
	$(PIP) install --quiet --require-hashes -r requirements-dev.txt
	$(PIP) install --quiet --no-deps --no-build-isolation -e .
	@touch .venv/.stamp-run $@

FORCE:
