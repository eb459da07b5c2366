# Two commands: `make demo` runs the main job on a sample clip, `make test` passes the tests.
# Both set up .venv from the lock file first. Needs Python 3.11 or 3.12 with its venv module, and make.

PYTHON ?= $(shell for p in python3.12 python3.11 python3; do \
	command -v $$p >/dev/null 2>&1 && $$p -c 'import sys; sys.exit(not (3, 11) <= sys.version_info < (3, 13))' \
	&& echo $$p && break; done)
UV_VERSION := 0.13.9
BIN := .venv/bin
DEMO_OUT ?= demo_result

.PHONY: demo test page setup clips accuracy clean

setup: .venv/ready

.venv/ready: uv.lock pyproject.toml
	@test -n "$(PYTHON)" || { echo "Laneside needs Python 3.11 or 3.12; install one of them (Debian/Ubuntu: apt install python3 python3-venv) or say PYTHON=/path/to/python3.12."; exit 1; }
	@$(PYTHON) -c 'import ensurepip, venv' 2>/dev/null || { echo "The venv module of $(PYTHON) is missing; install it (Debian/Ubuntu: apt install python3-venv) and run make again."; exit 1; }
	@echo "Setting up .venv (once; about a minute and 1.5 GB)..."
	@$(PYTHON) -m venv .venv
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check "uv==$(UV_VERSION)"
	@UV_PROJECT_ENVIRONMENT=.venv $(BIN)/uv sync --frozen --quiet --compile-bytecode
	@$(BIN)/python -m compileall -q shared vision technique ui sample_clips
	@touch $@

demo: .venv/ready
	@$(BIN)/laneside demo --out $(DEMO_OUT)

test: .venv/ready
	@$(BIN)/ruff check .
	@$(BIN)/ruff format --check --quiet .
	@$(BIN)/mypy
	@$(BIN)/pytest -q -n 2 --dist loadgroup

page: .venv/ready
	@$(BIN)/laneside page

clips: .venv/ready
	@$(BIN)/python -m sample_clips.make

accuracy: .venv/ready
	@$(BIN)/python -m benchmarks.accuracy

clean:
	rm -rf .venv demo_result test_artefacts
