"""The record sheet over HTTP: the format that is asked for, whose it is, and a page that can do nothing. On both databases."""

from __future__ import annotations

from base64 import b64encode
from hashlib import sha256
from typing import Any
from uuid import uuid4

import httpx
import pytest

from api.serving import Server, problem
from api.test_reading_sets import PATH, named, void, whole_set
from bodies import OPENED_SET
from quietcuff.cli import main

HOSTILE = "\"><script>alert('1')</script>"
PAGE = {"Accept": "text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8"}


def sheet(client: httpx.Client, path: str, **headers: str) -> str:
    answer = client.get(f"{path}/sheet", headers=headers)
    assert answer.status_code == 200, answer.text
    assert (answer.headers["Vary"], answer.headers["Cache-Control"]) == ("Accept, Accept-Language", "no-store")
    return answer.text


@pytest.mark.parametrize(
    ("accept", "media_type"),
    [
        (None, "text/plain"),
        ("*/*", "text/plain"),
        ("text/*", "text/plain"),
        ("text/html", "text/html"),
        (PAGE["Accept"], "text/html"),
        ("text/html;q=0.5, text/plain;q=0.4", "text/html"),
        ("text/plain;q=0, */*;q=0.1", "text/html"),
        ("TEXT/HTML ; Q=1.0", "text/html"),
        ("application/json, text/plain;q=0.001", "text/plain"),
    ],
)
def test_the_sheet_comes_in_the_format_that_is_asked_for(desk: httpx.Client, accept: str | None, media_type: str) -> None:
    """Source: RFC 9110, 12.5.1: the closest range gives a type its weight, and nought refuses it."""
    path, envelope = whole_set(desk)
    request = desk.build_request("GET", f"{path}/sheet")
    del request.headers["Accept"]
    if accept is not None:
        request.headers["Accept"] = accept
    answer = desk.send(request)
    assert (answer.status_code, answer.headers["Content-Type"]) == (200, f"{media_type}; charset=utf-8")
    assert answer.text.startswith("<!doctype html>" if media_type == "text/html" else "Record of blood pressure\n===")
    for said in (envelope["id"], "145/90", "no: in the other arm", envelope["evaluation"]["record_line"].split(";")[0]):
        assert said in " ".join(answer.text.split())


@pytest.mark.parametrize("accept", ["application/json", "text/html;q=0", "image/*, text/plain;q=0.0", "text/html;q=much"])
def test_another_format_is_refused(desk: httpx.Client, accept: str) -> None:
    path, _ = whole_set(desk)
    found = problem(desk.get(f"{path}/sheet", headers={"Accept": accept}), 406, "format-not-offered")
    assert found["detail"] == "Accept text/plain or text/html."


def test_the_page_has_its_own_style_and_nothing_else(desk: httpx.Client) -> None:
    """Source: Content Security Policy Level 3, 2.3.1: the hash is of the element's text."""
    path, _ = whole_set(desk)
    answer = desk.get(f"{path}/sheet", headers=PAGE)
    style = answer.text.partition("<style>")[2].partition("</style>")[0]
    digest = b64encode(sha256(style.encode()).digest()).decode()
    policy = dict(part.strip().split(" ", 1) for part in answer.headers["Content-Security-Policy"].split(";"))
    assert policy == {
        "default-src": "'none'",
        "style-src": f"'sha256-{digest}'",
        "base-uri": "'none'",
        "form-action": "'none'",
        "frame-ancestors": "'none'",
    }
    assert answer.text.count("<style") == 1 and "style=" not in answer.text


def test_the_sheet_that_the_caller_has_is_not_sent_again(desk: httpx.Client) -> None:
    path, _ = whole_set(desk)
    first = desk.get(f"{path}/sheet")
    tag = {"If-None-Match": first.headers["ETag"]}
    assert desk.get(f"{path}/sheet", headers=tag).status_code == 304
    assert desk.get(f"{path}/sheet", headers={**tag, **PAGE}).status_code == 200
    desk.post(f"{path}/corrections", json=void(0), headers={"If-Match": '"1"'})
    assert desk.get(f"{path}/sheet", headers=tag).status_code == 200


def test_an_open_an_amended_and_a_voided_set_say_so(desk: httpx.Client) -> None:
    opened = desk.post(PATH, json=named(OPENED_SET)).headers["Location"]
    assert "OPEN: " in sheet(desk, opened) and "State: In progress" in sheet(desk, opened)
    path, _ = whole_set(desk)
    assert not any(word in sheet(desk, path) for word in ("OPEN", "AMENDED", "VOIDED"))
    desk.post(f"{path}/corrections", json=void(0), headers={"If-Match": '"1"'})
    told = sheet(desk, path)
    assert "AMENDED: " in told and "no: taken back" in told and "Version 2: corrected, " in told and "Version: 2" in told
    gone = {"reason": "another person", "changes": [{"change": "void-set"}]}
    assert desk.post(f"{path}/corrections", json=gone, headers={"If-Match": '"2"'}).status_code == 200
    for told in (sheet(desk, path), sheet(desk, path, **PAGE)):
        assert "VOIDED: this sitting was taken back." in told and "another person" in told


def test_hostile_text_stays_text(desk: httpx.Client) -> None:
    hostile = {"system": "urn:example:staff", "value": HOSTILE}
    subject = {**OPENED_SET["subject"], "identifier": {"system": "urn:example:mrn", "value": f"{uuid4()}{HOSTILE}"}}
    body = named(OPENED_SET) | {"subject": subject, "observer": hostile, "location": hostile, "cuff": {"size": HOSTILE}}
    path = desk.post(PATH, json=body).headers["Location"]
    page = sheet(desk, path, **PAGE)
    assert "<script" not in page and page.count("&lt;script&gt;") >= 5 and "alert(&#x27;1&#x27;)" in page
    assert HOSTILE in sheet(desk, path)


def test_who_may_not_read_the_set_has_no_sheet_of_it(desk: httpx.Client, service: Server) -> None:
    path, _ = whole_set(desk)
    problem(desk.get(f"{PATH}/{uuid4()}/sheet"), 404, "not-found")
    problem(desk.get(f"{PATH}/none-such/sheet"), 404, "not-found")
    with service.client(tenant="another") as other:
        problem(other.get(f"{path}/sheet"), 404, "not-found")
    with service.client(scopes="system/Observation.cus system/Patient.r") as writer:
        problem(writer.get(f"{path}/sheet"), 403, "not-allowed")
    with service.client_of(None) as stranger:
        problem(stranger.get(f"{path}/sheet"), 401, "not-authenticated")


def test_a_set_that_was_deleted_has_no_sheet(service: Server, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("QUIETCUFF_DATABASE_URL", service.database_url)
    tenant = f"sheet-{uuid4()}"
    with service.client(tenant=tenant) as client:
        path, envelope = whole_set(client)
        erased: Any = main(["retention", "erase", "--tenant", tenant, envelope["subject_id"]])
        assert erased == 0
        problem(client.get(f"{path}/sheet"), 410, "deleted")
        problem(client.get(f"{path}/sheet", headers=PAGE), 410, "deleted")
