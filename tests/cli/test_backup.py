"""``quietcuff database backup`` and ``restore``: one moment of a database that is written meanwhile, whole or not at all."""

from __future__ import annotations

import os
import sqlite3
import stat
import threading
from contextlib import closing
from pathlib import Path

import pytest
from sqlalchemy import make_url

from databases import PostgresqlServer
from quietcuff.cli import main
from quietcuff.storage.engine import backup as backups
from quietcuff.storage.engine import migrate

KEY = ("keys", "create", "--tenant", "clinic", "--name", "x", "--scope", "system/*.r")


@pytest.fixture(autouse=True)
def own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    for name in [name for name in os.environ if name.startswith("QUIETCUFF_")]:
        monkeypatch.delenv(name)


def names_of(path: Path | str) -> list[str]:
    with closing(sqlite3.connect(path)) as connection:
        return [name for (name,) in connection.execute("SELECT name FROM tenant ORDER BY name")]


def test_a_backup_is_restored_elsewhere_and_delivers_nothing(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(KEY) == 0 and main(["deliver", "--once"]) == 0
    assert main(["database", "backup", "one.backup"]) == 0
    assert stat.S_IMODE(Path("one.backup").stat().st_mode) == 0o600
    assert sorted(path.name for path in Path().glob("one*")) == ["one.backup"], "nothing unfinished is left"
    Path("one.backup").chmod(0o400)
    monkeypatch.setenv("QUIETCUFF_DATABASE_URL", "sqlite:///copy.db")
    assert main(["database", "restore", "one.backup"]) == 0
    assert names_of("copy.db") == ["clinic"] and stat.S_IMODE(Path("copy.db").stat().st_mode) == 0o600
    assert main(["database", "verify"]) == 0
    capsys.readouterr()
    assert main(["deliver", "--once"]) == 1 and "a restored backup" in capsys.readouterr().err
    assert main(["deliver", "--once", "--resume-delivery"]) == 0 and main(["deliver", "--once"]) == 0


def test_restored_in_the_very_place_of_its_original_it_delivers_nothing_either(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(KEY) == 0 and main(["deliver", "--once"]) == 0 and main(["database", "backup", "one.backup"]) == 0
    assert main([*KEY[:3], "later", *KEY[4:]]) == 0
    assert main(["database", "restore", "one.backup"]) == 1 and "--replace" in capsys.readouterr().err
    assert names_of("quietcuff.db") == ["clinic", "later"]
    assert main(["database", "restore", "one.backup", "--replace"]) == 0
    assert names_of("quietcuff.db") == ["clinic"]
    (aside,) = Path().glob("quietcuff.db.replaced-*")
    assert names_of(aside) == ["clinic", "later"] and str(aside) in capsys.readouterr().err
    assert main(["deliver", "--once"]) == 1


def test_a_backup_of_a_database_that_is_written_is_of_one_moment(monkeypatch: pytest.MonkeyPatch) -> None:
    assert main(KEY) == 0
    with closing(sqlite3.connect("quietcuff.db", isolation_level=None)) as connection:
        connection.execute("CREATE TABLE left_side (n INTEGER, filling TEXT)")
        connection.execute("CREATE TABLE right_side (n INTEGER, filling TEXT)")
    over, begun = threading.Event(), threading.Event()

    def write() -> None:
        with closing(sqlite3.connect("quietcuff.db", isolation_level=None, timeout=30)) as connection:
            number = 0
            while not over.is_set() or number < 20:
                number += 1
                connection.execute("BEGIN IMMEDIATE")
                for side in ("left_side", "right_side"):
                    connection.execute(f"INSERT INTO {side} VALUES (?, ?)", (number, "x" * 20_000))
                connection.execute("COMMIT")
                if number == 20:
                    begun.set()

    monkeypatch.setattr(backups, "PAGES_AT_ONCE", 8)
    writer = threading.Thread(target=write)
    writer.start()
    try:
        assert begun.wait(30) and main(["database", "backup", "one.backup"]) == 0
    finally:
        over.set()
        writer.join()
    with closing(sqlite3.connect("one.backup")) as copy, closing(sqlite3.connect("quietcuff.db")) as original:
        counts = {copy.execute(f"SELECT count(*), max(n) FROM {side}").fetchone() for side in ("left_side", "right_side")}
        assert len(counts) == 1 and copy.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        # It went on being written, so that a copy page by page would have met both.
        assert original.execute("SELECT count(*) FROM left_side").fetchone()[0] > min(counts)[0] >= 20


def test_what_is_no_backup_is_refused_and_nothing_is_changed(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(KEY) == 0 and main(["database", "backup", "one.backup"]) == 0
    whole = Path("one.backup").read_bytes()
    Path("cut.backup").write_bytes(whole[: len(whole) // 2])
    Path("text.backup").write_text("not a database")
    with closing(sqlite3.connect("other.backup")) as connection:
        connection.execute("CREATE TABLE something (n INTEGER)")
    Path("newer.backup").write_bytes(whole)
    with closing(sqlite3.connect("newer.backup", isolation_level=None)) as connection:
        connection.execute("UPDATE alembic_version SET version_num = '9999'")
    monkeypatch.setenv("QUIETCUFF_DATABASE_URL", "sqlite:///copy.db")
    capsys.readouterr()
    words = {"cut": "damaged", "text": "damaged", "other": "no backup", "newer": "newer than this", "none": "no file"}
    for name, word in words.items():
        assert main(["database", "restore", f"{name}.backup"]) == 1
        assert word in capsys.readouterr().err
        assert not Path("copy.db").exists() and not Path("copy.db.restoring").exists()
    assert main(["database", "backup", "copy.backup"]) == 1, "there is no such database, and none is made"
    assert not Path("copy.db").exists() and not Path("copy.backup").exists()


def test_nothing_is_written_over_and_a_served_file_is_not_replaced(capsys: pytest.CaptureFixture[str]) -> None:
    from quietcuff.storage.engine.database import lock_for_serving, parse_url

    assert main(KEY) == 0 and main(["database", "backup", "one.backup"]) == 0
    before = Path("one.backup").read_bytes()
    assert main(["database", "backup", "one.backup"]) == 1 and Path("one.backup").read_bytes() == before
    lock = lock_for_serving(parse_url("sqlite:///quietcuff.db"))
    assert lock is not None
    try:
        assert main(["database", "restore", "one.backup", "--replace"]) == 1
        assert "Another process serves" in capsys.readouterr().err and not list(Path().glob("*.replaced-*"))
    finally:
        lock.release()


@pytest.mark.parametrize("partitions", [1, 2])
def test_postgresql_is_backed_up_and_restored_by_its_own_tools(
    partitions: int,
    postgresql_server: PostgresqlServer,
    postgresql_tools: None,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    original, copy = postgresql_server.new_migrated(), postgresql_server.new_empty()
    migrate.upgrade(postgresql_server.as_owner(original), partitions=partitions)
    monkeypatch.setenv("QUIETCUFF_DATABASE_URL", postgresql_server.as_owner(original))
    assert main(KEY) == 0
    assert main(["database", "backup", "one.backup"]) == 0 and stat.S_IMODE(Path("one.backup").stat().st_mode) == 0o600
    password = make_url(postgresql_server.as_owner(original)).password
    monkeypatch.setenv("QUIETCUFF_DATABASE_URL", postgresql_server.as_owner(copy))
    assert main(["database", "restore", "one.backup"]) == 0
    capsys.readouterr()
    assert main(["tenants", "list"]) == 0 and "clinic" in capsys.readouterr().out
    assert main(["deliver", "--once"]) == 1 and "a restored backup" in capsys.readouterr().err
    assert main(["database", "restore", "one.backup"]) == 1 and "--replace" in capsys.readouterr().err
    assert main([*KEY[:3], "later", *KEY[4:]]) == 0
    assert main(["database", "restore", "one.backup", "--replace"]) == 0
    capsys.readouterr()
    assert main(["tenants", "list"]) == 0 and "later" not in capsys.readouterr().out
    Path("text.backup").write_text("not a dump")
    assert main(["database", "restore", "text.backup", "--replace"]) == 1
    told = capsys.readouterr().err
    assert "pg_restore could not do it" in told and (not password or password not in told)
    assert main(["tenants", "list"]) == 0 and "clinic" in capsys.readouterr().out, "nothing was lost by the failure"


def test_without_its_tools_postgresql_is_told_of_them(
    postgresql_url: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("QUIETCUFF_DATABASE_URL", postgresql_url)
    monkeypatch.setenv("PATH", "/nowhere")
    assert main(["database", "backup", "one.backup"]) == 1
    assert "pg_dump is not there" in capsys.readouterr().err and not list(Path().glob("one.backup*"))
