"""``quietcuff evaluate``: evaluate a file of sittings without a server or a database."""

from __future__ import annotations

import argparse
import sys
from datetime import UTC, datetime
from functools import partial
from typing import BinaryIO

import msgspec
from rich.console import Console

from quietcuff.cli.support.words import ARRAY_GIVEN, say
from quietcuff.core.evaluate import evaluate
from quietcuff.core.model.errors import Fault, NotAcceptable, NotReadable
from quietcuff.core.model.evaluation import Evaluation
from quietcuff.core.model.readings import ReadingSet, noted_as_opened
from quietcuff.core.record.sheet import make_sheet
from quietcuff.core.record.sheet_text import sheet_html, sheet_text
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.core.sitting.acceptance import faults_of_meaning
from quietcuff.decode.ndjson import check_length, texts
from quietcuff.decode.own_json import read
from quietcuff.report import show, show_faults
from quietcuff.rules.catalog import load_rulebook

SHEETS = {"text": sheet_text, "html": sheet_html}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.description = "Evaluate one reading set, or NDJSON with one a line. Needs no database and stores nothing."
    parser.add_argument("file", metavar="FILE", help="a file, or - for standard input")
    parser.add_argument("--json", action="store_true", help="one evaluation a line, as POST /v1/evaluations answers")
    parser.add_argument("--sheet", choices=sorted(SHEETS), help="the record sheet of each sitting, with all that was recorded")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Evaluate the file; 1 if one of its sittings could not be evaluated."""
    if arguments.file == "-":
        return evaluate_file(sys.stdin.buffer, as_json=arguments.json, sheet=arguments.sheet)
    with open(arguments.file, "rb") as stream:
        return evaluate_file(stream, as_json=arguments.json, sheet=arguments.sheet)


def evaluate_file(stream: BinaryIO, *, as_json: bool, sheet: str | None = None) -> int:
    """Print the evaluation of every sitting that can be evaluated, and the faults of all others.

    Raises:
        NotReadable: the file is one array.
    """
    rulebook = load_rulebook()
    out, complaints = Console(highlight=False), Console(stderr=True, highlight=False)
    evaluated = refused = repeated = 0
    unreadable: Fault | None = None
    for number, text in texts(stream):
        # Only before anything else was read: further down a bracket is a fault of its own line.
        if text.startswith(b"[") and not evaluated and not refused:
            raise NotReadable(Fault(pointer="", code="wrong-type", detail=ARRAY_GIVEN))
        try:
            reading_set, evaluation = evaluate_text(text, rulebook)
        except (NotReadable, NotAcceptable) as error:
            refused += 1
            # A file of another kind has the same fault on every line: it is told once.
            before, unreadable = unreadable, error.fault if isinstance(error, NotReadable) else None
            if unreadable is not None and unreadable == before:
                repeated += 1
                continue
            show_faults(complaints, f"Line {number} cannot be evaluated", faults_of(error))
            continue
        evaluated, unreadable = evaluated + 1, None
        if sheet is not None:
            sys.stdout.write(SHEETS[sheet](make_sheet(reading_set, evaluation, rulebook.wording)))
        elif as_json:
            sys.stdout.write(msgspec.json.encode(evaluation).decode() + "\n")
        else:
            show(out, f"Sitting at line {number}", reading_set, evaluation)
    if repeated:
        say(f"{repeated:,} more line(s), each after a line of the same fault, cannot be read either.")
    if not evaluated and not refused:
        complaints.print("The file holds no reading set.")
    return 0 if evaluated and not refused else 1


def evaluate_text(text: bytes, rulebook: Rulebook) -> tuple[ReadingSet, Evaluation]:
    """One sitting from its JSON and its evaluation, with the history that it carries.

    Raises:
        NotReadable: the text is too long or not JSON.
        NotAcceptable: it is no reading set, or none that can be evaluated.
    """
    check_length(text)
    reading_set = read(text, ReadingSet, partial(faults_of_meaning, rulebook=rulebook))
    dated = noted_as_opened(reading_set, datetime.now(UTC))
    return dated, evaluate(dated, dated.history, rulebook)


def faults_of(error: NotReadable | NotAcceptable) -> list[Fault]:
    """The faults of either error as a list."""
    return [error.fault] if isinstance(error, NotReadable) else error.faults
