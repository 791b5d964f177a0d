"""Answers in the reader's language: made when they are read, while what is stored stays as it is. On both databases."""

from __future__ import annotations

from typing import Any

import httpx
import pytest

from api.serving import Server
from api.test_reading_sets import PATH, named, reading
from bodies import FIRST_READING, OPENED_SET

READINGS = [FIRST_READING, reading(70, 150, 92), reading(140, 146, 90), reading(210, 144, 90)]
GERMAN = {"Accept-Language": "pt, de-AT;q=0.8, en;q=0.5"}


def whole_set() -> dict[str, Any]:
    """The body of a closed set of four readings."""
    return named(OPENED_SET, closed=True, readings=READINGS)


@pytest.fixture
def stored(service: Server) -> Any:
    with service.client() as client:
        answer = client.post(PATH, json=whole_set())
        assert answer.status_code == 201, answer.text
        yield client, answer


def test_a_set_is_read_in_the_language_asked_for_and_stays_as_it_was(stored: tuple[httpx.Client, httpx.Response]) -> None:
    client, first = stored
    path = f"{PATH}/{first.json()['id']}"
    german, spanish = client.get(path, headers=GERMAN), client.get(path, params={"lang": "es"}, headers=GERMAN)
    assert (german.headers["Content-Language"], german.headers["Vary"]) == ("de", "Accept-Language")
    assert spanish.headers["Content-Language"] == "es"
    told = german.json()
    assert told["words"]["language"] == "de" and told["words"]["machine_drafted"] is True
    assert told["words"]["for_the_person"].startswith("Ihr Blutdruck war diesmal ")
    assert told["evaluation"]["cautions"] != first.json()["evaluation"]["cautions"]
    assert told["reading_set"] == first.json()["reading_set"]
    assert spanish.json()["words"]["for_the_person"].startswith("Esta vez su tensión")
    again = client.get(path)
    assert again.content == first.content
    assert (again.headers["Content-Language"], again.headers["Vary"]) == ("en", "Accept-Language")
    assert "words" not in again.json()


def test_an_answer_to_a_change_and_its_repeat_are_said_too(service: Server) -> None:
    with service.client() as client:
        body, key = whole_set(), {"Idempotency-Key": "said-in-french"}
        first = client.post(PATH, json=body, headers={**key, "Accept-Language": "fr"})
        repeated = client.post(PATH, json=body, headers=key)
        said = client.post(PATH, json=body, params={"lang": "fr"}, headers=key)
    assert first.status_code == 201 and first.json()["words"]["language"] == "fr"
    assert "words" not in repeated.json() and repeated.headers["Idempotency-Replayed"] == "true"
    assert said.json() == first.json()


def test_an_unknown_language_is_answered_in_english_and_says_so(client: httpx.Client) -> None:
    body = whole_set()
    plain, unknown = (
        client.post("/v1/evaluations", json=body),
        client.post("/v1/evaluations", json=body, params={"lang": "tlh"}),
    )
    assert unknown.headers["Content-Language"] == "en" and unknown.json()["words"]["language"] == "en"
    assert plain.headers["Content-Language"] == "en" and "words" not in plain.json()
    any_language = client.post("/v1/evaluations", json=body, headers={"Accept-Language": "*"})
    assert any_language.content == plain.content


def test_a_set_in_a_language_is_not_sent_again_and_its_tag_names_its_version(
    stored: tuple[httpx.Client, httpx.Response],
) -> None:
    client, first = stored
    path = f"{PATH}/{first.json()['id']}"
    german = client.get(path, headers=GERMAN).headers["ETag"]
    again = client.get(path, headers=GERMAN | {"If-None-Match": german})
    assert (again.status_code, again.content, again.headers["ETag"]) == (304, b"", german)
    # Another language is another answer, and so is the one without any.
    for other in (
        client.get(path, headers={"If-None-Match": german}),
        client.get(f"{path}?lang=es", headers={"If-None-Match": german}),
    ):
        assert other.status_code == 200 and other.headers["ETag"] != german
    body = {"reason": "typing error", "changes": [{"change": "void-set"}]}
    for tag, status in ((german.replace("1.", "2."), 412), (german, 200)):
        assert client.post(f"{path}/corrections", json=body, headers={"If-Match": tag}).status_code == status


def test_a_dry_run_says_how_sure_and_of_each_reading_whether_it_counts(client: httpx.Client) -> None:
    answer = client.post("/v1/evaluations", json=whole_set(), params={"lang": "en"}).json()
    words = answer["words"]
    assert len(words["readings"]) == len(answer["readings"])
    assert [each["guideline"] for each in words["how_sure"]] == [each["guideline"] for each in answer["certainty"]]
    assert words["state"] == "The sitting is complete."


def test_a_sheet_and_a_summary_are_said_in_the_language(stored: tuple[httpx.Client, httpx.Response]) -> None:
    client, first = stored
    path = f"{PATH}/{first.json()['id']}/sheet"
    german = client.get(path, params={"lang": "de"}, headers={"Accept": "text/html"})
    assert '<html lang="de">' in german.text and "Blutdruckprotokoll" in german.text and "linker Oberarm" in german.text
    assert german.headers["Content-Language"] == "de" and german.headers["ETag"] != client.get(path).headers["ETag"]
    summary = f"/v1/subjects/{first.json()['subject_id']}/summary"
    said, plain = client.get(summary, params={"lang": "fr"}), client.get(summary)
    assert said.json()["cautions"][1] == "Ne changez jamais un traitement pour cela seul."
    assert said.json().keys() == plain.json().keys() and plain.headers["Content-Language"] == "en"


def test_the_catalogue_of_words_is_whole_and_cacheable(client: httpx.Client) -> None:
    english, german = client.get("/v1/words"), client.get("/v1/words", params={"lang": "de"})
    assert german.headers["Content-Language"] == "de" and german.json()["machine_drafted"] is True
    assert english.json()["languages"] == ["en", "de", "fr", "es"]
    for kind, entries in english.json()["words"].items():
        spoken = german.json()["words"][kind]
        shape = [(each["code"], each["parameters"], each["question"] is None) for each in entries]
        assert [(each["code"], each["parameters"], each["question"] is None) for each in spoken] == shape
    known = client.get("/v1/words", params={"lang": "de"}, headers={"If-None-Match": german.headers["ETag"]})
    assert known.status_code == 304
    assert english.headers["ETag"] != german.headers["ETag"] and "max-age" in german.headers["Cache-Control"]
    refused = client.get("/v1/words", params={"language": "de"})
    assert refused.status_code == 422
