"""Sheets as the input of commands: how one is known, its options, and its sittings."""

from __future__ import annotations

import argparse
from pathlib import Path

import msgspec

from quietcuff.core.model.errors import NotAcceptable
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.decode.sheet.columns import COLUMNS
from quietcuff.decode.sheet.options import DATE_ORDERS, SheetOptions, options_of, read_options
from quietcuff.decode.sheet.sheet import SheetSitting, SheetWords, read_sheet
from quietcuff.words.languages import Languages
from quietcuff.words.sheet_words import plain_headers, plain_values

ENDINGS = (".csv", ".tsv", ".csv.gz", ".tsv.gz")


def add_sheet_options(parser: argparse.ArgumentParser) -> None:
    """Add the options of a file that is a sheet."""
    sheet = parser.add_argument_group("spreadsheets", "CSV with one row a reading; quietcuff template prints an empty one")
    sheet.add_argument("--csv", action="store_true", help="the file is CSV, though its name does not end in .csv or .tsv")
    sheet.add_argument("--zone", metavar="NAME", help="the time zone of times without an offset, such as Europe/Vienna")
    sheet.add_argument(
        "--dates", choices=DATE_ORDERS, help="the order of day and month where they are not written as 2026-05-04"
    )
    sheet.add_argument("--mapping", metavar="FILE", help="a TOML or JSON file that says what headers and cells mean")
    sheet.add_argument(
        "--same", metavar="COLUMN=VALUE", action="append", default=[], help="what holds in every row, such as setting=home"
    )
    sheet.add_argument(
        "--ignore-column", metavar="HEADER", action="append", default=[], help="leave out this column; may be repeated"
    )


def is_sheet(arguments: argparse.Namespace) -> bool:
    """True where the file is to be read as a sheet."""
    return bool(arguments.csv) or arguments.file.lower().endswith(ENDINGS)


def options_from(arguments: argparse.Namespace, defaults: dict[str, str] | None = None) -> SheetOptions:
    """What the command was told of the sheet; ``defaults`` hold in every row where nothing else is said.

    Raises:
        NotAcceptable: the mapping or an option cannot be used.
    """
    mapping = SheetOptions()
    if arguments.mapping is not None:
        is_json = arguments.mapping.lower().endswith(".json")
        mapping = read_options(Path(arguments.mapping).read_bytes(), "json" if is_json else "toml")
    said = msgspec.to_builtins(mapping)
    said["zone"] = arguments.zone or mapping.zone
    said["dates"] = arguments.dates or mapping.dates
    said["ignore"] = [*mapping.ignore, *arguments.ignore_column]
    said["same"] = {**(defaults or {}), **mapping.same, **dict(pair_of(each) for each in arguments.same)}
    return options_of(said)


def pair_of(text: str) -> tuple[str, str]:
    """A column and its value in every row.

    Raises:
        NotAcceptable: not of the form.
    """
    name, mark, value = text.partition("=")
    if not mark or name not in COLUMNS or not value:
        detail = "COLUMN=VALUE with the name of a column, such as setting=home."
        raise NotAcceptable.of(parameter="--same", code="unknown-column", detail=detail)
    return name, value


def sittings_of(raw: bytes, options: SheetOptions, languages: Languages, rulebook: Rulebook) -> list[SheetSitting]:
    """The sittings of a sheet.

    Raises:
        NotReadable, NotAcceptable: as ``decode.sheet.sheet.read_sheet``.
    """
    words = SheetWords(headers=plain_headers(languages, list(COLUMNS)), codes=plain_values(languages))
    return read_sheet(raw, options, words, rulebook.limits)
