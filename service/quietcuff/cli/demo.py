"""``quietcuff demo``: an invented clinic's morning against a server of its own; or a year of a group, and how it measures."""

from __future__ import annotations

import argparse
import sys
from io import TextIOWrapper
from pathlib import Path

from rich.console import Console

from quietcuff.demo.quality_demo import SITTINGS, run_quality_demo
from quietcuff.demo.run import run_demo

PAGE = Path("quality-demo.html")
MOST_SITTINGS = 100_000


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.description = (
        "Start a server with a database of its own, post an invented morning reading by reading, and show "
        "what comes of it. Ends by itself; 0 only where everything was answered as it must be."
    )
    parser.add_argument(
        "--keep", action="store_true", help="leave the server up at the end, with a guided sitting, until Ctrl-C"
    )
    parser.add_argument("--port", type=int, help="the loopback port to serve on; a free one by default")
    parser.add_argument("--bundle", type=Path, metavar="FILE", help="write the FHIR Bundle that is shown to this file, whole")
    parser.add_argument(
        "--quality",
        action="store_true",
        help="in place of the morning: a year of an invented clinic group, and how it measures",
    )
    parser.add_argument(
        "--page", type=Path, metavar="FILE", default=PAGE, help=f"with --quality: write the report there; {PAGE} by default"
    )
    parser.add_argument(
        "--sittings", type=count, metavar="N", default=SITTINGS, help=f"with --quality: how many; {SITTINGS} by default"
    )
    parser.set_defaults(run=run)


def count(text: str) -> int:
    """A number of sittings.

    Raises:
        ArgumentTypeError: it is none.
    """
    if not text.isdecimal() or not 1 <= int(text) <= MOST_SITTINGS:
        raise argparse.ArgumentTypeError(f"A whole number from 1 to {MOST_SITTINGS}.")
    return int(text)


def run(arguments: argparse.Namespace) -> int:
    """Play the demo. Characters that the terminal cannot show become question marks."""
    if isinstance(sys.stdout, TextIOWrapper):
        sys.stdout.reconfigure(errors="replace")
    console = Console(highlight=False)
    if arguments.quality:
        run_quality_demo(console, arguments.page, sittings=arguments.sittings)
        return 0
    run_demo(console, keep=arguments.keep, port=arguments.port, bundle_file=arguments.bundle)
    return 0
