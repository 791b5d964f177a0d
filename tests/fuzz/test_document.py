"""schemathesis over the whole OpenAPI document: no failure of the service, and no answer that is not documented."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import httpx

from api.serving import new_key, serving
from bodies import DEVICE, OPENED_SET, TARGET
from databases import SqliteFiles

SEED = "20260504"
CONFIG = Path(__file__).with_name("schemathesis.toml").read_text()
KNOWN = """
[parameters]
set_id = "{set_id}"
subject_id = "{subject_id}"
device_id = "{device_id}"
target_id = "{target_id}"
number = 1
version_id = "1"
slug = "not-found"

# An export's id alone: one that a what-if was given is to be used for that.
[[operations]]
include-path-regex = "^/fhir/R4/bulk/"
parameters = {{ job_id = "{job_id}" }}

[[operations]]
include-path = "/v1/protocols/{{rule_id}}"
parameters = {{ rule_id = "office-both-arms" }}

[[operations]]
include-path = "/v1/guidelines/{{rule_id}}"
parameters = {{ rule_id = "esc-2024" }}
"""
RESOURCE = """
[[operations]]
include-path-regex = "^/fhir/R4/{kind}/.resource_id"
parameters = {{ resource_id = "{resource_id}" }}
checks.positive_data_acceptance.expected-statuses = ["2xx", 304, 400, 401, 403, 404, 406]
"""


def config_of(client: httpx.Client) -> str:
    """The configuration with ids of what is stored, so that requests reach more than a 404."""
    stored = client.post("/v1/reading-sets", json=OPENED_SET).json()
    set_id, subject_id = stored["id"], stored["subject_id"]
    device_id = client.post("/v1/devices", json=DEVICE).json()["id"]
    job_id = client.get("/fhir/R4/$export").headers["Content-Location"].rpartition("/")[2]
    trail = client.get("/fhir/R4/AuditEvent", params={"_count": 1}).json()["entry"]
    resources = {
        "AuditEvent": trail[0]["resource"]["id"],
        "Observation": f"{set_id}-r0",
        "Patient": subject_id,
        "Device": device_id,
        "Provenance": f"{set_id}-v1",
    }
    hooks = f"hooks = {json.dumps(str(Path(__file__).with_name('media_types.py')))}\n"
    target_id = client.post("/v1/targets", json=TARGET).json()["id"]
    known = KNOWN.format(set_id=set_id, subject_id=subject_id, device_id=device_id, job_id=job_id, target_id=target_id)
    return hooks + CONFIG + known + "".join(RESOURCE.format(kind=kind, resource_id=of) for kind, of in resources.items())


def failures_of(report: str) -> str:
    """The part of a report that tells what failed, without the bodies that were sent where they are long."""
    _, _, failed = report.partition("= FAILURES =")
    return "\n".join(line[:400] for line in failed.splitlines())


def test_the_service_does_what_its_document_says(sqlite_files: SqliteFiles, tmp_path: Path) -> None:
    database_url = sqlite_files.new()
    key = new_key(database_url)
    with serving(database_url) as server, server.client_of(key) as client:
        (tmp_path / "schemathesis.toml").write_text(config_of(client))
        run = subprocess.run(
            [
                str(Path(sys.executable).with_name("st")),
                *("--config-file", "schemathesis.toml", "run", f"{server.url}/openapi.json"),
                *("--header", f"Authorization: Bearer {key}"),
                *("--phases", "examples,coverage,fuzzing,stateful", "--max-examples", "8", "--no-color"),
                # What is told beside failures is not looked at, and takes time to find.
                *("--warnings", "off"),
                # The same requests every time, as in the other generated tests; another seed is tried by hand.
                *("--seed", SEED),
            ],
            cwd=tmp_path,
            # Proxies are looked for among all variables at each request.
            env={name: text for name, text in os.environ.items() if name in ("PATH", "HOME", "TMPDIR", "SYSTEMROOT")},
            capture_output=True,
            text=True,
            timeout=2400,
            check=False,
        )
        assert run.returncode == 0, failures_of(run.stdout)[:12000] + run.stdout[-2000:] + run.stderr[-2000:]
        generated = re.search(r"(\d+) generated, (\d+) passed", run.stdout)
        assert generated and int(generated[1]) == int(generated[2]) > 1000
        assert client.get("/health/ready").status_code == 200
