# Needs make and a Python of 3.10 or newer. `make` alone lists what there is.
PYTHON ?= python3
export PYTHON

locks := requirements/run.lock.txt requirements/test.lock.txt

.PHONY: help demo test check bench bench-guard bench-faults bench-week fuzz evaluate lock audit clean
.DEFAULT_GOAL := help

help:
	@echo "make demo    play the built-in scenario; everything it needs goes into .venv"
	@echo "make test    every check and test, on real parts"
	@echo "make check   style, types and import arrows only"
	@echo "make bench   measure speed, print a table"
	@echo "make bench-guard  press the stop 100,000 times, fault by fault (about two hours)"
	@echo "make bench-faults  break a running table on purpose; renews the README's table"
	@echo "make bench-week    a week in an hour, with faults; draws examples/week.png"
	@echo "make fuzz          a million spoilt inputs (some twenty minutes)"
	@echo "make evaluate     measure how well the demo's table hears; renews the README's table"
	@echo "make audit   hold the pinned packages against published weaknesses (needs a network)"
	@echo "make lock    pin the packages anew after a change of pyproject.toml"
	@echo "make clean   remove what these made"
	@echo "PYTHON=python3.12 picks another Python."

.venv/run.stamp: $(locks) pyproject.toml scripts/venv
	@sh scripts/venv run

.venv/test.stamp: $(locks) pyproject.toml scripts/venv
	@sh scripts/venv test

demo: .venv/run.stamp
	@.venv/bin/tablevoice demo

test: .venv/test.stamp
	@sh scripts/setup
	@sh scripts/test

check: .venv/test.stamp
	@sh scripts/check

bench: .venv/test.stamp
	@.venv/bin/python -m benchmarks

# 25 faults of 1,000 trips, and 75,000 idle and with every core busy: 100,000 in all, when
# run by a superuser (the full disk is a mount). For fewer: BENCH_GUARD='--trips 100'.
BENCH_GUARD ?= --total 75000

bench-guard: .venv/test.stamp
	@sh scripts/setup
	@.venv/bin/python -m benchmarks.guard_reaction $(BENCH_GUARD)

# Each fault several times, a minute of ten thousand events a second, 200 kills: about an hour.
# For a look: BENCH_FAULTS='--times 1 --dry'.
BENCH_FAULTS ?=

bench-faults: .venv/test.stamp
	@sh scripts/setup
	@.venv/bin/python -m benchmarks.faults $(BENCH_FAULTS)

# For a look: BENCH_WEEK='--hours 0.05 --out build/week'.
BENCH_WEEK ?=

bench-week: .venv/test.stamp
	@.venv/bin/python -m benchmarks.week $(BENCH_WEEK)

FUZZ ?=

fuzz: .venv/test.stamp
	@.venv/bin/python -m benchmarks.fuzz $(FUZZ)

# Voices that nothing was tuned on, made from the engines at hand; some hours of sound.
# EVALUATE='--small' tries a few clips and leaves the README alone.
EVALUATE ?=

evaluate: .venv/test.stamp
	@sh scripts/setup
	@.venv/bin/python -m benchmarks.evaluation $(EVALUATE)

audit: .venv/test.stamp
	@.venv/bin/python scripts/audit.py

lock:
	@sh scripts/lock

clean:
	rm -rf .venv build dist demo_out .pytest_cache .mypy_cache .ruff_cache .hypothesis \
	    .import_linter_cache *.egg-info
	find . -name __pycache__ -type d -prune -exec rm -rf {} +
