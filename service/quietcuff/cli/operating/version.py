"""``quietcuff version``: the program, the rules and the schema that it works with."""

from __future__ import annotations

import argparse
import platform
import sys

import msgspec

from quietcuff import __version__
from quietcuff.analytics.extras import MODULES, is_installed
from quietcuff.rules.catalog import load_rulebook
from quietcuff.storage.engine.migrate import NEWEST_REVISION


class Versions(msgspec.Struct, frozen=True, kw_only=True):
    """What an answer can depend on, apart from the data."""

    quietcuff: str
    rules: str
    schema: str
    python: str
    extras: list[str]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("--json", action="store_true", help="as one JSON object, to standard output")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Print the versions."""
    version = version_here()
    if arguments.json:
        sys.stdout.write(msgspec.json.encode(version).decode() + "\n")
        return 0
    for name, value in msgspec.structs.asdict(version).items():
        sys.stdout.write(f"{name:10} {' '.join(value) or 'none' if isinstance(value, list) else value}\n")
    return 0


def version_here() -> Versions:
    """The versions of this process."""
    return Versions(
        quietcuff=__version__,
        rules=load_rulebook().digest,
        schema=NEWEST_REVISION,
        python=platform.python_version(),
        extras=[extra for extra in MODULES if is_installed(extra)],
    )
