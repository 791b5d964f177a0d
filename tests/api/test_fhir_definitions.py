"""What the service defines of FHIR: published, valid, and true of what it emits. Base types are checked by fhirkit."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any
from uuid import uuid4

import httpx
import pytest

from api.serving import Server
from api.test_reading_sets import whole_set
from fhir_r4.profiles import faults_of

BASE = "/fhir/R4"
TYPES = ("CodeSystem", "Measure", "SearchParameter", "StructureDefinition")


def published(stranger: httpx.Client, kind: str) -> list[dict[str, Any]]:
    bundle = stranger.get(f"{BASE}/{kind}").json()
    assert faults_of(bundle) == []
    return [entry["resource"] for entry in bundle["entry"]]


@pytest.mark.parametrize("kind", TYPES)
def test_every_definition_is_valid_and_found_by_id_and_by_url(stranger: httpx.Client, kind: str) -> None:
    for one in published(stranger, kind):
        assert faults_of(one) == []
        assert stranger.get(f"{BASE}/{kind}/{one['id']}").json() == one
        [entry] = stranger.get(f"{BASE}/{kind}", params={"url": one["url"]}).json()["entry"]
        assert entry["resource"] == one
    assert stranger.get(f"{BASE}/{kind}", params={"url": "urn:example:none"}).json()["total"] == 0
    assert stranger.get(f"{BASE}/{kind}/none").status_code == 404
    assert stranger.get(f"{BASE}/{kind}", params={"title": "x"}).status_code == 400


def extensions(value: Any) -> Iterator[dict[str, Any]]:
    """Every extension in a resource, its parts too."""
    if isinstance(value, list):
        for one in value:
            yield from extensions(one)
    elif isinstance(value, dict):
        yield from value.get("extension", [])
        for one in value.values():
            yield from extensions(one)


def test_whatever_of_ours_is_emitted_is_defined(client: httpx.Client, stranger: httpx.Client) -> None:
    """Each extension by its definition: its parts, how many, and the type of each value; each code by its system."""
    whole_set(client)
    definitions = {one["url"]: one for one in published(stranger, "StructureDefinition")}
    systems = {one["url"]: one for one in published(stranger, "CodeSystem")}
    entries = client.get(f"{BASE}/Observation", params={"_count": "200"}).json()["entry"]
    seen = set()
    for found in (one for entry in entries for one in entry["resource"].get("extension", [])):
        if found["url"] not in definitions:
            assert found["url"].startswith("http://hl7.org/fhir/StructureDefinition/"), found["url"]
            continue
        seen.add(found["url"])
        elements = {one["id"]: one for one in definitions[found["url"]]["differential"]["element"]}
        parts = {id.partition(":")[2]: one for id, one in elements.items() if "sliceName" in one}
        told = [part["url"] for part in found.get("extension", [])]
        assert set(told) <= set(parts)
        for name, limits in parts.items():
            assert told.count(name) >= limits["min"] and (limits["max"] == "*" or told.count(name) <= int(limits["max"]))
        for part in found.get("extension", [found]):
            place = "Extension.value[x]" if part is found else f"Extension.extension:{part['url']}.value[x]"
            [type] = elements[place]["type"]
            assert f"value{type['code'][0].upper()}{type['code'][1:]}" in part
            for coding in part.get("valueCodeableConcept", {}).get("coding", []):
                system = systems[coding["system"]]
                known = {concept["code"] for concept in system["concept"]}
                assert coding["code"] in known or system["content"] == "fragment", coding
    assert {url.rpartition("/")[2] for url in seen} >= {
        "sitting-setting",
        "result-protocol",
        "sitting-state",
        "label-certainty",
    }


def test_observations_are_found_by_what_their_extensions_say(server: Server) -> None:
    """Each own parameter against a plain filter over what is emitted, of a tenant whose Observations fit one page."""
    with server.client(tenant=f"own-{uuid4()}") as client:
        whole_set(client)
        look_for_extensions(client)


def look_for_extensions(client: httpx.Client) -> None:
    every = [one["resource"] for one in client.get(f"{BASE}/Observation", params={"_count": "200"}).json()["entry"]]
    for name, ending in (("protocol", "result-protocol"), ("state", "sitting-state"), ("finding", "sitting-finding")):
        check(client, every, name, lambda one, ending=ending: [e for e in extensions(one) if e["url"].endswith(f"/{ending}")])
    check(client, every, "setting", lambda one: [e for e in extensions(one) if e["url"] == "setting"])
    check(client, every, "label", lambda one: [{"valueCodeableConcept": said} for said in labels(one)])


def labels(one: dict[str, Any]) -> list[dict[str, Any]]:
    """What guidelines call a result."""
    own = [[c for c in said["coding"] if c["system"].startswith("urn:")] for said in one.get("interpretation", [])]
    return [{"coding": coding} for coding in own if coding]


def check(client: httpx.Client, every: list[dict[str, Any]], name: str, said: Any) -> None:
    told = {
        one["id"]: {(c["system"], c["code"]) for e in said(one) for c in e["valueCodeableConcept"]["coding"]} for one in every
    }
    known = set().union(*told.values())
    assert known, name
    for system, code in [*known, ("urn:example:none", "none")]:
        for text, wanted in ((f"{system}|{code}", {(system, code)}), (code, {pair for pair in known if pair[1] == code})):
            answer = client.get(f"{BASE}/Observation", params={name: text, "_count": "200"}).json()
            assert {one["resource"]["id"] for one in answer.get("entry", [])} == {
                id for id, own in told.items() if own & wanted
            }
