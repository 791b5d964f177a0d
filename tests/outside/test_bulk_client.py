"""A bulk client that we did not write completes exports: ``smart-fetch``, with a key pair of its own."""

from __future__ import annotations

import copy
import json
import os
import subprocess
import sys
from email.utils import parsedate_to_datetime
from pathlib import Path
from typing import Any
from uuid import uuid4

import httpx
from jwcrypto.jwk import JWK

from api.serving import Server, serving
from api.test_bulk import finished, found_by_search, ids
from api.test_reading_sets import whole_set
from bodies import OPENED_SET
from databases import SqliteFiles
from fhir_r4.profiles import faults_of
from quietcuff.demo.server import free_port

# Those of ours that the client knows.
TYPES = ("Patient", "Observation", "Device")


def register(server: Server, folder: Path) -> tuple[str, Path]:
    """A client with a new key, registered on the command line; its id and its key file."""
    key = JWK.generate(kty="EC", crv="P-384")
    private, public = folder / "key.pem", folder / "public.pem"
    private.write_bytes(key.export_to_pem(private_key=True, password=None))
    private.chmod(0o600)
    public.write_bytes(key.export_to_pem())
    command = [str(Path(sys.executable).with_name("quietcuff")), "clients", "register"]
    arguments = ["--tenant", "clinic", "--name", "reader", "--scope", "system/*.rs", "--public-key", str(public)]
    environment = os.environ | {"QUIETCUFF_DATABASE_URL": server.database_url}
    done = subprocess.run([*command, *arguments], env=environment, capture_output=True, text=True, check=True)
    return done.stdout.strip(), private


def fetch(server: Server, client_id: str, key: Path, folder: Path, *more: str) -> dict[str, list[dict[str, Any]]]:
    """Run the client; what it stored, by type."""
    command = [str(Path(sys.executable).with_name("smart-fetch")), "bulk", str(folder), "--no-compression"]
    arguments = ["--fhir-url", f"{server.url}/fhir/R4", "--smart-client-id", client_id, "--smart-key", str(key), *more]
    environment = {**os.environ, "HOME": str(folder.parent), "NO_PROXY": "127.0.0.1", "COLUMNS": "200"}
    done = subprocess.run([*command, *arguments], env=environment, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    found: dict[str, list[dict[str, Any]]] = {}
    for path in folder.rglob("*.ndjson"):
        for line in path.read_text().splitlines():
            resource = json.loads(line)
            if "resourceType" in resource:
                found.setdefault(resource["resourceType"], []).append(resource)
    return found


def test_smart_fetch_completes_an_export_and_the_next_one(sqlite_files: SqliteFiles, tmp_path: Path) -> None:
    with serving(sqlite_files.new(), port=free_port()) as server, server.client() as clinic:
        for _ in range(3):
            whole_set(clinic)
        client_id, key = register(server, tmp_path)
        stored = [
            resource
            for item in finished(clinic, begin_here(clinic, server))["output"]
            for resource in map(json.loads, clinic.get(item["url"]).text.splitlines())
        ]
        found = fetch(server, client_id, key, tmp_path / "first", "--type", ",".join(TYPES), "--no-default-filters")
        assert {kind: ids(found[kind]) for kind in TYPES} == {
            kind: ids([one for one in stored if one["resourceType"] == kind]) for kind in TYPES
        }
        assert [fault for kind in TYPES for one in found[kind] for fault in faults_of(one)] == []
        since = clinic.get(f"{server.url}/fhir/R4/metadata").headers["Date"]
        _, envelope = flagged_set(clinic)
        later = fetch(
            *(server, client_id, key, tmp_path / "later", "--type", "Patient,Observation"),
            *("--since", parsedate_to_datetime(since).isoformat(), "--since-mode", "updated"),
        )
        assert ids(later["Patient"]) == [envelope["subject_id"]]
        # By itself the client asks for categories, and what a device flags has none.
        assert ids(later["Observation"]) == sorted(
            one["id"] for one in found_by_search(clinic, f"patient={envelope['subject_id']}") if "category" in one
        )


def flagged_set(client: httpx.Client) -> tuple[str, dict[str, Any]]:
    """A set of somebody new, with a reading that the device flagged."""
    body = copy.deepcopy(OPENED_SET) | {"identifier": None, "closed": True}
    body["subject"]["identifier"]["value"] = str(uuid4())
    body["readings"][0]["device_flags"] = ["irregular-pulse"]
    answer = client.post("/v1/reading-sets", json=body)
    assert answer.status_code == 201, answer.text
    return answer.headers["Location"], answer.json()


def begin_here(client: httpx.Client, server: Server) -> str:
    answer = client.get(f"{server.url}/fhir/R4/$export")
    location = answer.headers["Content-Location"]
    assert location.startswith(f"{server.url}/fhir/R4/")
    return str(location)
