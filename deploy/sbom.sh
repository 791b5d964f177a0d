#!/bin/sh
# Writes the bill of materials (CycloneDX 1.6, JSON) of what running needs: every package of deploy/requirements.lock with its version
# and hashes, held against the format's own schema. The same lock gives the same file.
#   sh deploy/sbom.sh FILE
set -eu
cd "$(dirname "$0")/.."
# The lock is flat and names no dependency of another, of which the tool would warn.
exec .venv/bin/python -W ignore::UserWarning -m cyclonedx_py requirements deploy/requirements.lock --pyproject pyproject.toml \
    --mc-type application --spec-version 1.6 --output-reproducible --validate --output-format JSON --output-file "${1:-sbom.cdx.json}"
