# Two commands do everything: `make demo` and `make test`. Python 3.11 or newer and make are enough.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
MINUTES ?= 10
READY := $(VENV)/ready
READY_FOR_TESTS := $(VENV)/ready-for-tests
PIP := $(BIN)/python -m pip install --quiet --disable-pip-version-check --no-compile

# Where an environment forbids it, every process compiles each module anew: seconds in every command.
unexport PYTHONDONTWRITEBYTECODE

.PHONY: demo test lint accuracy attack bench fuzz mutants faults readers wheel wheel-test sbom lock licences open clean

demo: $(READY)
	$(BIN)/python -m demo

test: $(READY_FOR_TESTS) lint
	OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 $(BIN)/python -m pytest -n 3 --dist loadfile

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

# Mutation testing of the modules that pyproject.toml names ([tool.mutmut]); leaves the folder mutants/.
mutants: $(READY_FOR_TESTS)
	$(PIP) -r requirements-mutants.txt
	OMP_NUM_THREADS=1 $(BIN)/mutmut run --max-children 2
	$(BIN)/mutmut results

faults: $(READY)
	$(BIN)/python -m studies faults

# What `glassay die` writes, opened by readers that are not ours and are in no other environment.
READERS := .venv-readers
readers: $(READY)
	$(PYTHON) -m venv $(READERS)
	$(READERS)/bin/python -m pip install --quiet --disable-pip-version-check -r release/readers.txt
	rm -rf $(READERS)/die
	$(BIN)/python -m release.drawn_die $(READERS)/die
	$(READERS)/bin/python release/readers.py $(READERS)/die

# The tools of a release live in an environment of their own, so that what they list is not themselves.
TOOLS := .venv-release
TOOLS_READY := $(TOOLS)/ready

wheel: $(TOOLS_READY)
	$(TOOLS)/bin/python -m build --outdir dist .

# A fresh environment, the wheel alone, a small job: PYTHONS="python3.11 python3.13" for several.
PYTHONS ?= $(PYTHON)
wheel-test: wheel
	release/wheel_test.sh dist/glassay-*.whl $(PYTHONS)

# A bill of materials of what is installed (CycloneDX).
sbom: $(READY) $(TOOLS_READY)
	mkdir -p dist
	$(TOOLS)/bin/cyclonedx-py environment --output-format JSON --output-file dist/sbom.json $(BIN)/python

# All that is pinned, with the hash of every file that may be installed.
lock: $(TOOLS_READY)
	$(TOOLS)/bin/pip-compile --quiet --generate-hashes --no-header --no-annotate --allow-unsafe \
	    --no-emit-index-url --no-emit-trusted-host --no-emit-find-links --no-emit-options \
	    --output-file requirements.lock requirements.txt requirements-tests.txt

licences: $(READY)
	$(BIN)/python -m release.licences

$(TOOLS_READY): release/requirements.txt
	$(PYTHON) -m venv $(TOOLS)
	$(TOOLS)/bin/python -m pip install --quiet --disable-pip-version-check -r release/requirements.txt
	touch $(TOOLS_READY)

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
	rm -rf $(VENV) $(TOOLS) $(READERS) demo-bench build dist mutants .mypy_cache .ruff_cache .pytest_cache .hypothesis
