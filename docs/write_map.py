"""Writes the folder map of DEVELOPERS.md, and docs/map.md: every module with its own first line. A test compares both.

Run ``python docs/write_map.py`` after a module was made, moved or said anew what it is.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

TOP = Path(__file__).parents[1]
LEFT_BY_TOOLS = {"__pycache__", "dist", "build", "node_modules"}
PACKAGE = TOP / "service/quietcuff"
# Folders without a package of their own to say what they are.
FOLDERS = {
    ".ci": "run: the one list of checks, for people and for CI",
    "deploy": "set-up, demonstration, tests; the locks with hashes; service unit and container file",
    "docs": "guides; the pages of rules, problems and modules, with what makes them",
    "docs/examples": "what the pages have one try: sheets of invented readings",
    "docs/views": "SQL-on-FHIR view definitions of the tables",
    "migrations": "Alembic's environment",
    "migrations/versions": "one file a change of the schema, up and down",
    "openapi": "the OpenAPI document as the app makes it; a test compares the two",
    "openapi/examples": "bodies and answers that the document shows, one a file; in the wheel as `quietcuff/_examples`",
    "service/quietcuff/demo/bedside/page": "the page: HTML, style and modules of script as the browser gets them",
    "service/quietcuff/rules/protocols": "how a sitting is done and which readings count",
    "service/quietcuff/rules/guidelines": "what a result is called",
    "service/quietcuff/rules/cuffs": "cuff sizes by arm circumference",
    "service/quietcuff/rules/references/heights": "heights of children by age",
    "service/quietcuff/rules/references/pressures": "pressures of children by age and height",
    "service/quietcuff/rules/references/screening": "screening values of children by age alone",
    "tests": "what several parts share: bodies, databases, the demonstration, these pages, this house",
    "tests/analytics": "pictures: what is drawn, where, and what is not",
    "tests/analytics/columns": "the rules over columns against the core, and tallies on a cluster",
    "tests/analytics/quality": "the measuring-quality report: its statistics against scipy and statsmodels, and its words",
    "tests/analytics/tables": "tables, and who reads them",
    "tests/api": "the service over HTTP",
    "tests/application": "the flow",
    "tests/bench": "how long things take, run by hand",
    "tests/browser": "pages as Chromium shows and prints them, where there is one",
    "tests/cases": "golden sittings as TOML, each with its source",
    "tests/cli": "the commands",
    "tests/core": "golden sittings, check vectors, properties",
    "tests/data": "check vectors, so that a clone alone can run them",
    "tests/data/gatt": "Bluetooth values with what they say",
    "tests/data/hl7v2": "HL7 v2 reports with what they say, and MLLP frames",
    "tests/decode": "our own JSON, good and bad",
    "tests/delivery": "a record and a webhook with their faults, what they are sent, a worker that is killed",
    "tests/fhir_r4": "resources, what moves, searches, profiles",
    "tests/fuzz": "hostile bodies, and the whole OpenAPI document",
    "tests/outside": "real survey data, and judges that are not ours",
    "tests/rules": "the rule files",
    "tests/security": "keys and scopes",
    "tests/storage": "the store on both databases",
    "tests/words": "the languages: complete, short, and nothing left in English",
}
OPENING = """# Every module, in its own words

This page is made from the first line of each module by `docs/write_map.py`. The order is that of the folders in
[DEVELOPERS.md](../DEVELOPERS.md), which says what may use what.
"""


def folders() -> list[str]:
    """Every folder that holds a file of the project."""
    return sorted(str(folder.relative_to(TOP)) for folder in below(TOP) if any(path.is_file() for path in folder.iterdir()))


def below(folder: Path) -> Iterator[Path]:
    """Every folder below one, but for what tools leave behind."""
    for path in folder.iterdir():
        hidden = path.name.startswith(".") and path.name != ".ci"
        if path.is_dir() and not hidden and path.name not in LEFT_BY_TOOLS and not path.name.endswith(".egg-info"):
            yield path
            yield from below(path)


def first_line(path: Path) -> str:
    """The first paragraph of a module's docstring, on one line."""
    told = ast.get_docstring(ast.parse(path.read_text("utf-8"))) or ""
    return " ".join(told.split("\n\n")[0].split())


def folder_map() -> str:
    """A line a folder: its own first line where it is a package, else what stands above."""
    rows = []
    for folder in folders():
        module = TOP / folder / "__init__.py"
        told = FOLDERS[folder] if folder in FOLDERS else first_line(module).removesuffix(".")
        rows.append(f"{folder}/ {told}")
    return "\n".join(rows)


def packages() -> Iterator[Path]:
    """Every package, the whole one first."""
    return (path.parent for path in sorted(PACKAGE.rglob("__init__.py")))


def page() -> str:
    """The page of modules."""
    parts = [OPENING]
    for folder in packages():
        rows = [
            f"| `{path.name}` | {first_line(path)} |"
            for path in sorted(folder.glob("*.py"))
            if path.name not in {"__init__.py", "__main__.py"}
        ]
        name = folder.relative_to(PACKAGE.parent)
        table = ["| module | what it is |", "|---|---|", *rows, ""] if rows else []
        parts.append("\n".join([f"## {name}/", "", first_line(folder / "__init__.py"), "", *table]))
    return "\n".join(parts)


def with_map(text: str) -> str:
    """The text of DEVELOPERS.md with the map as the tree is now."""
    return re.sub(r"(?<=^```map\n).*?(?=^```$)", lambda _: folder_map() + "\n", text, count=1, flags=re.M | re.S)


if __name__ == "__main__":
    developers = TOP / "DEVELOPERS.md"
    developers.write_text(with_map(developers.read_text("utf-8")), "utf-8")
    (TOP / "docs/map.md").write_text(page(), "utf-8")
