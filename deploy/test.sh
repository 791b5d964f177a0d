#!/bin/sh
# Sets up if needed and runs every test, on SQLite and on a real PostgreSQL: files of tests by one process more than there are
# cores, as some wait for what they started, and at most four. Arguments are pytest's; -n 0 runs them one after another.
set -eu
cd "$(dirname "$0")/.."
sh deploy/setup.sh test
# Commands that tests start by the hundred would compile all of it anew each time where Python is told to write no bytecode.
unset PYTHONDONTWRITEBYTECODE
.venv/bin/python -m compileall -q -j 0 -x '/test_' service tests
workers=$(.venv/bin/python -c 'from quietcuff.cli.support.cores import cores; print(min(4, cores() + 1))')
exec .venv/bin/python -m pytest -n "$workers" --dist loadfile --no-loadscope-reorder "$@"
