#!/bin/sh
# Sets up if needed and runs every test, on SQLite and on a real PostgreSQL.
set -eu
cd "$(dirname "$0")/.."
sh deploy/setup.sh
exec .venv/bin/python -m pytest "$@"
