#!/bin/sh
# Makes .venv from a lock with hashes and installs this checkout in it. Needs Python 3.11 or newer and nothing else.
#   sh deploy/setup.sh         what running needs
#   sh deploy/setup.sh full    that, and every extra: pictures, analytics, cluster, traces
#   sh deploy/setup.sh test    that, and what testing needs
# Safe to run again: it does nothing where .venv holds what is asked for or more, adds what is missing where it holds less, and
# starts over where the locks, pyproject.toml or the checkout's place have changed.
set -eu
cd "$(dirname "$0")/.."

# About how long it takes where nothing was fetched before, as measured on two cores.
case ${1:-run} in
    run) wanted=1 lock=requirements.lock about='a minute' ;;
    full) wanted=2 lock=requirements-full.lock about='two minutes' ;;
    test) wanted=3 lock=requirements-test.lock about='four minutes' ;;
    *) echo "Accepted: run, full or test; not $1." >&2; exit 2 ;;
esac

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

stamp="$(pwd) $(cat deploy/requirements*.lock pyproject.toml | cksum)"
held=0
if [ -x .venv/bin/quietcuff ] && [ "$(sed -n 1p .venv/made-from 2>/dev/null)" = "$stamp" ]; then
    held=$(sed -n 2p .venv/made-from)
fi
[ "$held" -lt "$wanted" ] || exit 0

pip() { .venv/bin/python -m pip install --quiet --disable-pip-version-check "$@"; }
tell() { printf '%s\n' "$*" >&2; }

# Every lock names each package once for a kind of machine; a name may stand there for two versions of Python.
count=$(grep '==' "deploy/$lock" | grep -v "sys_platform == 'win32'" | sed 's/==.*//' | sort -u | wc -l | tr -d ' ')
tell "Setting up .venv: $count packages from deploy/$lock. The first time takes about $about, less where pip has them."
if [ "$held" = 0 ]; then
    tell "  1 of 3  a virtual environment of $("$python" --version)"
    rm -rf .venv
    "$python" -m venv .venv
else
    tell "  1 of 3  the virtual environment is there; what it lacks is added"
fi
tell "  2 of 3  fetching and installing, each package checked against its hash"
pip --no-compile --require-hashes -r "deploy/$lock"
# Compiled on every core at once, which pip does on one, less the packages' own tests and what nothing here imports. A file that
# a package ships for another Python may not compile.
.venv/bin/python -m compileall -q -q -j 0 -x '/(tests?|faker|pip|STU3)/' .venv/lib >/dev/null || :
tell "  3 of 3  this checkout"
pip --no-deps --no-build-isolation -e .
# What runs it later may not be allowed to write here: the bytecode of the checkout, and its rules as they are once parsed.
.venv/bin/python -m compileall -q -q -j 0 service >/dev/null || :
.venv/bin/python -c 'from quietcuff.rules.catalog import load_rulebook; load_rulebook()'
printf '%s\n' "$stamp" "$wanted" > .venv/made-from
