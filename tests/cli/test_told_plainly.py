"""Wrong input at the command line: each a sentence that names what and how to go on; and lists that programs can read."""

from __future__ import annotations

import ctypes
import json
import os
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from api.serving import serving
from api.test_bulk import begin, finished
from api.test_reading_sets import named
from bodies import OPENED_SET
from databases import PostgresqlServer
from quietcuff.cli import main

NO_ID = "00000000-0000-4000-8000-000000000000"
IN_CLINIC = ["--tenant", "clinic"]
KEY = ["keys", "create", *IN_CLINIC, "--name", "ward 3", "--scope", "system/*.cruds"]


@pytest.fixture(autouse=True)
def own_environment(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each test in a folder of its own, with nothing set."""
    monkeypatch.chdir(tmp_path)
    for name in [name for name in os.environ if name.startswith("QUIETCUFF_")]:
        monkeypatch.delenv(name)


def refused(capsys: pytest.CaptureFixture[str], *command: str) -> str:
    """What a command that must be refused says: nothing to its output, no trace, whole sentences."""
    capsys.readouterr()
    assert main(command) == 1
    told = capsys.readouterr()
    assert told.out == "" and "Traceback" not in told.err
    assert all(line[0].isupper() and line.endswith((".", "]", ")")) for line in told.err.splitlines()), told.err
    return told.err


@pytest.mark.parametrize(
    "command",
    [
        ["keys", "list", *IN_CLINIC],
        ["keys", "revoke", "nobodyss"],
        ["clients", "list", *IN_CLINIC],
        ["clients", "revoke", NO_ID],
        ["tenants", "list"],
        ["tenants", "show", "clinic"],
        ["targets", "list", *IN_CLINIC],
        ["refused", "list", *IN_CLINIC],
        ["retention", "holds", *IN_CLINIC],
        ["prior", "clear", *IN_CLINIC],
        ["groups", "list", *IN_CLINIC],
        ["exports", "list", *IN_CLINIC],
        ["trail", "list", *IN_CLINIC],
        ["trail", "verify"],
        ["trail", "seal"],
        ["deliver", "--once"],
        ["export", *IN_CLINIC, "--to", "out"],
        ["import", os.devnull, *IN_CLINIC],
        ["listen-mllp", "--key-file", "key"],
        ["database", "verify"],
        ["database", "compact"],
        ["database", "public-url"],
        ["database", "downgrade", "base"],
    ],
)
def test_only_what_creates_makes_a_database(tmp_path: Path, capsys: pytest.CaptureFixture[str], command: list[str]) -> None:
    (tmp_path / "key").write_text("qc_nobodyss_x")
    assert "There is no database quietcuff.db. Name the one that is meant" in refused(capsys, *command)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["key"]


@pytest.mark.parametrize(
    ("command", "said"),
    [
        (["keys", "list", "--tenant", "nobody"], "quietcuff tenants list shows"),
        (["export", "--tenant", "nobody", "--to", "out"], "quietcuff tenants list shows"),
        (["import", os.devnull, "--tenant", "nobody"], "quietcuff tenants list shows"),
        (["trail", "verify", "--tenant", "nobody"], "quietcuff tenants list shows"),
        (["trail", "list", "--tenant", "nobody"], "quietcuff tenants list shows"),
        (["trail", "list", "--most", "0", *IN_CLINIC], "most (out-of-range)"),
        (["groups", "list", "--tenant", "nobody"], "quietcuff tenants list shows"),
        (["exports", "list", "--tenant", "nobody"], "quietcuff tenants list shows"),
        (["keys", "revoke", "nobodyss"], "quietcuff keys list shows"),
        (["clients", "revoke", NO_ID], "quietcuff clients list shows"),
        (["clients", "revoke", "nobody"], "client (not-an-id)"),
        (["targets", "replay", "nobody", *IN_CLINIC], "no such id of that form"),
        (["targets", "replay", NO_ID, *IN_CLINIC], "no such target"),
        (["refused", "show", NO_ID, *IN_CLINIC], "no such refused payload"),
        (["retention", "hold", NO_ID, "--reason", "x", *IN_CLINIC], "no such subject"),
        (["export", "--to", "out", "--group", NO_ID, *IN_CLINIC], "no such group"),
        (["database", "upgrade", "9999"], "revisions are 0001 to"),
        (["database", "downgrade", "9999"], "revisions are 0001 to"),
        (["evaluate", "nowhere.json"], "nowhere.json: No such file"),
        (["database", "public-url", "nowhere"], "url (bad-setting)"),
        (["tenants", "set", "clinic", "--time-zone", "Nowhere"], "time-zone (unknown-code)"),
        (["listen-mllp", "--key-file", "quietcuff.db"], "QUIETCUFF_MLLP_KEY (bad-setting)"),
    ],
)
def test_what_is_not_there_is_named_with_the_way_on(capsys: pytest.CaptureFixture[str], command: list[str], said: str) -> None:
    assert main(KEY) == 0
    if command[0] == "evaluate":
        assert main(command) == 1
        assert said in capsys.readouterr().err
    else:
        assert said in refused(capsys, *command)


@pytest.mark.parametrize("text", ['[{"a": 1}, {"b": 2}]', "[\n" + "  {},\n" * 60 + "  {}\n]\n"])
def test_an_array_is_one_fault_however_many_lines_it_has(tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str) -> None:
    (tmp_path / "array.json").write_text(text)
    assert main(KEY) == 0
    for command in (["evaluate", "array.json"], ["import", "array.json", *IN_CLINIC]):
        told = refused(capsys, *command)
        assert told.count("\n") == 1 and "one object a line" in told


def test_a_file_of_another_kind_is_told_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "notes.txt").write_text("This is no JSON.\n" * 60)
    assert main(["evaluate", "notes.txt"]) == 1
    said = capsys.readouterr().err
    assert said.count("cannot be evaluated") == 1 and "59 more line(s)" in said and len(said.splitlines()) < 8


def test_a_file_that_is_no_database_and_one_that_is_locked(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(KEY) == 0
    with closing(sqlite3.connect("quietcuff.db", isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        assert "another process has it locked" in refused(capsys, *KEY)
    (tmp_path / "quietcuff.db").write_bytes(b"This is no database, though long enough to look like one. " * 80)
    assert "no SQLite database" in refused(capsys, "retention", "holds", *IN_CLINIC)


def without_powers() -> None:
    """Give up what lets an administrator's process pass the modes of files by, for the program that is started next."""
    drop_from_bounding_set = 24
    for power in (1, 2, 3) if os.geteuid() == 0 else ():
        ctypes.CDLL(None).prctl(drop_from_bounding_set, power, 0, 0, 0)


def test_a_folder_that_is_read_only(tmp_path: Path) -> None:
    assert main(KEY) == 0
    for path, mode in ((tmp_path / "quietcuff.db", 0o444), (tmp_path, 0o555)):
        path.chmod(mode)
        if os.geteuid() == 0:
            os.chown(path, 65534, -1)
    command = [sys.executable, "-m", "quietcuff", "tenants", "list"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False, preexec_fn=without_powers)
    tmp_path.chmod(0o755)
    assert done.returncode == 1 and "check the owner and mode of it and of its folder" in done.stderr, done.stderr


def test_a_postgresql_that_does_not_answer_or_has_no_such_database(
    postgresql_server: PostgresqlServer, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("QUIETCUFF_DATABASE_URL", "postgresql://nobody@127.0.0.1:1/nothing")
    assert "cannot be reached" in refused(capsys, "keys", "list", *IN_CLINIC)
    monkeypatch.setenv("QUIETCUFF_DATABASE_URL", postgresql_server.as_app("quietcuff_that_is_not_there"))
    assert "no database of that name" in refused(capsys, "keys", "list", *IN_CLINIC)


def test_lists_are_lines_with_tabs_when_piped_and_json_when_asked(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([*KEY, "--expires", "2099-01-01T00:00:00Z"]) == 0
    prefix = capsys.readouterr().out.split("_")[1]
    assert main(["keys", "list", *IN_CLINIC]) == 0
    (line,) = capsys.readouterr().out.splitlines()
    cells = line.split("\t")
    assert cells[:3] == [prefix, "ward 3", "system/*.cruds"] and cells[4:] == ["2099-01-01T00:00:00Z", "", ""]
    assert main(["keys", "list", "--json", *IN_CLINIC]) == 0
    (row,) = json.loads(capsys.readouterr().out)
    assert (row["prefix"], row["revoked"]) == (prefix, None)
    assert main(["tenants", "list", "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == [{"tenant": "clinic", "number": 1, "time_zone": "UTC", "keep_years": None}]
    empty = ["clients", "targets", "refused", "groups", "exports"]
    for command in (*([name, "list"] for name in empty), ["retention", "holds"]):
        assert main([*command, *IN_CLINIC]) == 0 and capsys.readouterr().out == ""
        assert main([*command, "--json", *IN_CLINIC]) == 0 and json.loads(capsys.readouterr().out) == []


def test_groups_exports_and_the_trail_are_listed(capsys: pytest.CaptureFixture[str]) -> None:
    """Each by the id under which requests know it, and without what people are known by."""
    assert main(KEY) == 0
    key = capsys.readouterr().out.strip()
    person = {"system": "urn:example:mrn", "value": "p-0815"}
    with serving(f"sqlite:///{Path.cwd()}/quietcuff.db") as server, server.client_of(key) as client:
        stored = client.post("/v1/reading-sets", json=named(OPENED_SET)).json()
        by_name = client.post("/v1/groups", json={"name": "by name", "identifiers": [person]}).json()["id"]
        at_home = client.post("/v1/groups", json={"name": "at home", "setting": "home", "taken_from": "2026-05-01"}).json()[
            "id"
        ]
        job = begin(client, "$export", _type="Patient,Observation").rpartition("/")[2]
        finished(client, f"/fhir/R4/bulk/{job}")
        audits = client.get("/fhir/R4/AuditEvent?_count=100").json()["entry"]
        ids = {entry["resource"]["id"] for entry in audits}

    def listed(*command: str) -> list[dict[str, object]]:
        assert main([*command, "list", "--json", *IN_CLINIC]) == 0
        out = capsys.readouterr().out
        assert "p-0815" not in out
        found: list[dict[str, object]] = json.loads(out)
        assert main([*command, "list", *IN_CLINIC]) == 0
        lines = capsys.readouterr().out.splitlines()
        assert all(line.count("\t") == len(found[0]) - 1 for line in lines) and len(lines) >= len(found)
        return found

    first, second = listed("groups")
    assert (first["id"], first["name"], first["setting"], first["taken_from"]) == (at_home, "at home", "home", "2026-05-01")
    assert (second["id"], second["identifiers"], second["setting"]) == (by_name, 1, None)
    (export,) = listed("exports")
    assert (export["id"], export["state"], export["types"]) == (job, "done", "Patient Observation")
    assert export["asked_by"] == f"key:{key.split('_')[1]}" and str(export["expires"]) > str(export["complete_until"])
    rows = listed("trail")
    assert ids <= {str(row["id"]) for row in rows}
    assert [row["at"] for row in rows] == sorted((row["at"] for row in rows), reverse=True)
    assert rows[0]["what"] == "trail list" and rows[0]["actor"] == "command"
    (made,) = [row for row in rows if row["action"] == "create-set"]
    assert (made["set"], made["subject"], made["version"]) == (stored["id"], stored["subject_id"], 1)
    assert main(["trail", "list", "--most", "2", *IN_CLINIC]) == 0
    assert len(capsys.readouterr().out.splitlines()) == 2


@pytest.mark.parametrize("width", ["200", "60"])
def test_no_id_is_ever_folded_at_a_terminal(
    width: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from quietcuff.cli.support.listing import show_list

    monkeypatch.setenv("COLUMNS", width)
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True)
    show_list(("id", "given_up", "reason"), [(NO_ID, 3, "a sentence of some length\tthat goes on")], as_json=False)
    shown = capsys.readouterr().out
    assert NO_ID in shown and "a sentence of some length that goes on" in shown
    assert ("given up" in shown) == (width == "200")
