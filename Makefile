# Two commands do everything: `make demo` and `make test`. Python 3.11 or newer and make are enough.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
MINUTES ?= 10
READY := $(VENV)/ready

.PHONY: demo test lint accuracy attack bench fuzz open clean

demo: $(READY)
	$(BIN)/python -m demo

test: $(READY) lint
	OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 $(BIN)/python -m pytest -n 2 --dist loadfile

lint: $(READY)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy

accuracy: $(READY)
	$(BIN)/python -m studies --keep docs/accuracy.md

attack: $(READY)
	$(BIN)/python -m studies.attack --keep docs/attack.md

bench: $(READY)
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
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -r requirements.txt
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation -e .
	touch $(READY)

clean:
	rm -rf $(VENV) demo-bench build .mypy_cache .ruff_cache .pytest_cache .hypothesis
