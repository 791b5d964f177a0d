"""Examples that the help of each command shows: at least one for each of its actions."""

from __future__ import annotations

import argparse
from collections.abc import Sequence

HEADING = "examples:\n"
PERSON = "09d2afa9-7090-8f78-a780-e98f4f401893"
EXAMPLES: dict[str, tuple[tuple[str, str], ...]] = {
    "serve": (
        ("", "on this machine alone, with quietcuff.db in this folder"),
        ("--host 0.0.0.0 --port 8080 --workers 4", "on PostgreSQL (QUIETCUFF_DATABASE_URL), behind a proxy with TLS"),
    ),
    "listen-mllp": (
        ("--port 2575 --key-file mllp.key", "on this machine alone"),
        ("--host 0.0.0.0 --key-file mllp.key --tls-certificate listener.pem", "with TLS"),
    ),
    "demo": (
        ("", "the morning, then an end"),
        ("--keep --port 8090", "the morning, and a service to try afterwards"),
        ("--quality --page report.html", "an invented year, and the report on it"),
    ),
    "evaluate": (
        ("sitting.json", "one sitting in plain words"),
        ("sittings.ndjson --lang de", "many in one table, in German"),
        ("sheet.csv --zone Europe/Berlin", "a sheet of readings in local times"),
    ),
    "template": (
        ("", "with what is asked most"),
        ("--all --separator semicolon", "every column, for a spreadsheet that wants semicolons"),
    ),
    "export": (
        ("--tenant clinic --to may", "everything, into the new folder may"),
        ("--tenant clinic --to june --since 2026-06-01T06:00:00.000Z --gzip", "what is new since the last one"),
    ),
    "tables": (
        ("--tenant clinic --to tables", "Parquet, pseudonymous"),
        ("--tenant clinic --to tables --format csv --table sets", "one table as CSV"),
    ),
    "follow-ups": (
        ("--tenant clinic", "the most pressing first"),
        ("--tenant clinic --format csv", "for a spreadsheet"),
    ),
    "quality": (
        ("--tenant clinic", "what to mend first"),
        ("--tenant clinic --from 2026-01-01 --by observer --html report.html", "a page, with each observer"),
        ("--tenant clinic --tally --processes 2", "counts of what the rules in force say of every set"),
    ),
    "what-if": (
        ("--tenant clinic --fewer-readings 1", "what one reading less would have said"),
        ("--tenant clinic --answer arm_supported=yes", "what an answer would have changed"),
    ),
    "reevaluate": (("--tenant clinic", "only tell"), ("--tenant clinic --write", "store what differs as new versions")),
    "import": (
        ("sittings.ndjson --tenant clinic --refused refused.ndjson", "keep the refused lines, to be mended"),
        ("sittings.ndjson.gz --tenant clinic --jobs 3", "evaluate in three further processes"),
        ("sheet.csv --tenant clinic --zone Europe/Berlin", "a sheet of readings"),
    ),
    "keys": (
        ("create --tenant clinic --name gateway --scope 'system/Observation.cu'", "for a gateway that sends"),
        ("create --tenant operations --name prometheus --scope quietcuff/metrics", "for the figures alone"),
        ("list --tenant clinic", "who has one"),
        ("revoke 1a2b3c4d", "end it"),
    ),
    "tenants": (
        ("list", "all"),
        ("show clinic", "its settings"),
        ("set clinic --time-zone Europe/Berlin --keep-years 15", "two of them"),
    ),
    "prior": (
        ("fit --tenant clinic", "only tell"),
        ("fit --tenant clinic --apply", "use it from now on"),
        ("clear --tenant clinic", "go back"),
    ),
    "clients": (
        ("register --tenant clinic --name reader --scope 'system/*.rs' --public-key reader.pem", "by one public key"),
        ("keys 4c0ffee0-0000-4000-8000-000000000000 --key-set reader-keys.json", "with other keys"),
        ("list --tenant clinic", "who they are"),
        ("revoke 4c0ffee0-0000-4000-8000-000000000000", "end one"),
    ),
    "groups": (("list --tenant clinic", "by name"),),
    "exports": (("list --tenant clinic", "the newest first"),),
    "targets": (
        ("list --tenant clinic", "with what waits"),
        ("replay --tenant clinic 4c0ffee0-0000-4000-8000-000000000000", "send again what was given up"),
    ),
    "deliver": (("", "until it is stopped"), ("--once", "what is due now, for a scheduler")),
    "doctor": (("", "for a person"), ("--json", "for your monitoring")),
    "version": (("--json", "for a report of a fault"),),
    "database": (
        ("upgrade", "the schema that this program needs"),
        ("downgrade 0017", "an earlier one; what is newer is lost"),
        ("verify", "does what is stored hold together?"),
        ("backup /backups/quietcuff-2026-11-28.backup", "while it is in use"),
        ("restore /backups/quietcuff-2026-11-28.backup", "with the service stopped"),
        ("compact", "after an erasure on SQLite"),
        ("public-url https://bp.example.org", "what identifiers begin with"),
    ),
    "openapi": (("", "to standard output"),),
    "refused": (
        ("list --tenant clinic", "the newest first"),
        ("show 4c0ffee0-0000-4000-8000-000000000000 --tenant clinic", "its bytes"),
        ("replay 4c0ffee0-0000-4000-8000-000000000000 --tenant clinic --repaired mended.hl7", "read it again"),
    ),
    "trail": (
        ("list --tenant clinic --most 20", "the newest rows"),
        ("verify", "is it as it was written?"),
        ("seal --to /media/worm/2026-05.seals", "seal it now, and keep the seals elsewhere"),
        ("key /etc/quietcuff/trail.keys", "make its key"),
    ),
    "retention": (
        ("apply --tenant clinic --before 2011-01-01 --dry-run", "how many would go"),
        (f"erase --tenant clinic {PERSON}", "delete a person"),
        (f"hold --tenant clinic {PERSON} --reason 'inquiry 12'", "keep a person's data"),
        ("holds --tenant clinic", "whose data is kept"),
        (f"release --tenant clinic {PERSON}", "end a hold"),
    ),
    "completion": (
        ("bash > ~/.local/share/bash-completion/completions/quietcuff", "for bash"),
        ("zsh > ~/.zfunc/_quietcuff", "for zsh, in a folder of fpath"),
        ("fish > ~/.config/fish/completions/quietcuff.fish", "for fish"),
    ),
}  # fmt: skip


class HelpWithExamples(argparse.HelpFormatter):
    """Help whose examples keep their lines."""

    def _fill_text(self, text: str, width: int, indent: str) -> str:
        return text if text.startswith(HEADING) else super()._fill_text(text, width, indent)


def show_examples(command: argparse.ArgumentParser, name: str) -> None:
    """Let the help of a command, and of each of its actions, end with its examples."""
    every = EXAMPLES[name]
    _add(command, name, every)
    for action in command._actions:
        if isinstance(action, argparse._SubParsersAction):
            for word, parser in action.choices.items():
                parser.formatter_class = HelpWithExamples
                _add(parser, name, [one for one in every if one[0].split(" ")[0] == word])


def _add(parser: argparse.ArgumentParser, name: str, examples: Sequence[tuple[str, str]]) -> None:
    shown = [f"  quietcuff {name} {line}".rstrip() + f"\n      {about}" for line, about in examples]
    parser.epilog = HEADING + "\n".join(shown)
