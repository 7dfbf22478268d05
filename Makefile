# make demo   sets up .venv, measures a small invented archive, says what to open
# make test   formatter, linter, type checkers, tests
# make quick  the tests that start, load and make nothing large
PYTHON ?= $(shell command -v python3.11 || command -v python3)
BIN := .venv/bin
# What pip has to say is kept in a file and shown only if it fails.
LOG := .venv/pip.log
PIP = $(BIN)/python -m pip install --quiet --no-build-isolation
QUIETLY = >$(LOG) 2>&1 || { cat $(LOG); exit 1; }
# The strict editable mode links file by file, which the type checker can follow; new files need a new link.
EDITABLE := --config-settings editable_mode=strict
SOURCES := $(shell find configs measure infer synthetic_data train -name '*.py' -o -name '*.yaml' -o -name '*.safetensors' -o -name '*.onnx' -o -name '*.json' -o -name '*.js' -o -name '*.css' -o -name '*.html' -o -name '*.svg')
ARCHIVE := demo/archive
RESULT := demo/result
VISITS := demo/visits

.PHONY: demo test check lint types page-types contract unit quick clean

.venv/.made:
	@$(PYTHON) -c 'import sys; sys.exit(0 if sys.version_info >= (3, 11) else "Python 3.11 or newer is needed")'
	@$(PYTHON) -m venv .venv
	@echo "Setting up .venv (some minutes: torch, which makes the invented films, is large)"
	@$(BIN)/python -m pip install --quiet --upgrade pip "setuptools>=77" wheel $(QUIETLY)
	@touch $@

.venv/.installed: .venv/.made pyproject.toml
	@$(PIP) $(EDITABLE) --editable '.[pinned]' $(QUIETLY)
	@touch $@

.venv/.developing: .venv/.installed
	@$(PIP) $(EDITABLE) --editable '.[pinned,dev]' $(QUIETLY)
	@touch $@

.venv/.linked: .venv/.installed $(SOURCES)
	@$(PIP) --no-deps $(EDITABLE) --editable . $(QUIETLY)
	@touch $@

demo: .venv/.linked
	$(BIN)/raysplay demo-archive $(ARCHIVE) --visits $(VISITS) --overwrite
	$(BIN)/raysplay measure $(ARCHIVE) --out $(RESULT) --overwrite --keep-reads
	@echo
	@echo "One person's films over time:"
	$(BIN)/raysplay measure $(VISITS)/films --out $(VISITS)/result --overwrite --keep-reads
	$(BIN)/raysplay visit $(VISITS)/result --conditions $(VISITS)/conditions.csv --out $(VISITS)/report --overwrite
	@echo
	@echo "Open next:"
	@echo "  $(RESULT)/feet.xlsx         one row a foot: decision, reasons, angles with intervals (feet.csv: for programs)"
	@echo "  $(RESULT)/overlays/         one picture a foot: film, axes, angles, doubtful points"
	@echo "  $(RESULT)/measurements.csv  one row a number;  $(RESULT)/run.json  versions, digests, counts, times"
	@echo "  $(BIN)/raysplay review $(RESULT)   the page where a person checks and corrects"
	@echo "  $(VISITS)/report/P-07.html  one person on five films: what changed beyond error, what a splint did, what cannot be compared"
	@echo "  $(BIN)/raysplay visit              the desk: drop films on a page, confirm, compare, write report and letter"
	@echo "  $(ARCHIVE)/, $(VISITS)/films/   the invented films themselves (DICOM)"

test: lint types page-types unit

check: lint types page-types

lint: .venv/.developing
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .

types: .venv/.developing .venv/.linked
	$(BIN)/mypy

# The page's JavaScript against the shapes of the server's answers; says so where the compiler cannot be had.
page-types: .venv/.developing
	.ci/page_types

# The page's types and the list of calls and shapes in API.md, made anew from the models.
contract: .venv/.developing .venv/.linked
	$(BIN)/python -m raysplay.infer.review.contract_files

# Three processes for two cores: for a third of their time tests wait for a program, a server or a page. A file's tests
# stay together, so that what they share is made once; files come in the order of tests/conftest.py, the slow ones first.
PROCESSES ?= 3
# Tests start the program hundreds of times: compiled once, whatever the surroundings say.
export PYTHONDONTWRITEBYTECODE :=
PYTEST := $(BIN)/python -m pytest --numprocesses=$(PROCESSES) --dist=loadfile --no-loadscope-reorder

unit: .venv/.developing .venv/.linked
	$(PYTEST)

quick: .venv/.developing .venv/.linked
	$(PYTEST) -m 'not slow'

clean:
	rm -rf .venv build demo runs *.egg-info .pytest_cache .mypy_cache .ruff_cache .hypothesis
