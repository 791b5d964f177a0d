#!/bin/sh
# Sets up if needed and runs every test, on SQLite and on a real PostgreSQL, a file of tests on each core (at most four).
# Arguments are pytest's; -n 0 runs them one after another.
set -eu
cd "$(dirname "$0")/.."
sh deploy/setup.sh test
exec .venv/bin/python -m pytest -n auto --maxprocesses 4 --dist loadfile --no-loadscope-reorder "$@"
