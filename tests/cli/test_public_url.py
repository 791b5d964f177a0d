"""The public URL belongs to the database: identifiers begin with it, and no guess stands where a real address stood."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import msgspec
import pytest

from application.clinic import first_visit, sitting
from fhir_r4.stored_sets import open_clinic
from quietcuff.cli import main
from quietcuff.cli.support.public_url import is_of_this_machine, settle_public_url
from quietcuff.core.model.errors import StoreNotUsable
from quietcuff.rules.catalog import load_rulebook
from quietcuff.settings import Settings
from quietcuff.storage.engine.store import Store

REAL, OTHER, GUESS = "https://bp.example.org", "https://other.example.org", "http://127.0.0.1:8080"


async def test_the_first_real_address_is_kept_and_holds(store: Store, database_url: str, capsys: Any) -> None:
    guessed = Settings(database_url=database_url)

    async def settled(url: str, *, is_said: bool) -> str:
        environment = {"QUIETCUFF_PUBLIC_URL": url} if is_said else {}
        settings = await settle_public_url(store, msgspec.structs.replace(guessed, public_url=url), environment)
        return settings.public_url

    for is_said in (False, True):
        assert await settled(GUESS, is_said=is_said) == GUESS
        assert "this machine alone" in capsys.readouterr().err
    assert await settled(REAL, is_said=True) == REAL
    assert await settled(GUESS, is_said=False) == REAL
    assert capsys.readouterr().err == ""
    for url in (OTHER, GUESS):
        with pytest.raises(StoreNotUsable, match=f"{REAL}.*{url}.*quietcuff database public-url {url}"):
            await settled(url, is_said=True)


@pytest.mark.parametrize(
    ("url", "is_local"),
    [
        (GUESS, True),
        ("http://[::1]:80", True),
        ("http://0.0.0.0:8080", True),
        ("http://localhost", True),
        ("http://a.localhost/base", True),
        ("http://10.2.0.1", False),
        (REAL, False),
    ],
)
def test_addresses_of_this_machine_alone(url: str, is_local: bool) -> None:
    assert is_of_this_machine(url) is is_local


@pytest.fixture
async def stored(store: Store, database_url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    clinic = await open_clinic(store, load_rulebook())
    await clinic.receive(sitting(first_visit()))
    monkeypatch.setenv("QUIETCUFF_DATABASE_URL", database_url)
    monkeypatch.delenv("QUIETCUFF_PUBLIC_URL", raising=False)


def systems_of(folder: Path) -> set[str]:
    lines = (folder / "Observation.001.ndjson").read_text().splitlines()
    return {one["system"] for line in lines for one in json.loads(line)["identifier"]}


async def test_an_export_never_guesses_where_an_address_is_known(
    stored: None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Any
) -> None:
    from asyncio import to_thread

    async def run(*arguments: str) -> int:
        return int(await to_thread(main, list(arguments)))

    async def export(name: str) -> int:
        return await run("export", "--tenant", "clinic", "--to", str(tmp_path / name))

    assert await export("guessed") == 0
    assert systems_of(tmp_path / "guessed") == {f"{GUESS}/id/observation"}
    assert "this machine alone" in capsys.readouterr().err
    monkeypatch.setenv("QUIETCUFF_PUBLIC_URL", REAL)
    assert await export("said") == 0
    monkeypatch.delenv("QUIETCUFF_PUBLIC_URL")
    assert await export("known") == 0
    assert systems_of(tmp_path / "said") == systems_of(tmp_path / "known") == {f"{REAL}/id/observation"}
    monkeypatch.setenv("QUIETCUFF_PUBLIC_URL", GUESS)
    capsys.readouterr()
    assert await export("refused") == 1
    assert REAL in capsys.readouterr().err and not (tmp_path / "refused").exists()
    monkeypatch.delenv("QUIETCUFF_PUBLIC_URL")
    assert await run("database", "public-url") == 0
    assert capsys.readouterr().out == f"{REAL}\n"
    assert await run("database", "public-url", "no address") == 1
    assert await run("database", "public-url", f"{OTHER}/") == 0
    assert await export("moved") == 0
    assert systems_of(tmp_path / "moved") == {f"{OTHER}/id/observation"}
