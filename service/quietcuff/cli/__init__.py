"""The commands: each parses its arguments and calls one function."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence

from rich.console import Console

from quietcuff import __version__
from quietcuff.cli import (
    clients,
    database,
    deliver,
    demo,
    evaluate,
    export,
    importing,
    keys,
    listen_mllp,
    openapi,
    refused,
    retention,
    serve,
    targets,
    tenants,
)
from quietcuff.cli.words import say
from quietcuff.core.errors import NotAcceptable, QuietcuffError
from quietcuff.report import show_faults

COMMANDS = (
    serve,
    listen_mllp,
    demo,
    evaluate,
    export,
    importing,
    keys,
    tenants,
    clients,
    targets,
    deliver,
    database,
    openapi,
    refused,
    retention,
)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; its exit code: 0 done, 1 refused or failed, 2 called wrongly, 3 done but for lines that were refused."""
    parsed = make_parser().parse_args(arguments)
    try:
        code: int = parsed.run(parsed)
        sys.stdout.flush()
    except NotAcceptable as error:
        show_faults(Console(stderr=True), "Not accepted", error.faults)
        return 1
    except QuietcuffError as error:
        return complain(str(error))
    except BrokenPipeError:
        # The reader of our output has gone, as `head` does; Python would complain again on its way out.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1
    except OSError as error:
        return complain(f"{error.filename}: {error.strerror}")
    except KeyboardInterrupt:
        return 130
    return code


def make_parser() -> argparse.ArgumentParser:
    """The whole command line."""
    parser = argparse.ArgumentParser(prog="quietcuff", description="Raw blood-pressure readings in, one honest result out.")
    parser.add_argument("--version", action="version", version=__version__)
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    for command in COMMANDS:
        command.add_to(commands)
    return parser


def complain(text: str) -> int:
    """Say what failed; the exit code of a failure."""
    say(text)
    return 1
