"""After a rule file changed: ``python docs/release_rules.py`` pins its digest and writes the pages that show the rules.

It refuses a file that changed under a version that is released already, and one that is gone: evaluations name both.
"""

from __future__ import annotations

import re
import runpy
import subprocess
import sys
import tomllib
from pathlib import Path

from quietcuff.core.model.errors import RulesNotLoadable
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.rules.catalog import FOLDERS, load_rulebook

TOP = Path(__file__).parents[1]
PINNED = TOP / "tests/rules/released.toml"
PAGES = ("write_rules_page.py",)
MOVED = "Say in the commit what moved and by how much: tests/outside/count_labels.py, before and after."
Pins = dict[str, dict[str, dict[str, str]]]


def committed() -> str:
    """The pins of the last commit, so that a change may be pinned again until it is committed."""
    asked = ["git", "show", f"HEAD:{PINNED.relative_to(TOP).as_posix()}"]
    found = subprocess.run(asked, cwd=TOP, capture_output=True, text=True, check=False)  # noqa: S603 (words of our own)
    return found.stdout if found.returncode == 0 else PINNED.read_text("utf-8")


def pins_of(book: Rulebook) -> Pins:
    """The version and digest of each rule file, by folder and id."""
    return {
        kind: {
            name: {"version": rule.version, "digest": book.digests[name]} for name, rule in sorted(getattr(book, kind).items())
        }
        for kind in FOLDERS
    }


def faults_of(released: Pins, now: Pins) -> list[str]:
    """What may not be released: a change without a new version, and a file that is gone."""
    faults = []
    for kind, pins in released.items():
        for name, pin in pins.items():
            found = now[kind].get(name)
            if found is None:
                faults.append(f"{kind}/{name}.toml is gone: evaluations name it, so it stays.")
            elif found["digest"] != pin["digest"] and found["version"] == pin["version"]:
                faults.append(f"{kind}/{name}.toml changed, and its version {pin['version']} is released: give it a new one.")
    return faults


def changes_between(released: Pins, now: Pins) -> list[str]:
    """What is new, a line each."""
    return [
        f"{kind}/{name}.toml: version {pin['version']}"
        for kind, pins in now.items()
        for name, pin in pins.items()
        if released.get(kind, {}).get(name) != pin
    ]


def text_of(pins: Pins, opening: str) -> str:
    """The pins as TOML, under the opening comment of the file."""
    parts = [opening]
    for kind, named in pins.items():
        lines = [f'{name} = {{ version = "{pin["version"]}", digest = "{pin["digest"]}" }}' for name, pin in named.items()]
        parts.append("\n".join([f"[{kind}]", *lines]))
    return "\n\n".join(parts) + "\n"


def main() -> int:
    """Pin and write, or say what is wrong; 1 then."""
    try:
        now = pins_of(load_rulebook())
    except RulesNotLoadable as error:
        sys.stderr.write(f"{error}\n")
        return 1
    before = committed()
    released: Pins = tomllib.loads(before)
    if faults := faults_of(released, now):
        sys.stderr.write("\n".join(faults) + "\n")
        return 1
    PINNED.write_text(text_of(now, re.split(r"\n\n", before, maxsplit=1)[0]), "utf-8")
    for page in PAGES:
        runpy.run_path(str(Path(__file__).with_name(page)), run_name="__main__")
    changes = changes_between(released, now)
    told = [*changes, MOVED] if changes else ["No rule file is new."]
    sys.stdout.write("\n".join(told) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
