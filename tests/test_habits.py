"""What tools look for at the top of a checkout: it is there, says the same as the code, and nothing else is."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import yaml

import quietcuff
from ordering import LONGEST_FIRST

TOP = Path(__file__).parents[1]
FOLDERS = {".ci", "deploy", "docs", "migrations", "openapi", "service", "tests"}
FILES = {"README.md", "DEVELOPERS.md", "pyproject.toml"}
# Only where tools look for them.
EXPECTED_BY_TOOLS = {".editorconfig", ".gitignore", ".pre-commit-config.yaml", "CHANGELOG.md", "LICENSE", "SECURITY.md"}


def test_the_top_holds_what_is_known_and_nothing_else() -> None:
    listed = subprocess.run(["git", "ls-files", "-z"], cwd=TOP, capture_output=True, text=True, check=True).stdout
    assert {path.split("/")[0] for path in listed.split("\0") if path} == FOLDERS | FILES | EXPECTED_BY_TOOLS


def test_the_hooks_run_what_ci_runs() -> None:
    steps = re.findall(r"^step '.*'; +(.+)$", (TOP / ".ci/run").read_text("utf-8"), re.M)
    config = yaml.safe_load((TOP / ".pre-commit-config.yaml").read_text("utf-8"))
    assert [each["repo"] for each in config["repos"]] == ["local"]
    hooks = [hook["entry"].removeprefix(".venv/bin/") for hook in config["repos"][0]["hooks"]]
    assert hooks == steps and len(steps) == 5


def test_the_files_that_begin_first_are_there() -> None:
    assert [name for name in LONGEST_FIRST if not (TOP / "tests" / name).is_file()] == []
    assert len(set(LONGEST_FIRST)) == len(LONGEST_FIRST)


def test_the_changelog_tells_of_this_version_below_what_is_not_released() -> None:
    headings = re.findall(r"^## (\S+)", (TOP / "CHANGELOG.md").read_text("utf-8"), re.M)
    assert headings[0] == "Unreleased"
    assert headings[1].rstrip(",") == quietcuff.__version__


def test_a_wheel_carries_the_licence_and_says_that_it_is_typed(tmp_path: Path) -> None:
    project = tomllib.loads((TOP / "pyproject.toml").read_text("utf-8"))["project"]
    assert project["license"] == "Apache-2.0"
    text = (TOP / "LICENSE").read_text("utf-8")
    assert text.split("\n")[1].strip() == "Apache License" and "Version 2.0, January 2004" in text
    assert all(f"   {number}. " in text for number in range(1, 10)) and "END OF TERMS AND CONDITIONS" in text
    build = [Path(sys.executable), "-m", "hatchling", "build", "-t", "wheel", "-d", str(tmp_path)]
    subprocess.run(build, cwd=TOP, capture_output=True, check=True)
    [wheel] = tmp_path.glob("*.whl")
    with zipfile.ZipFile(wheel) as archive:
        names = archive.namelist()
        metadata = next(name for name in names if name.endswith(".dist-info/METADATA"))
        told = archive.read(metadata).decode()
    assert "quietcuff/py.typed" in names
    assert any(name.endswith(".dist-info/licenses/LICENSE") for name in names)
    assert "License-Expression: Apache-2.0" in told
    assert "Provides-Extra: pictures" in told


def test_the_container_is_of_an_exact_base_is_not_root_and_tells_its_health() -> None:
    steps = dict.fromkeys(re.findall(r"^([A-Z]+) (.*)$", (TOP / "deploy/Containerfile").read_text("utf-8"), re.M))
    said = [(word, rest) for word, rest in steps]
    assert ("ARG", "BASE=python:3.13.9-slim-trixie") in said and ("FROM", "$BASE") in said
    assert [rest for word, rest in said if word == "USER"] == ["999"]
    assert said.index(("USER", "999")) < next(place for place, (word, _) in enumerate(said) if word == "CMD")
    assert any(word == "HEALTHCHECK" for word, _ in said) and ("ARG", "LOCK=requirements.lock") in said


def test_the_unit_gives_no_right_that_the_service_does_not_need() -> None:
    unit = (TOP / "deploy/quietcuff.service").read_text("utf-8").splitlines()
    # Those that `systemd-analyze security` weighs most; measured with it, the whole unit is 1.1 of 10.
    for line in (
        "DynamicUser=yes", "NoNewPrivileges=yes", "CapabilityBoundingSet=", "ProtectSystem=strict", "PrivateUsers=yes",
        "RestrictNamespaces=yes", "RestrictAddressFamilies=AF_INET AF_INET6 AF_UNIX", "SystemCallFilter=@system-service",
        "SystemCallFilter=~@privileged @resources", "MemoryDenyWriteExecute=yes",
    ):  # fmt: skip
        assert line in unit, line
