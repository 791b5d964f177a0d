"""``quietcuff import``: a file of sittings, one a line, straight into the database."""

from __future__ import annotations

import argparse
from typing import Any


def add_to(commands: Any) -> None:
    """Add the command to the command line."""
    parser = commands.add_parser(
        "import",
        help="store a file of sittings, one a line",
        description="Evaluate and store the reading set on each line of NDJSON, straight into the database, without a server. "
        "Stopped and run again, it stores nothing twice. Ends with 0 when every line is stored, 3 when some were refused, "
        "1 when it could not go on.",
    )
    parser.add_argument("file", metavar="FILE", help="a file, compressed where its name ends in .gz, or - for standard input")
    parser.add_argument("--tenant", required=True, help="whose data it is; a tenant is made with its first key")
    parser.add_argument(
        "--key-by-content", action="store_true", help="take lines without an identifier too, known by all that they say"
    )
    parser.add_argument("--refused", metavar="FILE", help="write each refused line here, with its problem, as NDJSON")
    parser.add_argument("--answers", metavar="FILE", help="write what came of each line here, as a batch answers it")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Import the file."""
    # It brings the table of problems along, and with it the web framework.
    from quietcuff.cli.import_file import import_file

    return import_file(
        arguments.file,
        arguments.tenant,
        key_by_content=arguments.key_by_content,
        refused_file=arguments.refused,
        answers_file=arguments.answers,
    )
