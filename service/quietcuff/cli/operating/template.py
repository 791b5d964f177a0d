"""``quietcuff template``: an empty sheet of readings, for a spreadsheet program."""

from __future__ import annotations

import argparse
import sys

from quietcuff.report.empty_sheet import empty_sheet
from quietcuff.rules.catalog import load_rulebook
from quietcuff.words.language import CODES
from quietcuff.words.languages import load_languages

SEPARATORS = {"comma": ",", "semicolon": ";", "tab": "\t"}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.description = (
        "Print an empty sheet: a line of explanation for each column, and the headers. Fill it in, save it as CSV, and give it "
        "to quietcuff evaluate or quietcuff import. Example: quietcuff template --lang de --separator semicolon > readings.csv"
    )
    parser.add_argument("--lang", choices=CODES, default="en", help="the language of all its words; English by default")
    parser.add_argument("--all", action="store_true", help="every column that there is, not only the usual ones")
    parser.add_argument(
        "--separator", choices=sorted(SEPARATORS), default="comma", help="what stands between cells; a comma by default"
    )
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Print the sheet."""
    speaker = load_languages(load_rulebook()).speaker(arguments.lang)
    sheet = empty_sheet(speaker, every=arguments.all, separator=SEPARATORS[arguments.separator])
    # With a mark at its beginning, or a spreadsheet program takes it for another encoding.
    sys.stdout.write("\ufeff" + sheet)
    return 0
