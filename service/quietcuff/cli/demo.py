"""``quietcuff demo``: an invented morning at a clinic, played against a server of its own."""

from __future__ import annotations

import argparse
import sys
from io import TextIOWrapper
from pathlib import Path

from rich.console import Console

from quietcuff.demo.run import run_demo


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.description = (
        "Start a server with a database of its own, post an invented morning reading by reading, and show "
        "what comes of it. Ends by itself; 0 only where everything was answered as it must be."
    )
    parser.add_argument("--keep", action="store_true", help="leave the server up at the end, until Ctrl-C")
    parser.add_argument("--port", type=int, help="the loopback port to serve on; a free one by default")
    parser.add_argument("--bundle", type=Path, metavar="FILE", help="write the FHIR Bundle that is shown to this file, whole")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Play the demo. Characters that the terminal cannot show become question marks."""
    if isinstance(sys.stdout, TextIOWrapper):
        sys.stdout.reconfigure(errors="replace")
    run_demo(Console(highlight=False), keep=arguments.keep, port=arguments.port, bundle_file=arguments.bundle)
    return 0
