"""A copy of a database delivers nothing until it is told to: where it is, or its public URL, is another than its original's."""

from __future__ import annotations

import asyncio
import os
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import make_url

from quietcuff.cli import main
from quietcuff.cli.serve import check_database
from quietcuff.cli.support.resuming import why_not_deliver
from quietcuff.settings import Settings, read_settings
from quietcuff.storage.engine.store import Store

DELIVER = ["deliver", "--once"]


@pytest.fixture
def original(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A SQLite file that was delivered from, in a folder of its own, with nothing set."""
    monkeypatch.chdir(tmp_path)
    for name in [name for name in os.environ if name.startswith("QUIETCUFF_")]:
        monkeypatch.delenv(name)
    assert main(["keys", "create", "--tenant", "clinic", "--name", "x", "--scope", "system/*.r"]) == 0
    assert main(DELIVER) == 0
    return tmp_path / "quietcuff.db"


def serves_as() -> Settings:
    return asyncio.run(check_database(read_settings(os.environ)))


def test_a_copy_elsewhere_delivers_only_once_it_is_told_to(
    original: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert serves_as().delivers
    copy = original.with_name("copy.db")
    shutil.copyfile(original, copy)
    monkeypatch.setenv("QUIETCUFF_DATABASE_URL", f"sqlite:///{copy}")
    for _ in range(2):
        capsys.readouterr()
        assert not serves_as().delivers
        said = capsys.readouterr().err
        assert "Delivery is paused" in said and str(copy) in said and "--resume-delivery" in said
        assert main(DELIVER) == 1
    assert main([*DELIVER, "--resume-delivery"]) == 0
    assert main(DELIVER) == 0 and serves_as().delivers
    with closing(sqlite3.connect(copy)) as connection:
        assert connection.execute("SELECT count(*) FROM trail WHERE what = 'resume delivery'").fetchone() == (1,)
    monkeypatch.delenv("QUIETCUFF_DATABASE_URL")
    assert main(DELIVER) == 0 and serves_as().delivers


def test_another_machine_or_public_url_is_a_copy_too(
    original: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("socket.gethostname", lambda: "another")
    assert main(DELIVER) == 1 and "another:" in capsys.readouterr().err
    assert not serves_as().delivers
    monkeypatch.setenv("QUIETCUFF_INSTANCE", "clinic-1")
    assert main([*DELIVER, "--resume-delivery"]) == 0
    monkeypatch.setattr("socket.gethostname", lambda: "a third")
    assert main(DELIVER) == 0
    assert main(["database", "public-url", "https://bp.example.org"]) == 0
    assert main(DELIVER) == 0, "a first public URL is no move"
    assert main(["database", "public-url", "https://copy.example.org"]) == 0
    capsys.readouterr()
    assert main(DELIVER) == 1
    assert "delivered as https://bp.example.org" in capsys.readouterr().err and not serves_as().delivers
    assert asyncio.run(check_database(read_settings(os.environ), resumes=True)).delivers
    assert main(DELIVER) == 0


async def test_both_databases_know_their_place(store: Store, database_url: str) -> None:
    here = Settings(database_url=database_url, instance="a")

    async def reason(settings: Settings, **how: Any) -> str | None:
        return await why_not_deliver(store, settings, resumes=how.get("resumes", False))

    assert await reason(here) is None and await reason(here) is None
    elsewhere = Settings(database_url=database_url, instance="b")
    told = await reason(elsewhere)
    assert told is not None and str(make_url(database_url).database) in told
    assert await reason(elsewhere, resumes=True) is None
    assert await reason(elsewhere) is None and await reason(here) is not None
