# make demo   run the night of the demo site and say where the results are
# make test   formatting, lint, types and all tests
# make truth  score calibration and quality tests on fields with known truth (minutes)
# make bench  measure speed, as ratios within one run
# make fuzz   feed broken bytes to every parser (make fuzz SECONDS=600)
# make kills  kill nights at random instants (make kills ROUNDS=500)
# make lint   formatting, lint and types only
# make clean  remove what the other targets made
#
# Everything stays inside this folder: the environment in .venv, results and state in out.

PYTHON ?= python3
BIN := .venv/bin
PIP := $(BIN)/python -m pip --disable-pip-version-check
PROJECT := pyproject.toml constraints.txt
WORKERS ?= 2
SECONDS ?= 60
ROUNDS ?= 100

export PERCOLOG_STATE := $(CURDIR)/out/state
# Else each start of the command, and tests start it often, compiles all its source anew.
unexport PYTHONDONTWRITEBYTECODE

.PHONY: demo test truth bench fuzz kills lint clean
.DELETE_ON_ERROR:

demo: .venv/.demo-ready
	@status=0; $(BIN)/percolog night config || status=$$?; \
	if [ $$status -eq 3 ]; then \
	  echo "Some readings were set aside, as they should be: faults were put into the demo."; \
	  status=0; \
	fi; exit $$status

test: lint
	$(BIN)/python -m pytest -n $(WORKERS) --dist loadfile --no-loadscope-reorder \
	  -m "not benchmark"

lint: .venv/.test-ready
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy

truth: .venv/.test-ready
	@PYTHONPATH=tests/support:data $(BIN)/python tests/truth/report.py

bench: .venv/.test-ready
	$(BIN)/python -m pytest tests/benchmarks/bench_*.py -m benchmark -s

fuzz: .venv/.test-ready
	PYTHONPATH=tests/support $(BIN)/python tests/fuzz/fuzz.py \
	  $(if $(REPLAY),--replay $(REPLAY),--seconds $(SECONDS))

kills: .venv/.test-ready
	$(BIN)/python tests/kills/kill.py $(ROUNDS)

clean:
	rm -rf .venv out build dist *.egg-info .pytest_cache .mypy_cache .ruff_cache .hypothesis

.venv/.made:
	@command -v $(PYTHON) > /dev/null || { \
	  echo "$(PYTHON): not found. Install Python 3.11 or newer, or name one:" \
	       "make demo PYTHON=python3.12" >&2; exit 2; }
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || { \
	  echo "$(PYTHON) is $$($(PYTHON) --version 2>&1); percolog needs Python 3.11 or newer." \
	       "Name one: make demo PYTHON=python3.12" >&2; exit 2; }
	@$(PYTHON) -c 'import venv, ensurepip' || { \
	  echo "$(PYTHON) cannot make virtual environments; on Debian and Ubuntu install" \
	       "the package python3-venv." >&2; exit 2; }
	$(PYTHON) -m venv .venv
	@touch $@

.venv/.demo-ready: .venv/.made $(PROJECT)
	$(PIP) install --quiet --constraint constraints.txt --editable .
	@touch $@

.venv/.test-ready: .venv/.made $(PROJECT)
	$(PIP) install --quiet --constraint constraints.txt --editable '.[test]'
	@touch $@ .venv/.demo-ready
