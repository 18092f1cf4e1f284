# Two commands do everything: `make demo` and `make test`. Python 3.11 or newer and make are enough.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
MINUTES ?= 10
READY := $(VENV)/ready
READY_FOR_TESTS := $(VENV)/ready-for-tests
PIP := $(BIN)/python -m pip install --quiet --disable-pip-version-check --no-compile

.PHONY: demo test lint accuracy attack bench fuzz open clean

demo: $(READY)
	$(BIN)/python -m demo

test: $(READY_FOR_TESTS) lint
	OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 $(BIN)/python -m pytest -n 2 --dist loadfile

lint: $(READY_FOR_TESTS)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy

accuracy: $(READY_FOR_TESTS)
	$(BIN)/python -m studies --keep docs/accuracy.md

attack: $(READY_FOR_TESTS)
	$(BIN)/python -m studies.attack --keep docs/attack.md

bench: $(READY_FOR_TESTS)
	$(BIN)/python -m benchmarks

# The wheel of the fuzzer is not among what the tests need.
fuzz: $(READY)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -r requirements-fuzz.txt
	nice $(BIN)/python -m fuzz --minutes $(MINUTES)

open: $(READY)
	$(BIN)/glassay open demo-bench

$(READY): requirements.txt pyproject.toml
	$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11) and "Python 3.11 or newer is needed; name one with make PYTHON=...")'
	$(PYTHON) -m venv $(VENV)
	$(PIP) -r requirements.txt
	$(PIP) --no-deps --no-build-isolation -e .
	touch $(READY)

$(READY_FOR_TESTS): $(READY) requirements-tests.txt
	$(PIP) -r requirements-tests.txt
	touch $(READY_FOR_TESTS)

clean:
	rm -rf $(VENV) demo-bench build .mypy_cache .ruff_cache .pytest_cache .hypothesis
