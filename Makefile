# `make demo` and `make test` each set up everything they need: see tools/setup_env.py.
# To choose the Python yourself: make PYTHON=/path/to/python3.12 demo

.NOTPARALLEL:
.PHONY: help demo test bench maps pin lock law-coverage law-mutants clean

BIN = .venv/bin
PYTHONS = $(if $(PYTHON),"$(PYTHON)",$(wildcard $(BIN)/python) python3.13 python3.12 python3.11 python3 python)

# The first Python that says it suits does the set-up; otherwise tell what each one was.
define set_up
@tried=; \
for python in $(PYTHONS); do \
	if why=$$("$$python" tools/setup_env.py --suits 2>/dev/null); then \
		exec "$$python" tools/setup_env.py $(1); \
	fi; \
	tried="$$tried  $$python: $${why:-not found}\n"; \
done; \
printf '%b' "No suitable Python: sitegeo needs Python 3.11, 3.12 or 3.13. Looked for\n$$tried" \
	"Install one of the three (Debian, Ubuntu: apt install python3 python3-venv;\n" \
	"macOS: brew install python@3.12) and run make again, or name one that make\n" \
	"did not find: make PYTHON=/path/to/python3.12 $@\n" >&2; \
exit 1
endef

help: ## this list (the default)
	@awk -F ':.*## ' '/^[a-z-]+:.*## / { printf "make %-12s %s\n", $$1, $$2 }' Makefile

demo: ## set up, then scout the bundled place: ranked blinds, a map and a plan in out/demo
	$(call set_up)
	@$(BIN)/sitegeo demo --out out/demo --overwrite

test: ## set up, then lint, type-check and run every test
	$(call set_up,--test)
	@$(BIN)/ruff check
	@$(BIN)/ruff format --check
	@$(BIN)/mypy
	@$(BIN)/python -m pytest -n 2 --dist loadfile

bench: ## set up, then run every benchmark (several minutes, a quiet machine)
	$(call set_up,--test)
	@for script in benchmarks/bench_*.py; do $(BIN)/python "$$script" || exit 1; done

maps: ## set up, then make the example outputs in maps/ again
	$(call set_up,--test)
	@$(BIN)/python tools/make_examples.py

pin: ## set up, then write the pinned ranking of the bundled place anew (a change that is meant)
	$(call set_up,--test)
	@$(BIN)/python tools/pin_ranking.py

LAW_TESTS = tests/unit/test_law_*.py tests/unit/test_setback_*.py tests/unit/test_public_ground.py \
	tests/unit/test_land_verdicts.py tests/published/test_setback_distances.py \
	tests/published/test_cautions.py tests/published/test_cold.py tests/published/test_daylight.py \
	tests/published/test_shotfall.py tests/unit/test_checking.py \
	tests/property/test_setbacks_polygons.py tests/property/test_setbacks_verdicts.py \
	tests/analytic/test_shotfall_arcs.py

COMPILE = uv pip compile --quiet --universal --python-version 3.11 --generate-hashes \
	--no-header --no-emit-index-url $(UPGRADE) pyproject.toml --group setup

lock: ## write the locks anew after a change in pyproject.toml (needs uv; UPGRADE=--upgrade)
	@$(COMPILE) --output-file requirements.lock
	@$(COMPILE) --extra test --constraints requirements.lock --output-file requirements-test.lock

law-coverage: ## say which branches of the law package its own tests miss
	@$(BIN)/coverage run --branch --source sitegeo/law -m pytest -q $(LAW_TESTS)
	@$(BIN)/coverage report --show-missing --fail-under 100

law-mutants: ## change the law package one operator at a time; print what no test notices (hours)
	@$(BIN)/python tools/mutants.py $(MODULES)

clean: ## remove .venv, builds and caches (never out/, where your plans may be)
	rm -rf .venv build dist .mypy_cache .pytest_cache .ruff_cache .hypothesis
