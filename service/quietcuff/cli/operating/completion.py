"""``quietcuff completion``: what lets a shell complete commands and options."""

from __future__ import annotations

import argparse
import sys

SHELLS = ("bash", "zsh", "fish")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.description = "Print a script for your shell. Write it to where that looks for completions, and open a new one."
    parser.add_argument("shell", choices=SHELLS)
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Print the script."""
    import shtab

    # Not at the top: that module loads every command's arguments by name, this one's among them.
    from quietcuff.cli import COMMANDS, make_parser

    sys.stdout.write(shtab.complete(make_parser(COMMANDS), shell=arguments.shell) + "\n")
    return 0
