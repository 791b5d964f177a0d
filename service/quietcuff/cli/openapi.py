"""``quietcuff openapi``: the OpenAPI document, as the service answers it."""

from __future__ import annotations

import argparse
import sys
from typing import Any

from quietcuff.settings import Settings


def add_to(commands: Any) -> None:
    """Add the command to the command line."""
    parser = commands.add_parser("openapi", help="print the OpenAPI document")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Print it."""
    from quietcuff.api.app import create_routes
    from quietcuff.api.openapi import make_document

    sys.stdout.write(make_document(create_routes(Settings())).decode())
    return 0
