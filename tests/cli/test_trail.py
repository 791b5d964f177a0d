"""``quietcuff trail``, and what the trail is told of commands: keys, clients, settings, and work on a tenant's data."""

from __future__ import annotations

import asyncio
import json
import os
import sqlite3
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from quietcuff.cli import main
from quietcuff.cli.serve import check_database
from quietcuff.cli.support.tenant_work import record_in_every_trail
from quietcuff.rules.catalog import load_rulebook
from quietcuff.settings import read_settings
from quietcuff.storage.engine.store import NO_TENANT, Store
from quietcuff.storage.rows.tenants import all_tenant_ids, find_or_create_tenant
from quietcuff.storage.trail.checking import rows_after
from quietcuff.storage.trail.keys import TrailFiles

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], sqlite_url: str) -> Run:
    monkeypatch.chdir(tmp_path)
    for name in [name for name in os.environ if name.startswith("QUIETCUFF_")]:
        monkeypatch.delenv(name)
    monkeypatch.setenv("QUIETCUFF_DATABASE_URL", sqlite_url)

    def call(*arguments: str) -> tuple[int, str, str]:
        code = main(list(arguments))
        told = capsys.readouterr()
        return code, told.out, told.err

    return call


def make_key(run: Run, name: str = "ward 3") -> str:
    code, out, _ = run("keys", "create", "--tenant", "clinic", "--name", name, "--scope", "system/*.r")
    assert code == 0
    return out.strip()


def on_file(url: str, statement: str) -> list[Any]:
    with closing(sqlite3.connect(url.removeprefix("sqlite:///"), isolation_level=None)) as connection:
        return list(connection.execute(statement))


def test_keys_clients_settings_and_commands_are_in_the_trail(run: Run, sqlite_url: str) -> None:
    prefix = make_key(run)[3:11]
    run("keys", "revoke", prefix)
    run(
        "clients",
        "register",
        "--tenant",
        "clinic",
        "--name",
        "reader",
        "--scope",
        "system/*.rs",
        "--key-set-url",
        "https://a.example/keys",
    )
    client = on_file(sqlite_url, "SELECT hex(client_id) FROM client")[0][0].lower()
    dashed = "-".join((client[:8], client[8:12], client[12:16], client[16:20], client[20:]))
    run("clients", "keys", dashed, "--key-set-url", "https://b.example/keys")
    run("clients", "revoke", dashed)
    run("clients", "revoke", dashed)
    run("tenants", "set", "clinic", "--keep-years", "15")
    run("retention", "holds", "--tenant", "clinic")
    rows = on_file(sqlite_url, "SELECT what, actor, origin FROM trail ORDER BY at")
    assert [what for what, _, _ in rows] == [
        f"key:{prefix}",
        f"key:{prefix}",
        *[f"client:{dashed}"] * 3,
        "tenants set: keep_years",
        "retention holds",
    ]
    assert {actor for _, actor, _ in rows} == {"command"} and all(origin.startswith("user:") for _, _, origin in rows)
    assert "example" not in str(rows)


def test_a_trail_that_is_whole_is_told_with_its_figures(run: Run) -> None:
    make_key(run)
    assert run("trail", "verify")[0] == 0
    code, out, err = run("trail", "verify", "--json")
    # The key, and that it was verified before.
    assert code == 0 and json.loads(out)["clinic"]["rows"] == 2
    assert "as it was written" in err and "no key" in err


def test_flaws_name_lane_and_place_and_end_with_one(run: Run, sqlite_url: str) -> None:
    for number in range(3):
        make_key(run, f"ward {number}")
    ((lane,),) = on_file(sqlite_url, "SELECT lane FROM trail LIMIT 1")
    on_file(sqlite_url, f"UPDATE trail SET actor = 'key:zz99zz99' WHERE lane = {lane}")
    code, out, err = run("trail", "verify")
    assert code == 1 and out == f"clinic: lane {lane:x}, row 1: altered: it is not what was chained.\n"
    assert "1 flaw(s)" in err
    on_file(sqlite_url, f"DELETE FROM trail WHERE lane = {lane}")
    code, out, _ = run("trail", "verify", "--tenant", "clinic")
    assert code == 1 and f"lane {lane:x}, row 1: missing at the end" in out
    assert run("trail", "verify", "--tenant", "nobody")[0] == 1


def test_a_key_from_a_file_chains_what_follows(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    make_key(run)
    code, out, err = run("trail", "key", "keys")
    secret = (tmp_path / "keys").read_text().strip()
    assert code == 0 and not out and secret not in err
    monkeypatch.setenv("QUIETCUFF_TRAIL_KEY_FILE", str(tmp_path / "keys"))
    code, out, _ = run("trail", "verify")
    assert code == 1 and "quietcuff trail seal" in out
    assert run("trail", "seal")[0] == 0, "nothing new to seal says nothing of the key"
    make_key(run)
    code, out, err = run("trail", "verify")
    # Verifying, sealing, and the key that was made.
    assert (code, out) == (0, "") and "3 rows are chained with a key" in err
    monkeypatch.delenv("QUIETCUFF_TRAIL_KEY_FILE")
    code, _, err = run("trail", "verify")
    assert code == 1 and "QUIETCUFF_TRAIL_KEY_FILE" in err and secret not in err
    assert run("trail", "key", "keys")[0] == 1
    assert run("trail", "key", "keys", "--rotate")[0] == 0
    assert len((tmp_path / "keys").read_text().split()) == 2


def test_seals_outside_the_database_tell_what_was_cut_off_with_its_seals(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, sqlite_url: str
) -> None:
    monkeypatch.setenv("QUIETCUFF_TRAIL_SEAL_FILE", str(tmp_path / "seals"))
    make_key(run)
    make_key(run)
    assert (tmp_path / "seals").stat().st_mode & 0o777 == 0o600
    assert run("trail", "seal", "--to", "copy")[0] == 0
    assert (tmp_path / "copy").read_bytes() == (tmp_path / "seals").read_bytes()
    code, _, err = run("trail", "seal", "--to", "copy")
    assert code == 1 and "not there yet" in err
    # The two keys and the sealing have a lane each.
    on_file(sqlite_url, "DELETE FROM trail WHERE lane = (SELECT lane FROM trail_seal WHERE number = 3)")
    on_file(sqlite_url, "DELETE FROM trail_seal WHERE number = 3")
    code, out, _ = run("trail", "verify")
    assert code == 1 and "seal 3" in out and "row 1: missing at the end" in out
    monkeypatch.delenv("QUIETCUFF_TRAIL_SEAL_FILE")
    assert run("trail", "verify")[0] == 0
    assert run("trail", "verify", "--seals", "copy")[0] == 1
    (tmp_path / "copy").write_text("{}\n")
    assert run("trail", "verify", "--seals", "copy")[0] == 1


def told_of(url: str, tenant_id: int = 1) -> list[str]:
    return [what for (what,) in on_file(url, f"SELECT what FROM trail WHERE tenant_id = {tenant_id} ORDER BY at")]


def test_lists_and_work_on_the_whole_database_are_in_the_trail_of_each_tenant(run: Run, sqlite_url: str) -> None:
    make_key(run)
    assert run("keys", "create", "--tenant", "other", "--name", "x", "--scope", "system/*.r")[0] == 0
    for command in (["keys", "list"], ["clients", "list"]):
        assert run(*command, "--tenant", "clinic")[0] == 0
    for command in (["trail", "verify"], ["trail", "seal"], ["trail", "key", "keys"], ["database", "verify"]):
        assert run(*command)[0] == 0, command
    for command in (["database", "upgrade"], ["database", "compact"], ["database", "public-url"]):
        assert run(*command)[0] == 0, command
    assert run("database", "public-url", "https://bp.example.org")[0] == 0
    of_both = ["trail verify", "trail seal", "trail key", "database verify", "database upgrade", "database compact"]
    assert told_of(sqlite_url)[1:] == ["keys list", "clients list", *of_both, "database public-url"]
    assert told_of(sqlite_url, 2)[1:] == [*of_both, "database public-url"]
    assert run("trail", "verify")[0] == 0


def test_a_schema_is_taken_down_after_the_trail_was_told(run: Run, sqlite_url: str) -> None:
    """Down to one that still has the trail as it is; where there is none any more, nothing is told and nothing fails."""
    make_key(run)
    code, _, err = run("database", "downgrade", "0015")
    assert code == 0 and told_of(sqlite_url)[1:] == ["database downgrade"]
    for revision in ("0001", "base"):
        code, _, err = run("database", "downgrade", revision)
        assert code == 0 and "trail" not in err
    code, _, err = run("database", "upgrade")
    assert code == 0 and "trail" not in err and on_file(sqlite_url, "SELECT * FROM trail") == []


def test_a_trail_key_is_made_where_there_is_no_database(run: Run, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("QUIETCUFF_DATABASE_URL", f"sqlite:///{tmp_path}/none.db")
    assert run("trail", "key", "keys")[0] == 0
    assert sorted(path.name for path in tmp_path.iterdir()) == ["keys"]


def test_a_trail_whose_key_is_not_given_is_not_written_to_and_that_is_said(
    run: Run, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, sqlite_url: str
) -> None:
    assert run("trail", "key", "keys")[0] == 0
    monkeypatch.setenv("QUIETCUFF_TRAIL_KEY_FILE", str(tmp_path / "keys"))
    make_key(run)
    monkeypatch.delenv("QUIETCUFF_TRAIL_KEY_FILE")
    before = on_file(sqlite_url, "SELECT * FROM trail")
    code, _, err = run("database", "verify")
    assert code == 0 and "The trail is not told of this." in err and "QUIETCUFF_TRAIL_KEY_FILE" in err
    assert on_file(sqlite_url, "SELECT * FROM trail") == before


def test_a_start_tells_with_which_rules_and_under_which_address(
    run: Run, sqlite_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    make_key(run)
    monkeypatch.setenv("QUIETCUFF_PUBLIC_URL", "https://bp.example.org")
    for _ in range(2):
        asyncio.run(check_database(read_settings(os.environ)))
    rules = load_rulebook().digest.removeprefix("sha256:")[:12]
    first = told_of(sqlite_url)[1:]
    assert first == ["public-url, for the first time", *[f"serve: rules {rules}"] * 2]


async def test_every_tenant_is_told_on_both_databases(store: Store) -> None:
    """Each row under its own tenant: row security would show it to no other."""
    made = datetime.now(UTC)
    for name in ("clinic", "other"):
        await store.write(NO_TENANT, lambda connection, name=name: find_or_create_tenant(connection, name, made))
    await record_in_every_trail(store, TrailFiles(), what="database verify")
    tenant_ids = await store.read(NO_TENANT, all_tenant_ids)
    assert len(tenant_ids) == 2
    for one in tenant_ids:
        (row,) = await store.read(one, partial(rows_after, tenant_id=one, after=(-1, 0)))
        assert (row.entry.what, row.entry.tenant_id) == ("database verify", one)
