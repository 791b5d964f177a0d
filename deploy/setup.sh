#!/bin/sh
# Makes .venv from the hash-locked requirements and installs this checkout in it. Safe to run again: it does nothing when
# the lock and the checkout's place have not changed. Needs Python 3.11 or newer and nothing else.
set -eu
cd "$(dirname "$0")/.."

python=${QUIETCUFF_PYTHON:-}
if [ -z "$python" ]; then
    for candidate in python3 python3.14 python3.13 python3.12 python3.11 python; do
        if command -v "$candidate" >/dev/null 2>&1 &&
            "$candidate" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
            python=$candidate
            break
        fi
    done
fi
[ -n "$python" ] || { echo "Quietcuff needs Python 3.11 or newer on the PATH." >&2; exit 1; }

stamp="$(pwd) $(cksum < deploy/requirements.lock) $(cksum < pyproject.toml)"
if [ -x .venv/bin/quietcuff ] && [ "$(cat .venv/made-from 2>/dev/null)" = "$stamp" ]; then
    exit 0
fi

echo "Setting up .venv from deploy/requirements.lock ..." >&2
rm -rf .venv
"$python" -m venv .venv
.venv/bin/python -m pip install --quiet --disable-pip-version-check --require-hashes -r deploy/requirements.lock
.venv/bin/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation -e .
printf '%s\n' "$stamp" > .venv/made-from
