"""``quietcuff evaluate``: evaluate a file of sittings without a server or a database."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from functools import partial
from typing import BinaryIO

import msgspec
from rich.console import Console

from quietcuff.cli.support.packed import NOT_GZIP, open_input, unpacked
from quietcuff.cli.support.sheets import add_sheet_options, is_sheet, options_from, sittings_of
from quietcuff.cli.support.words import ARRAY_GIVEN, say
from quietcuff.core.evaluate import evaluate
from quietcuff.core.model.errors import Fault, NotAcceptable, NotReadable
from quietcuff.core.model.evaluation import Evaluation
from quietcuff.core.model.readings import ReadingSet, noted_as_opened
from quietcuff.core.record.sheet import make_sheet
from quietcuff.core.record.sheet_text import sheet_html, sheet_text
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.core.sitting.acceptance import faults_of_meaning
from quietcuff.decode.ndjson import Line, texts
from quietcuff.decode.sheet.sheet import MOST_FAULTS, in_rows
from quietcuff.decode.sheet.table import MOST_BYTES
from quietcuff.report.faults import show_faults
from quietcuff.report.many import SittingLine, row_of, show_many
from quietcuff.report.one import show
from quietcuff.rules.catalog import load_rulebook
from quietcuff.words.language import CODES
from quietcuff.words.languages import Languages, load_languages
from quietcuff.words.sheets import speak_sheet
from quietcuff.words.speaker import Speaker

SHEETS = {"text": sheet_text, "html": sheet_html}
# Nothing is stored here, so a person's number need not say whose it is.
UNSAID = {"person_system": "urn:quietcuff:sheet"}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.description = (
        "Evaluate one reading set, NDJSON with one a line, or a spreadsheet (CSV) with one reading a row. Needs no database "
        "and stores nothing."
    )
    parser.add_argument("file", metavar="FILE", help="a file, compressed where its name ends in .gz, or - for standard input")
    parser.add_argument("--json", action="store_true", help="one evaluation a line, as POST /v1/evaluations answers")
    parser.add_argument("--details", action="store_true", help="everything about each sitting, in place of one table")
    parser.add_argument(
        "--lang", choices=CODES, default="en", help="the language of the report and the sheet; English by default"
    )
    parser.add_argument("--sheet", choices=sorted(SHEETS), help="the record sheet of each sitting, with all that was recorded")
    add_sheet_options(parser)
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Evaluate the file; 1 if one of its sittings could not be evaluated."""
    rulebook = load_rulebook()
    languages = load_languages(rulebook)
    speaker = languages.speaker(arguments.lang)
    if arguments.json:
        form: Form = JsonForm()
    elif arguments.sheet is not None:
        form = SheetForm(arguments.sheet, speaker)
    else:
        form = ReportForm(Console(highlight=False), speaker, details=arguments.details)
    try:
        with open_input(arguments.file) as file:
            stream = unpacked(arguments.file, file)
            if is_sheet(arguments):
                return evaluate_sheet(stream, arguments, languages, form)
            return evaluate_lines(lines_of(stream), rulebook, form)
    except NOT_GZIP:
        fault = Fault(pointer="", code="not-gzip", detail="A whole file of gzip, as its name says.")
        show_faults(Console(stderr=True, highlight=False), "The file cannot be read", [fault])
        return 1


def evaluate_sheet(stream: BinaryIO, arguments: argparse.Namespace, languages: Languages, form: Form) -> int:
    """Evaluate the sittings of a sheet, or tell every fault that keeps it from being read."""
    rulebook = languages.speaker("en").rulebook
    try:
        sittings = sittings_of(stream.read(MOST_BYTES + 1), options_from(arguments, UNSAID), languages, rulebook)
    except (NotReadable, NotAcceptable) as error:
        show_faults(Console(stderr=True, highlight=False), "The sheet cannot be read", faults_of(error))
        return 1
    return evaluate_lines(sittings, rulebook, form, SheetComplaints())


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


def lines_of(stream: BinaryIO) -> Iterator[Line]:
    """The JSON texts of a file.

    Raises:
        NotReadable: the file is one array.
    """
    is_first = True
    for number, text in texts(stream):
        # Only before anything else was read: further down a bracket is a fault of its own line.
        if is_first and text.startswith(b"["):
            raise NotReadable(Fault(pointer="", code="wrong-type", detail=ARRAY_GIVEN))
        is_first = False
        yield Line(number=number, text=text)


class Complaints:
    """The faults of lines that cannot be evaluated, each told as it comes."""

    def __init__(self) -> None:
        self.console = Console(stderr=True, highlight=False)
        self.repeated = 0
        self.unreadable: Fault | None = None

    def tell(self, line: Line, error: NotReadable | NotAcceptable) -> None:
        """Tell the faults of a line."""
        # A file of another kind has the same fault on every line: it is told once.
        before, self.unreadable = self.unreadable, error.fault if isinstance(error, NotReadable) else None
        if self.unreadable is not None and self.unreadable == before:
            self.repeated += 1
        else:
            show_faults(self.console, f"Line {line.number} cannot be evaluated", faults_of(error))

    def good(self) -> None:
        """Note a line that could be evaluated."""
        self.unreadable = None

    def end(self) -> None:
        """Tell how many were not told."""
        if self.repeated:
            say(f"{self.repeated:,} more line(s), each after a line of the same fault, cannot be read either.")


class SheetComplaints(Complaints):
    """The faults of all sittings of a sheet in one table, by row."""

    def __init__(self) -> None:
        super().__init__()
        self.faults: list[Fault] = []

    def tell(self, line: Line, error: NotReadable | NotAcceptable) -> None:
        """Keep the faults of a sitting."""
        self.faults += faults_of(error)

    def end(self) -> None:
        """Tell all of them, as far as a person will read."""
        if self.faults:
            told = in_rows(self.faults)
            show_faults(self.console, "These rows keep their sittings from being evaluated", told[:MOST_FAULTS])
            if len(told) > MOST_FAULTS:
                say(f"{len(told) - MOST_FAULTS:,} more faults: mend these first.")


def evaluate_lines(lines: Iterable[Line], rulebook: Rulebook, form: Form, complaints: Complaints | None = None) -> int:
    """Tell the evaluation of every sitting that can be evaluated, and the faults of all others."""
    complaints = complaints or Complaints()
    evaluated = refused = 0
    for line in lines:
        try:
            reading_set, evaluation = evaluate_line(line, rulebook)
        except (NotReadable, NotAcceptable) as error:
            refused += 1
            complaints.tell(line, error)
            continue
        evaluated += 1
        complaints.good()
        form.tell(line.number, reading_set, evaluation)
    form.end()
    complaints.end()
    if not evaluated and not refused:
        complaints.console.print("The file holds no reading set.")
    return 0 if evaluated and not refused else 1


def evaluate_line(line: Line, rulebook: Rulebook) -> tuple[ReadingSet, Evaluation]:
    """One sitting and its evaluation, with the history that it carries.

    Raises:
        NotReadable: the text is too long or not JSON.
        NotAcceptable: it is no reading set, or none that can be evaluated.
    """
    reading_set = line.read(partial(faults_of_meaning, rulebook=rulebook))
    dated = noted_as_opened(reading_set, datetime.now(UTC))
    try:
        return dated, evaluate(dated, dated.history, rulebook)
    except NotAcceptable as error:
        raise line.placed(error) from error


def faults_of(error: NotReadable | NotAcceptable) -> list[Fault]:
    """The faults of either error as a list."""
    return [error.fault] if isinstance(error, NotReadable) else error.faults
