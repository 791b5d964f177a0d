"""The house rules: maps that match the tree, short functions, words that stay out, nothing that happens at import."""

from __future__ import annotations

import ast
import os
import re
import runpy
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

from quietcuff.core.model import errors
from quietcuff.rules.catalog import load_rulebook

TOP = Path(__file__).parents[1]
PACKAGE = TOP / "service/quietcuff"
# They steer a loop and never reach a caller, so they are no errors of the tree.
SIGNALS = {"NoSuchTime", "NotSuchValue", "OtherMeasure", "RefusedEntry", "Refusal", "RunAgain", "Unreadable"}
LONGEST_CORE_FUNCTION_LINES = 40
LONGEST_FUNCTION_LINES = 45
QUESTION = re.compile(r"(What|Whether|How|Which|Where|When|Who|Why)(?![\w-])")
MOST_QUESTIONS_IN_A_HUNDRED = 2
MOST_MODULES_A_FOLDER = 25
MOST_LINES_A_MODULE = 400
NOT_OURS = {"__pycache__", "dist", "build", "node_modules"}
OPEN_ROOMS = {".ci"}
TEXT_ENDINGS = {".py", ".md", ".toml", ".sh", ".json", ".jsonl", ".mako", ".lock", ".service", ""}

# In pieces, so that this file does not hold what it forbids.
REGISTRIES = ["py" + "pi.org", "python" + "hosted.org", "npm" + "js.", "crates" + ".io", "docker" + ".io"]
WORDS = [
    "tran" + "script",
    "seed " + "document",
    "../" + "shared",
    "TO" + "DO",
    "FIX" + "ME",
    "issue " + "2",
    "lorem " + "ipsum",
]


def own_files() -> list[Path]:
    """Every file of the project in this folder, and nothing that was made from them."""
    return sorted(path for path in walk(TOP) if path.suffix in TEXT_ENDINGS)


def walk(folder: Path) -> Iterator[Path]:
    for path in folder.iterdir():
        hidden = path.name.startswith(".") and path.name not in OPEN_ROOMS
        if hidden or path.name in NOT_OURS or path.name.endswith(".egg-info"):
            continue
        if path.is_dir():
            yield from walk(path)
        else:
            yield path


def modules() -> list[Path]:
    return sorted(path for path in walk(PACKAGE) if path.suffix == ".py")


@cache
def tree_of(path: Path) -> ast.Module:
    return ast.parse(path.read_text("utf-8"))


@cache
def nodes_of(path: Path) -> tuple[ast.AST, ...]:
    """Every node of a module, which many tests look through."""
    return tuple(ast.walk(tree_of(path)))


def functions(path: Path) -> Iterator[ast.FunctionDef | ast.AsyncFunctionDef]:
    for node in nodes_of(path):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            yield node


def test_the_maps_are_the_tree() -> None:
    maker = runpy.run_path(str(TOP / "docs/write_map.py"))
    developers = (TOP / "DEVELOPERS.md").read_text("utf-8")
    assert developers == maker["with_map"](developers), "run: python docs/write_map.py"
    assert (TOP / "docs/map.md").read_text("utf-8") == maker["page"](), "run: python docs/write_map.py"


def test_no_folder_and_no_module_is_large() -> None:
    paths = [path for path in modules() if path.name != "__init__.py"]
    held = Counter(path.parent for path in paths)
    assert {str(folder): count for folder, count in held.items() if count > MOST_MODULES_A_FOLDER} == {}
    lines = {str(path.relative_to(PACKAGE)): len(path.read_text("utf-8").splitlines()) for path in paths}
    assert {name: count for name, count in lines.items() if count > MOST_LINES_A_MODULE} == {}


def test_the_error_tree_that_is_drawn_is_the_one_that_is_there() -> None:
    assert errors.__doc__ is not None
    drawn: list[tuple[str, str]] = []
    for is_below, name in re.findall(r"^(│   )?[├└]── (\w+)", errors.__doc__, re.M):
        drawn.append((name, drawn[-1][0] if is_below else "QuietcuffError"))
    kinds = [kind for kind in vars(errors).values() if isinstance(kind, type) and issubclass(kind, Exception)]
    there = [(kind.__name__, kind.__bases__[0].__name__) for kind in kinds if kind is not errors.QuietcuffError]
    assert drawn == there and all(len(kind.__bases__) == 1 for kind in kinds)


def test_every_error_that_leaves_a_module_is_in_the_tree() -> None:
    tree = {name for name, kind in vars(errors).items() if isinstance(kind, type) and issubclass(kind, Exception)}
    for path in modules():
        for node in nodes_of(path):
            if isinstance(node, ast.ClassDef):
                bases = {base.id for base in node.bases if isinstance(base, ast.Name)}
                is_error = bool(bases & {*tree, "Exception", "ValueError", "RuntimeError", "KeyError", "LookupError"})
                allowed = tree | SIGNALS
                assert not is_error or node.name in allowed or node.name.startswith("_"), f"{path.name}: {node.name}"


def test_every_source_named_in_the_core_is_listed() -> None:
    listed = set(load_rulebook().sources)
    named = []
    for path in (PACKAGE / "core").rglob("*.py"):
        text = " ".join(path.read_text("utf-8").split())
        for sentence in re.findall(r"Source: ([^.;\"]*\])", text):
            named += [(path.name, key.strip()) for keys in re.findall(r"\[([^\]]+)\]", sentence) for key in keys.split(",")]
    assert len(named) > 10
    assert [entry for entry in named if entry[1] not in listed] == []


def body_lines(function: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    """The lines of a function below its signature and docstring."""
    statements = function.body[1:] if ast.get_docstring(function) else function.body
    return 0 if not statements else (statements[-1].end_lineno or 0) - statements[0].lineno + 1


def test_no_function_of_the_core_is_long() -> None:
    long = [
        f"{path.name}: {function.name}"
        for path in (PACKAGE / "core").rglob("*.py")
        for function in functions(path)
        if body_lines(function) > LONGEST_CORE_FUNCTION_LINES
    ]
    assert long == []


def test_no_function_is_long() -> None:
    long = [
        f"{path.relative_to(PACKAGE)}: {function.name}"
        for path in modules()
        for function in functions(path)
        if body_lines(function) > LONGEST_FUNCTION_LINES
    ]
    assert long == []


def test_a_class_name_stands_for_one_class() -> None:
    places: dict[str, list[str]] = {}
    for path in modules():
        # FHIR names its own types.
        if (PACKAGE / "fhir/model") not in path.parents:
            for node in nodes_of(path):
                if isinstance(node, ast.ClassDef):
                    places.setdefault(node.name, []).append(str(path.relative_to(PACKAGE)))
    assert {name: where for name, where in places.items() if len(where) > 1} == {}


def test_docstrings_say_what_things_are_and_ask_nothing() -> None:
    said: list[tuple[str, str]] = []
    for path in modules():
        for node in nodes_of(path):
            if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef):
                said.append((str(path.relative_to(PACKAGE)), ast.get_docstring(node) or ""))
    docstrings = [(name, text) for name, text in said if text]
    assert len(docstrings) > 1000
    asking = [(name, text.splitlines()[0]) for name, text in docstrings if QUESTION.match(text)]
    assert len(asking) * 100 < MOST_QUESTIONS_IN_A_HUNDRED * len(docstrings), asking


def test_every_module_and_class_says_what_it_is() -> None:
    silent = []
    for path in modules():
        tree = tree_of(path)
        if ast.get_docstring(tree) is None and path.name != "__main__.py":
            silent.append(str(path.relative_to(PACKAGE)))
        silent += [
            f"{path.name}: {node.name}"
            for node in tree.body
            if isinstance(node, ast.ClassDef) and ast.get_docstring(node) is None
        ]
    assert silent == []


@pytest.mark.parametrize("words", [REGISTRIES, WORDS], ids=["registries", "words"])
def test_some_words_stand_nowhere(words: list[str]) -> None:
    pattern = re.compile("|".join(rf"(?<!\w){re.escape(word)}" for word in words))
    found = []
    for path in own_files():
        text = path.read_text("utf-8")
        if any(word in text for word in words):
            lines = enumerate(text.splitlines(), 1)
            found += [f"{path.relative_to(TOP)}:{number}" for number, line in lines if pattern.search(line)]
    assert found == []


def test_the_readme_starts_with_the_job_and_names_both_commands() -> None:
    title, job, *rest = (TOP / "README.md").read_text("utf-8").split("\n\n")
    assert title == "# Quietcuff"
    assert all(word in job for word in ("readings", "count", "result", "next", "FHIR"))
    assert not job.startswith(("#", "-", "|", "`"))
    commands = next(part for part in rest if part.startswith("```"))
    assert commands.strip("`\n").splitlines() == ["sh deploy/demo.sh", "sh deploy/test.sh"]
    for command in ("demo", "test", "setup"):
        assert (TOP / f"deploy/{command}.sh").is_file()


ALLOWED_AT_IMPORT = (
    ast.Import,
    ast.ImportFrom,
    ast.FunctionDef,
    ast.AsyncFunctionDef,
    ast.ClassDef,
    ast.Assign,
    ast.AnnAssign,
)


def defines(node: ast.stmt) -> bool:
    """Whether a statement at the top of a module only names something: a docstring, or an index added to a table."""
    if isinstance(node, ast.Expr):
        called = node.value.func if isinstance(node.value, ast.Call) else None
        return isinstance(node.value, ast.Constant) or (isinstance(called, ast.Name) and called.id == "Index")
    return isinstance(node, ALLOWED_AT_IMPORT)


def test_modules_hold_definitions_only() -> None:
    doing = [
        f"{path.relative_to(PACKAGE)}:{node.lineno}"
        for path in modules()
        if path.name != "__main__.py"
        for node in tree_of(path).body
        if not defines(node)
    ]
    assert doing == []


WATCHED_IMPORT = """
import importlib, os, sys

# Libraries may set variables of their own as they load; this is about our modules.
import numpy, pyarrow

happened = []

def reads(path):
    return isinstance(path, str) and "quietcuff" in path and not path.endswith((".py", ".pyc")) and os.path.isfile(path)

def watch(event, arguments):
    if event in ("socket.connect", "socket.bind", "sqlite3.connect", "subprocess.Popen", "os.putenv", "os.mkdir", "os.remove"):
        happened.append(event)
    if event == "open" and reads(arguments[0]):
        happened.append(f"open {arguments[0]}")

sys.addaudithook(watch)
for name in sys.argv[1:]:
    importlib.import_module(name)
print("\\n".join(happened))
"""


def test_nothing_happens_at_import() -> None:
    names = [".".join(path.relative_to(PACKAGE.parent).with_suffix("").parts) for path in modules()]
    names = [name.removesuffix(".__init__") for name in names if not name.endswith("__main__")]
    assert len(names) > 50
    done = subprocess.run(
        [sys.executable, "-c", WATCHED_IMPORT, *names],
        # numpy sets the first for its own loading, where it is not set; with the second no folders are made for bytecode.
        env={**os.environ, "OPENBLAS_MAIN_FREE": "1", "PYTHONDONTWRITEBYTECODE": "1"},
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.split() == []
