"""``quietcuff export``: the same lines as over HTTP, in a folder of the owner's alone."""

from __future__ import annotations

import asyncio
import gzip
import json
import stat
from pathlib import Path
from typing import Any

import pytest

from application.exports import by_id, export
from application.test_bulk import receive_some
from fhir_r4.stored_sets import open_clinic
from quietcuff.cli import main
from quietcuff.rules.catalog import load_rulebook
from quietcuff.storage.engine.store import open_store


@pytest.fixture
def expected(database_url: str, monkeypatch: pytest.MonkeyPatch) -> dict[str, dict[str, Any]]:
    """What the tenant ``clinic`` holds, as an export over HTTP tells it; the environment names the database."""
    monkeypatch.setenv("QUIETCUFF_DATABASE_URL", database_url)
    monkeypatch.setenv("QUIETCUFF_PUBLIC_URL", "https://bp.example.org")
    return asyncio.run(fill(database_url))


async def fill(database_url: str) -> dict[str, dict[str, Any]]:
    store = open_store(database_url)
    clinic = await open_clinic(store, load_rulebook())
    await receive_some(clinic, 31, 12)
    _, resources = await export(clinic)
    await store.close()
    return by_id(resources)


def lines_of(folder: Path, name: str) -> list[dict[str, Any]]:
    raw = (folder / name).read_bytes()
    return [json.loads(line) for line in (gzip.decompress(raw) if name.endswith(".gz") else raw).splitlines()]


@pytest.mark.parametrize("options", [[], ["--gzip"]])
def test_a_folder_holds_what_an_export_tells(expected: dict[str, Any], tmp_path: Path, options: list[str]) -> None:
    folder = tmp_path / "new" / "folder"
    assert main(["export", "--tenant", "clinic", "--to", str(folder), *options]) == 0
    manifest = json.loads((folder / "manifest" / "manifest.json").read_bytes())
    files = [path for path in folder.rglob("*") if path.is_file()]
    assert sorted(path.name for path in files if path.parent == folder) == sorted(item["url"] for item in manifest["output"])
    # What a reader of the folder's JSON meets is resources alone.
    assert list(folder.glob("*.json")) == []
    assert {stat.S_IMODE(path.stat().st_mode) for path in files} == {0o600}
    assert stat.S_IMODE((folder / "manifest").stat().st_mode) == 0o700
    found = {item["type"]: lines_of(folder, item["url"]) for item in manifest["output"]}
    assert {item["type"]: item["count"] for item in manifest["output"]} == {kind: len(lines) for kind, lines in found.items()}
    assert by_id(found) == expected


def test_options_narrow_it_and_files_are_split(
    expected: dict[str, Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("QUIETCUFF_EXPORT_FILE_RESOURCES", "5")
    narrow = ["--type", "Observation", "--type-filter", "Observation?code=85354-9"]
    assert main(["export", "--tenant", "clinic", "--to", str(tmp_path / "some"), *narrow]) == 0
    manifest = json.loads((tmp_path / "some" / "manifest" / "manifest.json").read_bytes())
    counts = [item["count"] for item in manifest["output"]]
    assert counts[:-1] == [5] * (len(counts) - 1) and len(counts) > 2
    readings = [key for key, one in expected.items() if one.get("code", {}).get("coding", [{}])[0].get("code") == "85354-9"]
    found = [f"Observation/{line['id']}" for item in manifest["output"] for line in lines_of(tmp_path / "some", item["url"])]
    assert sorted(found) == sorted(readings)
    later = ["--since", manifest["transactionTime"].replace("2026", "2027")]
    assert main(["export", "--tenant", "clinic", "--to", str(tmp_path / "none"), *later]) == 0
    assert json.loads((tmp_path / "none" / "manifest" / "manifest.json").read_bytes())["output"] == []


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (["--tenant", "nobody"], "tenant"),
        (["--tenant", "clinic", "--since", "yesterday"], "_since"),
        (["--tenant", "clinic", "--type", "Condition"], "_type"),
    ],
)
def test_what_is_wrong_is_told_and_nothing_is_written(
    expected: dict[str, Any], tmp_path: Path, capsys: pytest.CaptureFixture[str], options: list[str], told: str
) -> None:
    assert main(["export", "--to", str(tmp_path / "folder"), *options]) == 1
    assert told in capsys.readouterr().err
    assert not (tmp_path / "folder").exists()


def test_a_folder_with_something_in_it_is_left_alone(
    expected: dict[str, Any], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "mine.txt").write_text("mine")
    assert main(["export", "--tenant", "clinic", "--to", str(tmp_path)]) == 1
    assert "empty" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]
