"""``quietcuff openapi``: the OpenAPI document, as the service answers it."""

from __future__ import annotations

import argparse
import sys

from quietcuff.api.app import create_routes
from quietcuff.api.openapi import make_document
from quietcuff.settings import Settings


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What the command takes."""
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Print it."""
    sys.stdout.write(make_document(create_routes(Settings())).decode())
    return 0
