# Everything a fresh machine needs is made here: `make demo` and `make test` set up .venv themselves.
PYTHON ?= python3
VENV   := .venv
BIN    := $(VENV)/bin
READY  := $(VENV)/.ready
UV     := $(shell command -v uv 2>/dev/null)

.PHONY: demo test browser study lint constraints clean

demo: $(READY)
	$(BIN)/hysteresis demo

# speeds are compared in one process with nothing beside it, all else on every core
test: $(READY) lint
	$(BIN)/python -m pytest -n auto --dist loadfile --ignore tests/benchmarks
	$(BIN)/python -m pytest -p no:xdist tests/benchmarks

# Pages are tested in chromium where there is one, skipped with a reason where not. A machine on which
# we are root and that lacks it, such as a fresh container, is given one; a failure is no failure.
browser:
	@if ! command -v chromium >/dev/null && ! command -v chromium-browser >/dev/null \
	    && [ "$$(id -u)" = 0 ] && command -v apt-get >/dev/null; then \
	    export DEBIAN_FRONTEND=noninteractive; \
	    { timeout 120 apt-get update -qq && timeout 420 apt-get install -y -qq --no-install-recommends chromium; } \
	        >/dev/null 2>&1 || echo "no chromium could be installed: the tests in a browser are skipped"; \
	fi

study: $(READY)
	$(BIN)/python -m experiments.return_to_zero --seeds 5

lint: $(READY)
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/lint-imports

$(READY): constraints.txt pyproject.toml
ifdef UV
	$(UV) venv --allow-existing --quiet --python $(PYTHON) $(VENV)
	$(UV) pip install --quiet --python $(BIN)/python --require-hashes -r constraints.txt
	$(UV) pip install --quiet --python $(BIN)/python --no-deps --no-build-isolation -e .
else
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r constraints.txt
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation -e .
endif
	touch $(READY)

# Renew the pins (needs uv). The file holds names, versions and hashes, no addresses.
constraints:
	uv pip compile pyproject.toml --extra dev --universal --generate-hashes --no-header \
	    --no-annotate --no-emit-index-url --upgrade -o constraints.txt

clean:
	rm -rf $(VENV) build *.egg-info .pytest_cache .mypy_cache .ruff_cache .hypothesis demo-run
