"""What a start loads: commands about keys, tenants and the database start without the flow, and a server without what it may
never need."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

FLOW = {"quietcuff.core.evaluate", "quietcuff.application", "quietcuff.fhir", "quietcuff.decode", "quietcuff.api"}
NUMBERS = {"numpy", "pandas", "pyarrow", "dask", "matplotlib", "fhirpathpy", "pydantic"}
KEYS_AND_PICTURES = {"jwt", "cryptography", "sqlalchemy.orm", "httpx"}
POSTGRESQL = {"asyncpg", "sqlalchemy.dialects.postgresql"}
WEB = {"litestar", "uvicorn"}
TRACING = {"opentelemetry"}
PEOPLE = {"quietcuff.storage.schema.sittings", "quietcuff.storage.rows.verify"}
TASK_GROUPS = {"anyio._backends._asyncio"}
# The application as a server makes it, from its start to its end.
LIVED_THROUGH = """
import asyncio, quietcuff.cli.serve, quietcuff.delivery.worker
from quietcuff.api.app import create_app_from_environment

async def live():
    coming, sent = iter(("lifespan.startup", "lifespan.shutdown")), []

    async def receive():
        return {"type": next(coming)}

    async def send(message):
        sent.append(message["type"])

    await create_app_from_environment()({"type": "lifespan", "state": {}}, receive, send)
    return sent

assert asyncio.run(live()) == ["lifespan.startup.complete", "lifespan.shutdown.complete"]
from quietcuff.application.stored import EVALUATION_DECODER, SET_DECODER
assert "decode" not in {**vars(SET_DECODER), **vars(EVALUATION_DECODER)}
"""
CREATE = ("keys", "create", "--tenant", "invented", "--name", "start", "--scope", "system/*.rs")


def loaded_by(folder: Path, program: str) -> set[str]:
    """The modules that a process has loaded once it ran a program, on the database of a folder."""
    told = "import atexit, sys; atexit.register(lambda: print(*sys.modules, file=sys.stderr)); "
    environment = os.environ | {"QUIETCUFF_DATABASE_URL": f"sqlite:///{folder}/start.db"}
    ran = subprocess.run([sys.executable, "-c", told + program], capture_output=True, text=True, check=True, env=environment)
    return set(ran.stderr.split())


def command(*arguments: str) -> str:
    return f"from quietcuff.cli import main; sys.exit(main({list(arguments)!r}))"


@pytest.mark.parametrize("arguments", [("keys", "list", "--tenant", "invented"), ("tenants", "list"), ("database", "upgrade")])
def test_a_short_command_starts_without_the_flow(tmp_path: Path, arguments: tuple[str, ...]) -> None:
    loaded_by(tmp_path, command(*CREATE))
    loaded = loaded_by(tmp_path, command(*arguments))
    assert "quietcuff.storage.engine.store" in loaded
    # The migrations name every table, and the options of both databases.
    other = set() if arguments == ("database", "upgrade") else POSTGRESQL | PEOPLE
    assert not loaded & (FLOW | NUMBERS | KEYS_AND_PICTURES | WEB | other)


def test_a_command_ends_without_looking_through_its_modules_again(tmp_path: Path) -> None:
    ended = (
        "import gc; from quietcuff.cli import main; sys.argv[1:] = ['tenants', 'list']; main(); "
        "print('frozen' if gc.get_freeze_count() > 50_000 and len(gc.get_objects()) < 100 else 'counted', file=sys.stderr)"
    )
    loaded_by(tmp_path, command(*CREATE))
    assert "frozen" in loaded_by(tmp_path, ended)


def test_a_server_starts_without_numbers_cryptography_task_groups_and_looking_into_documents(tmp_path: Path) -> None:
    loaded_by(tmp_path, command(*CREATE))
    loaded = loaded_by(tmp_path, LIVED_THROUGH)
    assert loaded >= FLOW | WEB
    assert not loaded & (NUMBERS | KEYS_AND_PICTURES | POSTGRESQL | TRACING | TASK_GROUPS)
