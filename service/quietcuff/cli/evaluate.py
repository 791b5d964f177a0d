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
from quietcuff.report.faults import show_faults
from quietcuff.report.many import SittingLine, row_of, show_many
from quietcuff.report.one import show
from quietcuff.rules.catalog import load_rulebook
from quietcuff.words.language import CODES
from quietcuff.words.languages import load_languages
from quietcuff.words.sheets import speak_sheet
from quietcuff.words.speaker import Speaker

SHEETS = {"text": sheet_text, "html": sheet_html}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.description = "Evaluate one reading set, or NDJSON with one a line. Needs no database and stores nothing."
    parser.add_argument("file", metavar="FILE", help="a file, or - for standard input")
    parser.add_argument("--json", action="store_true", help="one evaluation a line, as POST /v1/evaluations answers")
    parser.add_argument("--details", action="store_true", help="everything about each sitting, in place of one table")
    parser.add_argument(
        "--lang", choices=CODES, default="en", help="the language of the report and the sheet; English by default"
    )
    parser.add_argument("--sheet", choices=sorted(SHEETS), help="the record sheet of each sitting, with all that was recorded")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Evaluate the file; 1 if one of its sittings could not be evaluated."""
    rulebook = load_rulebook()
    speaker = load_languages(rulebook).speaker(arguments.lang)
    if arguments.json:
        form: Form = JsonForm()
    elif arguments.sheet is not None:
        form = SheetForm(arguments.sheet, speaker)
    else:
        form = ReportForm(Console(highlight=False), speaker, details=arguments.details)
    if arguments.file == "-":
        return evaluate_file(sys.stdin.buffer, rulebook, form)
    with open(arguments.file, "rb") as stream:
        return evaluate_file(stream, rulebook, form)


class Form:
    """The form in which evaluations are told: each as it comes, and what is left at the end."""

    def tell(self, number: int, reading_set: ReadingSet, evaluation: Evaluation) -> None:
        """Tell the sitting at a line."""
        raise NotImplementedError

    def end(self) -> None:
        """Tell what could only be told once all had come."""


class JsonForm(Form):
    """One evaluation a line, as the core wrote it."""

    def tell(self, number: int, reading_set: ReadingSet, evaluation: Evaluation) -> None:
        """Write the evaluation."""
        sys.stdout.write(msgspec.json.encode(evaluation).decode() + "\n")


class SheetForm(Form):
    """The record sheet of each sitting."""

    def __init__(self, kind: str, speaker: Speaker) -> None:
        self.render = SHEETS[kind]
        self.speaker = speaker

    def tell(self, number: int, reading_set: ReadingSet, evaluation: Evaluation) -> None:
        """Write the sheet; English exactly as the service writes it."""
        if self.speaker.about.language == "en":
            sheet = make_sheet(reading_set, evaluation, self.speaker.rulebook.wording)
        else:
            sheet = speak_sheet(self.speaker, reading_set, evaluation)
        sys.stdout.write(self.render(sheet))


class ReportForm(Form):
    """For people: a single sitting in full, more than one in a table; with ``details`` each in full."""

    def __init__(self, console: Console, speaker: Speaker, *, details: bool) -> None:
        self.console = console
        self.speaker = speaker
        self.details = details
        self.first: tuple[int, ReadingSet, Evaluation] | None = None
        self.rows: list[SittingLine] = []

    def tell(self, number: int, reading_set: ReadingSet, evaluation: Evaluation) -> None:
        """Show the sitting, or keep its row for the table."""
        if self.details:
            show(self.console, self.speaker, reading_set, evaluation, number)
            return
        self.first = self.first or (number, reading_set, evaluation)
        self.rows.append(row_of(self.speaker, reading_set, evaluation))

    def end(self) -> None:
        """Show the table, or the only sitting."""
        if self.first is not None and len(self.rows) == 1:
            show(self.console, self.speaker, self.first[1], self.first[2])
        elif self.rows:
            show_many(self.console, self.speaker, self.rows)


def evaluate_file(stream: BinaryIO, rulebook: Rulebook, form: Form) -> int:
    """Tell the evaluation of every sitting that can be evaluated, and the faults of all others.

    Raises:
        NotReadable: the file is one array.
    """
    complaints = Console(stderr=True, highlight=False)
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
        form.tell(number, reading_set, evaluation)
    form.end()
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
