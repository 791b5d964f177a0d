"""An installed package brings its migrations and its examples along."""

from __future__ import annotations

import subprocess
import sys
import zipfile
from pathlib import Path

TOP = Path(__file__).parents[2]
UPGRADE = """
import sys
sys.path.insert(0, sys.argv[1])
import quietcuff
assert quietcuff.__file__.startswith(sys.argv[1])
from quietcuff.storage.engine import migrate
migrate.upgrade(sys.argv[2])
migrate.on_connection(sys.argv[2], migrate.require_newest_schema)
"""
DOCUMENT = """
import sys
sys.path.insert(0, sys.argv[1])
from quietcuff.api.examples import examples_folder
from quietcuff.cli import main
assert str(examples_folder()).startswith(sys.argv[1])
sys.exit(main(["openapi"]))
"""


def installed_in(tmp_path: Path) -> Path:
    build = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(tmp_path)]
    subprocess.run(build, cwd=TOP, check=True, capture_output=True)
    [wheel] = tmp_path.glob("*.whl")
    installed = tmp_path / "installed"
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(installed)
    return installed


def test_migrations_are_found_in_an_installed_package(tmp_path: Path) -> None:
    installed = installed_in(tmp_path)
    url = f"sqlite:///{tmp_path / 'fresh.db'}"
    upgraded = subprocess.run(
        [sys.executable, "-I", "-c", UPGRADE, str(installed), url], capture_output=True, text=True, check=False
    )
    assert upgraded.returncode == 0, upgraded.stderr
    assert {path.name for path in (installed / "quietcuff" / "_migrations").rglob("*.py")} >= {
        "env.py",
        "0001_create_schema.py",
    }


def test_the_document_of_an_installed_package_shows_the_examples(tmp_path: Path) -> None:
    installed = installed_in(tmp_path)
    told = subprocess.run([sys.executable, "-I", "-c", DOCUMENT, str(installed)], capture_output=True, check=False)
    assert told.returncode == 0, told.stderr
    assert told.stdout == (TOP / "openapi/openapi.json").read_bytes()
