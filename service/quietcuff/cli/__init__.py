"""The command line: each command parses its arguments and calls one function."""

from __future__ import annotations

import argparse
import gc
import os
import sys
from collections.abc import Callable, Collection, Sequence
from importlib import import_module

from quietcuff import __version__
from quietcuff.cli.support.complaints import sentence_of, sentence_of_database, sentence_of_fault
from quietcuff.cli.support.examples import HelpWithExamples, show_examples
from quietcuff.cli.support.words import CALLED, say
from quietcuff.core.model.errors import NotAcceptable, QuietcuffError

# A command's module brings along what it works with, up to the database and the web framework: only the one called is loaded.
COMMANDS = {
    "serve": ("serve", "serve the API over HTTP"),
    "listen-mllp": ("listen_mllp", "take HL7 v2 messages over MLLP"),
    "demo": ("demo", "play an invented clinic's morning"),
    "evaluate": ("evaluate", "evaluate a file or a sheet of readings"),
    "template": ("operating.template", "print an empty sheet of readings, with a line on each column"),
    "export": ("export", "write a tenant's data as FHIR into a folder"),
    "tables": ("tables", "write a tenant's data as tables for analysts into a folder"),
    "follow-ups": ("follow_ups", "list who is to be seen and was not"),
    "quality": ("quality", "say how well blood pressure is measured, and what to mend first"),
    "what-if": ("what_if", "tell what other rules would have said of what is stored"),
    "reevaluate": ("reevaluate", "evaluate what is stored with the rules in force"),
    "import": ("import_file", "store a file of sittings, one a line, or a sheet of readings"),
    "keys": ("keys", "make, list and revoke API keys"),
    "tenants": ("tenants", "what a tenant decides for itself"),
    "prior": ("prior", "fit a prior to a tenant's own history"),
    "clients": ("clients", "register, list and revoke clients that sign for themselves"),
    "groups": ("groups", "list the groups that exports may be narrowed to"),
    "exports": ("exports", "list the exports that were asked for, and how each stands"),
    "targets": ("targets", "look at delivery targets, and send again what was given up"),
    "deliver": ("deliver", "send on what was stored to the targets of each tenant"),
    "doctor": ("operating.doctor", "see whether all is well here, and what to do where it is not"),
    "version": ("operating.version", "tell the program, the rules and the schema"),
    "completion": ("operating.completion", "print what lets a shell complete commands and options"),
    "database": ("database", "bring the database's schema up or down, or check what is stored"),
    "openapi": ("openapi", "print the OpenAPI document"),
    "refused": ("refused", "payloads that could not be read: list, show, replay"),
    "trail": ("trail", "list the trail; see whether it is as it was written; seal it; make its key"),
    "retention": ("retention", "delete what is older than a tenant keeps; erase or hold a person"),
}


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code: 0 done, 1 refused or failed, 2 wrong call, 3 done but with refused lines."""
    if arguments is not None:
        return run(arguments)
    try:
        return run(sys.argv[1:], gc.freeze)
    finally:
        # Looking through all of it again as the process ends takes a sixth of a short command, and frees nothing.
        gc.freeze()


def run(given: Sequence[str], loaded: Callable[[], None] = lambda: None) -> int:
    """Run one command, and say plainly what kept it from its work; the exit code. ``loaded`` is called once its modules are
    there."""
    try:
        parsed = parse(given)
        loaded()
        CALLED.set(name_of(parsed.run))
        code: int = parsed.run(parsed)
        # Flushed while errors are still caught: a closed pipe shows itself only when the buffer is written.
        sys.stdout.flush()
    except NotAcceptable as error:
        return complain_of_faults(error)
    except QuietcuffError as error:
        return complain(sentence_of(error))
    except BrokenPipeError:
        # The reader of our output has gone, as `head` does; Python would complain again on its way out.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1
    except OSError as error:
        return complain(
            f"{error.filename or 'The system'}: {error.strerror or type(error).__name__}. Mend that and run it again."
        )
    except KeyboardInterrupt:
        return 130
    except Exception as error:
        told = sentence_of_database(error)
        if told is None:
            raise
        return complain(told)
    return code


def parse(arguments: Sequence[str]) -> argparse.Namespace:
    """The arguments of the called command, whose modules are loaded for that."""
    # Whatever modules make stays, so looking through it again and again while they load finds nothing and takes long.
    collects = gc.isenabled()
    gc.disable()
    try:
        called = next((argument for argument in arguments if not argument.startswith("-")), None)
        whole = [called] if called in COMMANDS else []
        # Behind its name every option is the command's own, so that the others are not listed in any help.
        return make_parser(whole, whole if called == next(iter(arguments), None) else ()).parse_args(arguments)
    finally:
        if collects:
            gc.enable()


def make_parser(whole: Collection[str], known: Collection[str] = ()) -> argparse.ArgumentParser:
    """Parser with the known commands by name, by default all, and the arguments of some."""
    parser = argparse.ArgumentParser(prog="quietcuff", description="Raw blood-pressure readings in, one honest result out.")
    parser.add_argument("--version", action="version", version=__version__)
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    for name in known or COMMANDS:
        module, text = COMMANDS[name]
        command = commands.add_parser(name, help=text, formatter_class=HelpWithExamples)
        if name in whole:
            import_module(f"quietcuff.cli.{module}").add_arguments(command)
            command.description = command.description or f"{text[0].upper()}{text[1:]}."
            show_examples(command, name)
    return parser


def name_of(run: Callable[[argparse.Namespace], int]) -> str:
    """Name of a called command for the trail, with its action."""
    module = run.__module__.removeprefix(f"{__name__}.")
    command = next((name for name, (of, _) in COMMANDS.items() if of == module), module)
    return f"{command} {run.__name__.removeprefix('run').removeprefix('_')}".rstrip()


def complain(text: str) -> int:
    """Print a failure and return its exit code."""
    say(text)
    return 1


def complain_of_faults(error: NotAcceptable) -> int:
    """Print every fault and return the exit code of a failure."""
    for fault in error.faults:
        say(sentence_of_fault(fault))
    return 1
