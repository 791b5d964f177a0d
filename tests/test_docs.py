"""The pages say what is so: commands work, examples are accepted, lists are complete, links lead somewhere."""

from __future__ import annotations

import json
import os
import re
import runpy
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any, get_args

import msgspec
import pytest

from api.serving import new_key, serving
from quietcuff.api.app import create_routes
from quietcuff.api.examples import example, examples_folder
from quietcuff.api.openapi import operations
from quietcuff.api.operations import Operation
from quietcuff.core.evaluate import evaluate
from quietcuff.core.model.changes import Append, Correction
from quietcuff.core.model.evaluation import Action, Level, Reason
from quietcuff.core.model.readings import ReadingSet
from quietcuff.demo.server import free_port
from quietcuff.rules.catalog import load_rulebook
from quietcuff.settings import ISSUER_SETTINGS, Settings

TOP = Path(__file__).parents[1]
PAGES = [TOP / "README.md", TOP / "DEVELOPERS.md", *sorted((TOP / "docs").glob("*.md"))]


def blocks(page: str, language: str) -> list[str]:
    """The fenced blocks of a page in one language."""
    return re.findall(rf"^```{language}\n(.*?)^```$", (TOP / page).read_text("utf-8"), re.M | re.S)


def test_the_commands_of_the_readme_lead_from_readings_to_an_observation(tmp_path: Path) -> None:
    start, ask = blocks("README.md", "sh")
    port = str(free_port())
    own_path = f'export PATH="{Path(sys.executable).parent}:$PATH"'
    started = start.replace("sh deploy/setup.sh\n", "").replace('export PATH="$PWD/.venv/bin:$PATH"', own_path)
    assert own_path in started
    ready = "until curl --silent --fail http://127.0.0.1:8080/health/ready > ready; do sleep 0.2; done\n"
    script = f"set -eu\n{started}trap 'kill $!' EXIT\n{ready}{ask}".replace("8080", port)
    environment = {name: value for name, value in os.environ.items() if not name.startswith("QUIETCUFF_")}
    done = subprocess.run(
        ["sh", "-c", script], cwd=tmp_path, env=environment, capture_output=True, text=True, timeout=120, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    bundle = json.loads(done.stdout)
    (mean,) = [entry["resource"] for entry in bundle["entry"]]
    values = [part["valueQuantity"]["value"] for part in mean["component"]]
    assert values[:2] == [138, 84]
    assert [reference["reference"][-3:] for reference in mean["derivedFrom"]] == ["-r1", "-r2"]
    evaluation = json.loads((tmp_path / "evaluation.json").read_bytes())["evaluation"]
    assert [reading["reason"] for reading in evaluation["readings"]] == ["first-discarded", None, None]
    assert all(category["provisional"] for category in evaluation["categories"])


def test_the_sitting_of_the_readme_is_told_as_the_command_tells_it() -> None:
    (shown,) = blocks("README.md", "text")
    command = "quietcuff evaluate docs/sitting.json"
    assert f"`{command}`" in (TOP / "README.md").read_text("utf-8")
    done = ran(command, TOP)
    assert done.returncode == 0, done.stderr
    # The table is padded to its width; a page holds no blanks at the end of a line.
    assert [line.rstrip() for line in done.stdout.splitlines()] == shown.splitlines()


def test_the_examples_of_the_guides_are_accepted() -> None:
    (least,) = blocks("docs/integrator.md", "json")
    evaluation = evaluate(msgspec.json.decode(least, type=ReadingSet), None, load_rulebook())
    assert evaluation.state == "complete"
    (append,) = blocks("docs/gateway.md", "json")
    assert len(msgspec.json.decode(append, type=Append).readings) == 1
    (correction,) = [block for block in blocks("docs/integrator.md", "sh") if "corrections" in block]
    body = re.search(r"--data '(.*?)'", correction, re.S)
    assert body is not None
    assert len(msgspec.json.decode(body[1], type=Correction).changes) == 1


SAME_IN_PAGE_AND_DOCUMENT = [
    ("docs/gateway.md", "one-more-reading"),
    ("docs/gateway.md", "gatt"),
    ("docs/gateway.md", "fhir-observation"),
    ("docs/delivery.md", "webhook-target"),
]


@pytest.mark.parametrize(("page", "name"), SAME_IN_PAGE_AND_DOCUMENT)
def test_a_page_shows_the_body_that_the_document_shows(page: str, name: str) -> None:
    sent = [re.search(r"--(?:data|json) '(.*?)'", block, re.S) for block in blocks(page, "sh")]
    bodies = [*blocks(page, "json"), *(body[1] for body in sent if body is not None)]
    assert example(name) in [json.loads(body) for body in bodies if body.startswith("{")]


def test_every_example_is_shown_in_the_document() -> None:
    shown = {file for _, _, operation in operations(create_routes(Settings())) for file in files_shown(operation)}
    assert {path.stem for path in examples_folder().iterdir()} == shown


def files_shown(operation: Operation) -> Iterator[str]:
    """The files of the examples of an operation, of what it takes and of what it answers."""
    for file in operation.examples.values():
        yield from file if isinstance(file, tuple) else (file,)
    for other in operation.also.values():
        yield from other.examples.values()
    yield from (reply.example for reply in operation.replies if reply.example is not None)


@pytest.mark.parametrize("codes", [Level, Action, Reason])
def test_the_gateway_page_names_every_code(codes: Any) -> None:
    text = (TOP / "docs/gateway.md").read_text("utf-8")
    assert [code for code in get_args(codes) if f"`{code}`" not in text] == []


def test_the_operator_page_names_every_setting_with_its_default() -> None:
    text = (TOP / "docs/operator.md").read_text("utf-8")
    settings = {f"QUIETCUFF_{name.upper()}" for name in Settings.__struct_fields__}
    of_issuer = {f"QUIETCUFF_ISSUER{name}" for name in ISSUER_SETTINGS}
    assert set(re.findall(r"`(QUIETCUFF_[A-Z_]+)`", text)) == settings | of_issuer
    assert f"`{Settings().database_url}`" in text
    assert f"`{Settings().log_level}`" in text


def test_the_backup_commands_of_the_operator_page_copy_a_database_and_bring_it_back(tmp_path: Path, sqlite_url: str) -> None:
    (commands,) = [block for block in blocks("docs/operator.md", "sh") if "backup" in block]
    back_up, restore = commands.replace("/backups/", "").strip().splitlines()
    assert ran(back_up, tmp_path, QUIETCUFF_DATABASE_URL=sqlite_url).returncode == 0
    assert ran(restore, tmp_path, QUIETCUFF_DATABASE_URL=f"sqlite:///{tmp_path}/copy.db").returncode == 0
    assert b"alembic_version" in (tmp_path / "copy.db").read_bytes()


def two_lines(folder: Path) -> None:
    """The least sitting of the guide, and one that is refused, each with an identifier."""
    (least,) = blocks("docs/integrator.md", "json")
    good = {**json.loads(least), "identifier": {"system": "urn:example:visit", "value": "1001"}}
    bad = {**good, "readings": [{**good["readings"][0], "site": "knee"}]}
    (folder / "sittings.ndjson").write_text(f"{json.dumps(good)}\n{json.dumps(bad)}\n")


def ran(script: str, folder: Path, **environment: str) -> subprocess.CompletedProcess[str]:
    """A block of a page, run in a folder with this interpreter's commands first."""
    own_path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    return subprocess.run(
        ["sh", "-c", script],
        cwd=folder,
        env={**os.environ, "PATH": own_path, **environment},
        capture_output=True,
        text=True,
        timeout=180,
        check=False,
    )


def test_the_batch_command_of_the_integrator_page_stores_lines(tmp_path: Path, sqlite_url: str) -> None:
    (command,) = [block for block in blocks("docs/integrator.md", "sh") if "/batch" in block]
    two_lines(tmp_path)
    with serving(sqlite_url) as server:
        done = ran(command.replace("http://127.0.0.1:8080", server.url), tmp_path, KEY=new_key(sqlite_url))
    assert done.returncode == 0, done.stderr
    answered = [json.loads(line) for line in done.stdout.splitlines()]
    fenced = re.findall(r"^```(\w*)\n(.*?)^```$", page_text("integrator"), re.M | re.S)
    (block,) = [block for language, block in fenced if not language and '"end"' in block]
    shown = [json.loads(line) for line in block.splitlines()]
    assert [line.keys() for line in answered] == [line.keys() for line in shown]
    assert [line.get("status") for line in answered] == [line.get("status") for line in shown] == [201, 422, None]
    assert answered[1]["problem"]["errors"][0]["pointer"] == shown[1]["problem"]["errors"][0]["pointer"]


def test_the_report_of_the_hl7_page_is_answered_as_it_shows(tmp_path: Path, sqlite_url: str) -> None:
    message, shown = blocks("docs/hl7v2.md", "hl7")
    send, *_ = blocks("docs/hl7v2.md", "sh")
    (tmp_path / "report.hl7").write_text(message)
    with serving(sqlite_url) as server:
        done = ran(send.replace("http://127.0.0.1:8080", server.url), tmp_path, KEY=new_key(sqlite_url))
    assert done.returncode == 0, done.stderr
    head, *rest = done.stdout.splitlines()
    shown_head, *shown_rest = shown.splitlines()
    assert rest == shown_rest
    same = (*range(6), *range(7, 9), *range(10, 18))
    assert [head.split("|")[place] for place in same] == [shown_head.split("|")[place] for place in same]


def test_the_settings_of_the_hl7_page_are_kept(tmp_path: Path, sqlite_url: str) -> None:
    _, settings, _ = blocks("docs/hl7v2.md", "sh")
    new_key(sqlite_url)
    done = ran(settings, tmp_path, QUIETCUFF_DATABASE_URL=sqlite_url)
    kept = {"time_zone": "Europe/Amsterdam", "authorities": {"WESTWING": "urn:oid:2.999.41"}}
    assert done.returncode == 0 and json.loads(done.stdout) == kept
    wrong = "quietcuff tenants set clinic --time-zone Europe/Nowhere --authority WESTWING"
    assert ran(wrong, tmp_path, QUIETCUFF_DATABASE_URL=sqlite_url).returncode == 1


def test_the_import_commands_of_the_operator_page_store_a_file_and_keep_what_is_refused(
    tmp_path: Path, sqlite_url: str
) -> None:
    store, mend = [block for block in blocks("docs/operator.md", "sh") if "refused.ndjson" in block]
    two_lines(tmp_path)
    new_key(sqlite_url)
    done = ran(store, tmp_path, QUIETCUFF_DATABASE_URL=sqlite_url)
    assert done.returncode == 3 and "1 stored, 0 stored before, 1 refused" in done.stderr, done.stderr
    assert len((tmp_path / "answers.ndjson").read_text().splitlines()) == 3
    assert ran(mend, tmp_path).returncode == 0
    assert (tmp_path / "mended.ndjson").read_text() == (tmp_path / "sittings.ndjson").read_text().splitlines(keepends=True)[1]


def test_the_commands_of_the_spreadsheet_page_do_what_it_says(tmp_path: Path, sqlite_url: str) -> None:
    template, plain, store, send, mapped, faulty = blocks("docs/spreadsheet.md", "sh")
    (tmp_path / "docs").symlink_to(TOP / "docs")
    with serving(sqlite_url) as server:
        key = new_key(sqlite_url)
        sent = ran(send.replace("http://127.0.0.1:8080", server.url), tmp_path, KEY=key)
    assert json.loads(sent.stdout.splitlines()[-1]) == {"end": True, "lines": 1, "stored": 1, "replayed": 0, "refused": 0}
    for told in ("3 stored, 0 stored before", "0 stored, 3 stored before"):
        assert told in ran(store, tmp_path, QUIETCUFF_DATABASE_URL=sqlite_url).stderr
    assert ran(template, tmp_path).returncode == 0 and (tmp_path / "messungen.csv").read_text("utf-8").startswith("\ufeff")
    assert "3 sittings, 3 with a result" in ran(plain, tmp_path).stdout
    # 18.4 and 11.45 kPa are the means: 138.0 and 85.9 mmHg.
    assert "138/86" in ran(mapped, tmp_path).stdout
    done = ran(faulty, tmp_path)
    (shown,) = blocks("docs/spreadsheet.md", "text")
    assert done.returncode == 1 and [line.rstrip() for line in done.stderr.splitlines()] == shown.splitlines()
    (mapping,) = blocks("docs/spreadsheet.md", "toml")
    examples = TOP / "docs/examples"
    assert mapping == (examples / "clinic-list.toml").read_text("utf-8")
    assert tomllib.loads(mapping) == json.loads((examples / "clinic-list.json").read_bytes())


def page_text(name: str) -> str:
    return (TOP / f"docs/{name}.md").read_text("utf-8")


def test_the_rules_page_says_what_the_rule_files_say() -> None:
    written = runpy.run_path(str(TOP / "docs/write_rules_page.py"))["page"]()
    assert (TOP / "docs/rules.md").read_text("utf-8") == written


def test_the_example_of_a_trend_is_the_picture_that_is_drawn() -> None:
    drawn = runpy.run_path(str(TOP / "docs/write_trend_picture.py"))["picture"]()
    assert (TOP / "docs/trend.svg").read_bytes() == drawn


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_links_lead_somewhere(page: Path) -> None:
    for target in re.findall(r"\]\(([^)#]+)(?:#[^)]*)?\)", page.read_text("utf-8")):
        assert "://" not in target, target
        assert (page.parent / target).exists(), target


@pytest.mark.parametrize("page", ["integrator", "gateway", "operator", "authorization", "delivery"])
def test_every_route_that_a_guide_names_is_served(page: str) -> None:
    paths = json.loads((TOP / "openapi/openapi.json").read_bytes())["paths"]
    served = {(method.upper(), re.sub(r"{\w+}", "{}", path)) for path, methods in paths.items() for method in methods}
    text = (TOP / f"docs/{page}.md").read_text("utf-8")
    named = {
        (method, re.sub(r"{\w+}", "{}", path)) for method, path in re.findall(r"`(GET|POST|PATCH|DELETE) (/[^`?\s]*)", text)
    }
    named |= {("GET", path) for path in re.findall(r"`(/health/\w+)`", text)}
    assert named
    assert named - served == set()


def test_the_payloads_of_the_gateway_page_are_stored(tmp_path: Path, sqlite_url: str) -> None:
    sends = [block for block in blocks("docs/gateway.md", "sh") if "/v1/device-payloads/" in block]
    with serving(sqlite_url) as server:
        key = new_key(sqlite_url)
        told = [ran(send.replace("http://127.0.0.1:8080", server.url), tmp_path, KEY=key).stdout for send in sends]
    # 0x8e and 0x5b in the bytes; the two components of the Observation.
    for answer, pressures in zip(map(json.loads, told), ((142, 91), (142, 88)), strict=True):
        (envelope,) = answer["reading_sets"]
        (reading,) = envelope["reading_set"]["readings"]
        assert (reading["systolic_mmhg"], reading["diastolic_mmhg"], answer["refused"]) == (*pressures, [])
