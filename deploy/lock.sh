#!/bin/sh
# Writes the three locks again from pyproject.toml, each a part of the next: what running needs, that and every extra, that and
# what testing needs. Versions that still fit stay as they are; --upgrade, or --upgrade-package NAME, moves them. Needs uv.
set -eu
cd "$(dirname "$0")/.."

compile() {
    target=$1
    shift
    uv pip compile pyproject.toml --quiet --universal --python-version 3.11 --generate-hashes --no-header --no-annotate \
        --output-file "deploy/$target" "$@"
}

# The widest first: the others then take its versions.
compile requirements-test.lock --extra test "$@"
cp deploy/requirements-test.lock deploy/requirements-full.lock
compile requirements-full.lock --extra build --extra pictures --extra analytics --extra cluster --extra traces
cp deploy/requirements-test.lock deploy/requirements.lock
compile requirements.lock --extra build
