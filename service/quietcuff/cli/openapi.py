"""``quietcuff openapi``: print the OpenAPI document that the service answers."""

from __future__ import annotations

import argparse
import sys

from quietcuff.api.app import create_routes
from quietcuff.api.openapi import make_document
from quietcuff.settings import Settings


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Print it."""
    sys.stdout.write(make_document(create_routes(Settings())).decode())
    return 0
