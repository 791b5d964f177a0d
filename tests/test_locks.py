"""The locks: each a part of the next, whole, with hashes and no addresses; and the package runs on the smallest."""

from __future__ import annotations

import ast
import re
import sys
import tomllib
from collections.abc import Mapping
from functools import cache
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

TOP = Path(__file__).parents[1]
PACKAGE = TOP / "service/quietcuff"
PROJECT = tomllib.loads((TOP / "pyproject.toml").read_text("utf-8"))["project"]
EXTRAS = PROJECT["optional-dependencies"]
RUNNING, FULL, TESTING = "requirements.lock", "requirements-full.lock", "requirements-test.lock"
HASH = re.compile(r"--hash=sha256:[0-9a-f]{64}")


def pinned(lock: str) -> dict[str, set[str]]:
    """By package: its lines as they stand, each with its hashes."""
    found: dict[str, set[str]] = {}
    for entry in (TOP / "deploy" / lock).read_text("utf-8").replace(" \\\n    ", " ").splitlines():
        found.setdefault(entry.split("==")[0], set()).add(entry)
    return found


def demanded(*extras: str) -> list[Requirement]:
    """What pyproject.toml asks for itself: to run, and for some extras with those that they name."""
    asked = [Requirement(line) for line in PROJECT["dependencies"]]
    for extra in extras:
        for requirement in map(Requirement, EXTRAS[extra]):
            asked += demanded(*requirement.extras) if requirement.name == PROJECT["name"] else [requirement]
    return asked


@pytest.mark.parametrize("lock", [RUNNING, FULL, TESTING])
def test_every_line_pins_one_package_with_hashes_and_names_no_address(lock: str) -> None:
    for entries in pinned(lock).values():
        for entry in entries:
            requirement, *hashes = re.split(r" (?=--hash)", entry)
            assert re.fullmatch(r"[a-z0-9-]+==\S+( ; .+)?", requirement), requirement
            assert hashes and all(HASH.fullmatch(each) for each in hashes), requirement


@pytest.mark.parametrize(("smaller", "larger"), [(RUNNING, FULL), (FULL, TESTING)])
def test_each_lock_is_a_part_of_the_next_so_that_a_set_up_can_be_added_to(smaller: str, larger: str) -> None:
    part, whole = pinned(smaller), pinned(larger)
    assert {name for name in part if part[name] != whole.get(name)} == set()
    assert len(part) < len(whole)


@pytest.mark.parametrize(
    ("lock", "extras"),
    [(RUNNING, ("build",)), (FULL, ("build", "pictures", "analytics", "cluster", "traces")), (TESTING, tuple(EXTRAS))],
)
def test_a_lock_holds_what_the_project_asks_for_in_a_version_that_it_takes(lock: str, extras: tuple[str, ...]) -> None:
    there = pinned(lock)
    for requirement in demanded(*extras):
        entries = there[canonicalize_name(requirement.name)]
        versions = [entry.split(" ")[0].partition("==")[2] for entry in entries]
        assert all(requirement.specifier.contains(version) for version in versions), f"{requirement}: {versions}"


def imported(path: Path) -> set[str]:
    """The distributions of the modules that a file imports, at its top or within."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module is not None:
            names.add(node.module)
    tops = {name.split(".")[0] for name in names} - set(sys.stdlib_module_names) - {"quietcuff"}
    # A package that spreads over a shared folder, such as fhir, is one of those that have a part in it.
    return {" ".join(sorted({canonicalize_name(each) for each in by_module()[top]})) for top in tops}


@cache
def by_module() -> Mapping[str, list[str]]:
    return packages_distributions()


def test_the_package_imports_nothing_that_its_lock_does_not_hold() -> None:
    running, full = set(pinned(RUNNING)), set(pinned(FULL))
    files = [*PACKAGE.rglob("*.py"), *(TOP / "migrations").rglob("*.py")]
    lacking = []
    for path in files:
        # Traces come with an extra, too, and are of the interface.
        held = full if "analytics" in path.parts or path.name == "traces.py" else running
        lacking += [f"{path.name}: {names}" for names in imported(path) if not held & set(names.split())]
    assert len(files) > 200
    assert lacking == []
