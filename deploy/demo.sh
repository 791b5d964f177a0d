#!/bin/sh
# An invented clinic's morning, from nothing: sets up if needed, starts a server on a database of its own, posts readings,
# shows what comes of them, and ends. --keep leaves the server up; --port N chooses its port.
set -eu
cd "$(dirname "$0")/.."
sh deploy/setup.sh
exec .venv/bin/quietcuff demo "$@"
