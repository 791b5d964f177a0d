"""``quietcuff doctor`` and ``version``: what is told of an installation, and each thing that is made wrong on purpose."""

from __future__ import annotations

import asyncio
import json
import os
import shutil
import sqlite3
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from databases import PostgresqlServer
from quietcuff import __version__
from quietcuff.cli import main
from quietcuff.cli.operating.doctor import backup_age, deliveries, examine
from quietcuff.rules.catalog import load_rulebook
from quietcuff.settings import read_settings
from quietcuff.storage.engine.migrate import NEWEST_REVISION

KEY = ("keys", "create", "--tenant", "clinic", "--name", "x", "--scope", "system/*.r")
NOW = datetime(2026, 11, 28, 12, tzinfo=UTC)


@pytest.fixture(autouse=True)
def own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    for name in [name for name in os.environ if name.startswith("QUIETCUFF_")]:
        monkeypatch.delenv(name)


def doctored(capsys: pytest.CaptureFixture[str]) -> tuple[int, dict[str, str]]:
    """The exit code, and the state of each check."""
    capsys.readouterr()
    code = main(["doctor", "--json"])
    return code, {check["name"]: check["state"] for check in json.loads(capsys.readouterr().out)}


def test_a_new_installation_is_well_but_for_what_is_not_set_up_yet(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(KEY) == 0
    code, states = doctored(capsys)
    assert code == 0 and {name for name, state in states.items() if state == "look"} >= {"public URL", "trail", "backup"}
    assert "fault" not in states.values()
    assert main(["trail", "key", "trail.key"]) == 0 and main(["database", "public-url", "https://bp.example.org"]) == 0
    monkeypatch.setenv("QUIETCUFF_TRAIL_KEY_FILE", "trail.key")
    assert main(["database", "backup", "one.backup"]) == 0
    code, states = doctored(capsys)
    assert code == 0 and {states[name] for name in ("public URL", "trail", "backup", "clock", "file")} == {"well"}


def test_each_thing_that_is_wrong_is_found(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    assert doctored(capsys) == (1, {"program": "well", "rules": "well", "database": "fault"}), "there is no database"
    assert not Path("quietcuff.db").exists(), "and none is made"
    assert main(KEY) == 0
    Path("quietcuff.db").chmod(0o644)
    assert doctored(capsys)[1]["file"] == "fault"
    Path("quietcuff.db").chmod(0o600)
    room = shutil.disk_usage(".")._replace(free=10_000_000)
    monkeypatch.setattr("shutil.disk_usage", lambda path: room)
    assert doctored(capsys)[1]["disk"] == "look"
    behind = asyncio.run(examine(read_settings(os.environ), lambda: datetime.now(UTC) - timedelta(minutes=5)))
    assert {check.name: check.state for check in behind}["clock"] == "fault"
    with closing(sqlite3.connect("quietcuff.db", isolation_level=None)) as connection:
        connection.execute("UPDATE alembic_version SET version_num = '0003'")
    code, states = doctored(capsys)
    assert code == 1 and states["database"] == "fault"


def test_postgresql_is_looked_at_as_the_role_that_serves_and_as_its_owner(
    postgresql_server: PostgresqlServer, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    name = postgresql_server.new_migrated()
    monkeypatch.setenv("QUIETCUFF_DATABASE_URL", postgresql_server.as_app(name))
    assert main(KEY) == 0
    code, states = doctored(capsys)
    assert code == 0 and (states["role"], states["clock"]) == ("well", "well") and "file" not in states
    monkeypatch.setenv("QUIETCUFF_DATABASE_URL", postgresql_server.as_owner(name))
    assert doctored(capsys)[1]["role"] == "look"


def test_what_waits_long_or_was_given_up_and_an_old_backup_are_for_a_person_to_judge() -> None:
    assert deliveries(5, 0, NOW - timedelta(minutes=59), NOW).state == "well"
    assert deliveries(5, 0, NOW - timedelta(minutes=61), NOW).state == "look"
    assert deliveries(0, 1, None, NOW).state == "look"
    assert backup_age(NOW - timedelta(hours=25), NOW).state == "well"
    assert backup_age(NOW - timedelta(hours=27), NOW).state == "look"


def test_the_version_names_program_rules_and_schema(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["version", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["quietcuff"], told["rules"], told["schema"]) == (__version__, load_rulebook().digest, NEWEST_REVISION)
    assert main(["version"]) == 0 and load_rulebook().digest in capsys.readouterr().out
    assert not list(Path().iterdir()), "no database is made"
