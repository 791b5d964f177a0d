"""Hundreds of searches as clients send them, each against a plain model of what FHIR R4 says that it finds.

The model reads nothing but the resources that a bulk export holds. A search matches it to the last entry, or is refused with
400 and named; it is never wider, and never empty where something is to be found. Source: FHIR R4 search (3.1.1).
"""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from typing import Any

import httpx
import msgspec
import pytest

from api.serving import Server, serving
from api.test_bulk import PUBLIC, exported
from api.test_fhir import BASE
from databases import SqliteFiles
from fhir_r4.archive import filled
from fhir_r4.plain_filter import (
    ELEMENTS,
    PREFIXES,
    Drawer,
    Filter,
    Resource,
    escaped,
    measured,
    spelled,
    updated,
    within,
)
from quietcuff.application import close_idle_sets, open_desk
from quietcuff.rules.catalog import load_rulebook
from quietcuff.storage.engine.store import open_store

SETS, PEOPLE, SEARCHES, OTHER_SEARCHES = 60, 5, 300, 40
ORDERS = {"date": measured, "-date": measured, "_lastUpdated": updated, "-_lastUpdated": updated}
INCLUDES = ("Observation:patient", "Observation:subject", "Observation:device", "Observation:derived-from")
ELEMENT_NAMES = ("subject", "effective", "value", "component", "device", "note", "method", "performer", "derivedFrom")
KEPT = {"resourceType", "id", "meta", "status", "code"}
# R4's definition of Observation: what is marked as summary there.
SUMMARY = KEPT | {
    *("identifier", "basedOn", "subject", "encounter", "effectiveDateTime", "effectivePeriod", "issued", "performer"),
    *("valueQuantity", "derivedFrom", "component"),
}
Condition = tuple[str, str, Filter]


class Archive:
    """What a server holds, as a bulk export of it tells, and a client of it."""

    def __init__(self, http: httpx.Client) -> None:
        self.http = http
        _, self.resources = exported(http)
        self.resources["AuditEvent"] = [one for one, _ in self.pages("AuditEvent", [])[0]]
        self.by_address = {f"{kind}/{one['id']}": one for kind, found in self.resources.items() for one in found}

    def ask(self, kind: str, items: list[tuple[str, str]], *, by_post: bool = False) -> httpx.Response:
        if by_post:
            half = len(items) // 2
            headers = {"Content-Type": "application/x-www-form-urlencoded"}
            body = str(httpx.QueryParams(items[half:]))
            return self.http.post(f"{BASE}/{kind}/_search", params=items[:half], content=body, headers=headers)
        return self.http.get(f"{BASE}/{kind}", params=items)

    def pages(
        self, kind: str, items: list[tuple[str, str]], *, by_post: bool = False
    ) -> tuple[list[tuple[Resource, str]], list[int | None]]:
        """Every entry of all pages with its mode, and the total that each page told."""
        answer, found, totals = self.ask(kind, items, by_post=by_post), [], []
        while True:
            assert answer.status_code == 200, (items, answer.text)
            bundle = msgspec.json.decode(answer.content)
            totals.append(bundle.get("total"))
            found += [(entry["resource"], entry["search"]["mode"]) for entry in bundle.get("entry", [])]
            following = [link["url"] for link in bundle["link"] if link["relation"] == "next"]
            if not following:
                return found, totals
            answer = self.http.get(following[0].removeprefix(PUBLIC))


@pytest.fixture(scope="module")
def archive(sqlite_files: SqliteFiles) -> Iterator[Archive]:
    """A server whose clinic has sittings of every shape, some corrected and voided."""
    url = sqlite_files.new()

    async def fill() -> None:
        store = open_store(url)
        book = load_rulebook()
        await filled(store, book, SETS, PEOPLE)
        # The service closes idle sets beside the requests: done now, nothing moves between the export and the searches.
        while await close_idle_sets(open_desk(store, book)):
            pass
        await store.close()

    asyncio.run(fill())
    with serving(url) as server, client_of(server) as http:
        yield Archive(http)


def client_of(server: Server) -> httpx.Client:
    return server.client(scopes="system/*.rs")


def identified(resources: list[Resource]) -> dict[str, tuple[str, str]]:
    return {
        one["id"]: (one["identifier"][0]["system"], one["identifier"][0]["value"]) for one in resources if "identifier" in one
    }


def test_searches_of_observations_find_what_the_model_finds(archive: Archive) -> None:
    observations = archive.resources["Observation"]
    people, devices = identified(archive.resources["Patient"]), identified(archive.resources["Device"])
    drawer, hits = Drawer(observations, people, devices, seed=20261128), 0
    for _ in range(SEARCHES):
        drawn = [mixed(drawer) for _ in range(drawer.rng.choice([1, 1, 2, 2, 3]))]
        expected = {one["id"]: one for one in observations if all(holds(one) for _, _, holds in drawn)}
        check_observations(archive, drawer.rng, [(name, text) for name, text, _ in drawn], expected)
        hits += bool(expected)
    assert hits > SEARCHES // 4


def test_sittings_without_a_result_are_found_as_such_and_by_no_value(archive: Archive) -> None:
    results = [one for one in archive.resources["Observation"] if one["id"].endswith("-mean")]
    without = {one["id"] for one in results if "dataAbsentReason" in one}
    standing = {one["id"] for one in results if one["id"] in without and one["status"] != "entered-in-error"}
    assert len(results) - len(without) > 10 < len(standing)
    assert len({one["status"] for one in results if one["id"] in without}) > 1
    code, here = ("code", "http://loinc.org|96607-7"), ("status:not", "entered-in-error")
    asked: dict[str, list[tuple[str, str]]] = {
        "whole": [code],
        "missing": [code, ("derived-from:missing", "true")],
        "there": [code, ("derived-from:missing", "false")],
        "state": [("state", "not-usable"), here],
        **{
            f"{name}={part}${value}": [code, (name, f"{part}${value}")]
            for name in ("component-code-value-quantity", "combo-code-value-quantity")
            for part in ("96608-5", "96609-3")
            for value in ("ge0", "lt1000", "ne1", "ap120")
        },
    }
    found = {name: {one["id"] for one, _ in archive.pages("Observation", items)[0]} for name, items in asked.items()}
    assert found.pop("whole") == {one["id"] for one in results}
    assert found.pop("missing") == without and found.pop("state") == standing
    with_one = found.pop("there")
    assert with_one == {one["id"] for one in results} - without
    assert all(ids <= with_one for ids in found.values()) and found["combo-code-value-quantity=96609-3$ge0"] == with_one


def mixed(drawer: Drawer) -> Condition:
    """A condition, or two of one parameter as alternatives, whose forms are mixed."""
    name, text, holds = drawer.condition()
    if name.endswith((":not", ":missing")) or drawer.rng.random() < 0.6:
        return name, text, holds
    for _ in range(60):
        other, more, also = drawer.condition()
        if other == name:
            return name, f"{text},{more}", either(holds, also)
    return name, text, holds


def either(holds: Filter, also: Filter) -> Filter:
    return lambda one: holds(one) or also(one)


def check_observations(
    archive: Archive, rng: random.Random, items: list[tuple[str, str]], expected: dict[str, Resource]
) -> None:
    """One search in a shape that is drawn."""
    order, part, total = rng.choice([None, *ORDERS]), rng.choice(["", "", "elements", "true", "text", "data"]), rng.random()
    count = rng.choice([3, 20, 200]) if len(expected) < 120 else 200
    shape = [("_count", str(count))] + ([("_sort", order)] if order else [])
    names = rng.sample(ELEMENT_NAMES, 2)
    shape += [("_elements", ",".join(names))] if part == "elements" else [("_summary", part)] if part else []
    shape += [("_total", "accurate")] if total < 0.5 else []
    include = rng.choice([None, None, *INCLUDES, "Provenance:target"])
    if include:
        shape.append(("_revinclude" if include.startswith("Provenance") else "_include", include))
    said = [*items, *shape]
    found, totals = archive.pages("Observation", said, by_post=rng.random() < 0.3)
    matches = [one for one, mode in found if mode == "match"]
    ids = [one["id"] for one in matches]
    assert len(ids) == len(set(ids)) and set(ids) == set(expected), said
    assert {total for total in totals if total is not None} <= {len(expected)}, said
    assert total >= 0.5 or totals[0] == len(expected), said
    if order:
        starts = [ORDERS[order](expected[one])[0] for one in ids]
        assert starts == sorted(starts, reverse=order.startswith("-")), said
    check_parts(matches, expected, part, names)
    came = {f"{one['resourceType']}/{one['id']}" for one, mode in found if mode == "include"}
    # What was found itself on the same page does not come along once more; other pages know nothing of it.
    wanted = {name for name in come_along(archive, include, expected)}
    own = {f"Observation/{one}" for one in expected}
    assert came - own == wanted - own and came <= wanted, said
    count_alone = archive.ask("Observation", [*items, rng.choice([("_summary", "count"), ("_count", "0")])]).json()
    assert count_alone["total"] == len(expected) and "entry" not in count_alone, said


def check_parts(matches: list[Resource], expected: dict[str, Resource], part: str, names: list[str]) -> None:
    """What is shown of each is the whole, or the part that was asked for and nothing else."""
    for one in matches:
        whole = expected[one["id"]]
        wanted = set(whole)
        if part == "elements":
            wanted = {name for name in whole if name in KEPT or any(name.startswith(asked) for asked in names)}
            wanted |= {"contained"} & set(whole) if "device" in names else set()
        elif part in ("true", "text"):
            wanted = set(whole) & (SUMMARY if part == "true" else KEPT)
        assert set(one) == wanted, (part, names)
        assert all(one[name] == whole[name] for name in wanted - {"meta"})
        assert ("tag" in one["meta"]) is (part in ("elements", "true", "text"))


def come_along(archive: Archive, include: str | None, expected: dict[str, Resource]) -> set[str]:
    """By the references of what was found, and by those of every Provenance."""
    if include == "Provenance:target":
        found = {f"Observation/{one}" for one in expected}
        return {
            f"Provenance/{one['id']}"
            for one in archive.resources["Provenance"]
            if any(target["reference"] in found for target in one["target"])
        }
    name = {"patient": "subject", "derived-from": "derivedFrom"}.get((include or "").partition(":")[2])
    name = name or (include or "").partition(":")[2]
    pointers = [one.get(name) or [] for one in expected.values()]
    listed = [by for each in pointers for by in (each if isinstance(each, list) else [each])]
    return {by["reference"] for by in listed if not by.get("reference", "#").startswith("#")}


Draw = Callable[[random.Random, list[Resource], "Archive"], tuple[str, Filter]]


def by_id(rng: random.Random, resources: list[Resource], archive: Archive) -> tuple[str, Filter]:
    ids = [rng.choice([rng.choice(resources)["id"], "none", "0"]) for _ in range(rng.choice([1, 2, 3]))]
    return ",".join(ids), lambda one: one["id"] in ids


def by_identifier(rng: random.Random, resources: list[Resource], archive: Archive) -> tuple[str, Filter]:
    """Alternatives of every form that names a value."""
    known = [*identified(resources).values(), ("urn:example:mrn", "nobody")]
    texts, tests = [], []
    for _ in range(rng.choice([1, 2, 3])):
        system, value = rng.choice(known)
        form = rng.choice(["both", "value", "without", "other"])
        system = "urn:example:other" if form == "other" else system
        texts.append(
            {"value": escaped(value), "without": f"|{escaped(value)}"}.get(form, f"{escaped(system)}|{escaped(value)}")
        )
        tests.append((form, system, value))

    def holds(one: Resource) -> bool:
        pairs = [(own["system"], own["value"]) for own in one.get("identifier", [])]
        return any(
            value in [own for _, own in pairs] if form == "value" else form != "without" and (system, value) in pairs
            for form, system, value in tests
        )

    return ",".join(texts), holds


def by_moment(element: Callable[[Resource], str | None]) -> Draw:
    def draw(rng: random.Random, resources: list[Resource], archive: Archive) -> tuple[str, Filter]:
        dated = [one for one in resources if element(one)]
        near = datetime.fromisoformat(element(rng.choice(dated)) or "") + timedelta(seconds=rng.choice([0, 0, 1, 3600]))
        text, low, high = rng.choice(spelled(near))
        prefix = rng.choice(PREFIXES)

        def times(one: Resource) -> tuple[datetime, datetime]:
            moment = datetime.fromisoformat(element(one) or "")
            return moment, moment

        holds = within(times, prefix, low, high)
        return prefix + text, lambda one: bool(element(one)) and holds(one)

    return draw


def by_reference(type: str, element: Callable[[Resource], list[str]]) -> Draw:
    def draw(rng: random.Random, resources: list[Resource], archive: Archive) -> tuple[str, Filter]:
        known = sorted({name for one in resources for name in element(one) if name.startswith(f"{type}/")})
        wanted = [rng.choice([*known, f"{type}/none"]) for _ in range(rng.choice([1, 2]))]
        forms = [rng.choice([name, name.partition("/")[2], f"{PUBLIC}{BASE}/{name}"]) for name in wanted]
        return ",".join(forms), lambda one: any(name in wanted for name in element(one))

    return draw


def missing(element: Callable[[Resource], Any]) -> Draw:
    def draw(rng: random.Random, resources: list[Resource], archive: Archive) -> tuple[str, Filter]:
        wanted = rng.random() < 0.5
        return str(wanted).lower(), lambda one: bool(element(one)) is not wanted

    return draw


def moved(one: Resource) -> str | None:
    found: str | None = one.get("meta", {}).get("lastUpdated")
    return found


def targets(one: Resource) -> list[str]:
    return [target["reference"] for target in one["target"]]


def audited(one: Resource) -> list[str]:
    return [entity["what"]["reference"] for entity in one.get("entity", []) if "reference" in entity.get("what", {})]


EVERY: dict[str, Draw] = {
    "_id": by_id,
    "_lastUpdated": by_moment(moved),
    "_id:missing": missing(lambda one: one["id"]),
    "_lastUpdated:missing": missing(moved),
}
OTHERS: dict[str, dict[str, Draw]] = {
    "Patient": EVERY | {"identifier": by_identifier, "identifier:missing": missing(lambda one: one.get("identifier"))},
    "Device": EVERY | {"identifier": by_identifier, "identifier:missing": missing(lambda one: one.get("identifier"))},
    "Provenance": EVERY
    | {
        "recorded": by_moment(lambda one: one["recorded"]),
        "recorded:missing": missing(lambda one: one["recorded"]),
        "target": by_reference("Observation", targets),
        "target:Observation": by_reference("Observation", targets),
        "target:missing": missing(targets),
    },
    "AuditEvent": EVERY
    | {
        "date": by_moment(lambda one: one["recorded"]),
        "patient": by_reference("Patient", audited),
        "patient:Patient": by_reference("Patient", audited),
    },
}


@pytest.mark.parametrize("kind", OTHERS)
def test_searches_of_other_types_find_what_the_model_finds(archive: Archive, kind: str) -> None:
    rng, resources, hits = random.Random(kind), archive.resources[kind], 0
    known = {one["id"] for one in resources}
    for _ in range(OTHER_SEARCHES):
        names = rng.sample(sorted(OTHERS[kind]), rng.choice([1, 1, 2]))
        drawn = [(name, *OTHERS[kind][name](rng, resources, archive)) for name in names]
        expected = {one["id"] for one in resources if all(holds(one) for _, _, holds in drawn)}
        said = [(name, text) for name, text, _ in drawn] + [
            ("_count", rng.choice(["2", "200"]) if len(expected) < 30 else "200")
        ]
        found, _ = archive.pages(kind, said, by_post=rng.random() < 0.3)
        ids = [one["id"] for one, _ in found]
        # The trail grows with each of these searches.
        assert {one for one in ids if one in known} == expected and len(ids) == len(set(ids)), said
        assert kind == "AuditEvent" or set(ids) == expected, said
        hits += bool(expected)
    assert hits > OTHER_SEARCHES // 4


# Of each type, what R4 defines and is not offered, and forms that no parameter takes.
REFUSED: dict[str, list[tuple[str, str]]] = {
    "Observation": [
        *((name, "x") for name in ("data-absent-reason", "combo-data-absent-reason", "component-data-absent-reason")),
        *((name, "x") for name in ("value-concept", "combo-value-concept", "component-value-concept", "value-string")),
        *((name, "gt100") for name in ("combo-value-quantity", "component-value-quantity", "value-date")),
        *((name, "x") for name in ("focus", "has-member", "part-of", "specimen", "dna-variant", "code-value-concept")),
        *(
            (name, "x")
            for name in ("_has:Provenance:target:recorded", "_tag", "_profile", "_security", "_text", "_content", "_list")
        ),
        *((name, "x") for name in ("_filter", "_query", "_source", "_has", "_type", "_contained")),
        *(
            (f"{name}:{word}", "x")
            for name in ("code", "category", "status", "method")
            for word in ("text", "in", "above", "below")
        ),
        *(
            (name, "x")
            for name in ("code:not-in", "code:of-type", "method:not", "component-code:not", "combo-code:not", "_id:not")
        ),
        *((name, "x") for name in ("patient:identifier", "subject:identifier", "device:identifier", "derived-from:identifier")),
        *(
            (name, "x")
            for name in ("patient.name", "subject.birthdate", "subject:Group", "subject:Group.identifier", "device.type")
        ),
        *(
            (name, "x")
            for name in ("encounter.identifier", "encounter.class", "performer.name", "based-on.status", "patient.gender")
        ),
        *(
            (name, "x")
            for name in ("performer:Practitioner.name", "derived-from.code", "encounter:Encounter", "identifier:of-type")
        ),
        *((name, "2026") for name in ("date:exact", "date:not", "date:above", "_lastUpdated:not")),
        *((name, "8480-6$gt100") for name in ("component-code-value-quantity:missing", "combo-code-value-quantity:not")),
        *((f"{name}:missing", "maybe") for name in ("date", "code", "encounter", "_id", "value-quantity")),
        *((name, "") for name in ("code", "patient", "date", "_id", "status", "encounter:identifier", "value-quantity")),
        *((name, "x,") for name in ("code", "patient", "category", "identifier")),
        *(
            ("date", text)
            for text in ("yesterday", "2026-13", "2026-05-32", "gt", "xx2026", "2026-5-4", "2026-05-04T25:00Z", "20260504")
        ),
        *(("value-quantity", text) for text in ("much", "gt", "100|mm", "1|2|3|4", "--1", "1e", "NaN", "Infinity")),
        *(("component-code-value-quantity", text) for text in ("8480-6", "8480-6$", "8480-6$much", "8480-6$1$2", "$")),
        *((name, "|") for name in ("encounter:identifier", "based-on:identifier", "patient.identifier", "device.identifier")),
        *((name, "urn:x|") for name in ("patient.identifier", "device.identifier")),
        *(("_sort", text) for text in ("code", "status", "-value-quantity", "")),
        *(("_count", text) for text in ("-1", "many", "1.5", "")),
        *(("_summary", text) for text in ("yes", "TRUE")),
        *(("_total", text) for text in ("exact", "")),
        *(
            ("_include", text)
            for text in ("Observation:encounter", "Observation:performer", "Patient:link", "Observation", "x")
        ),
        *(("_revinclude", text) for text in ("Observation:derived-from", "AuditEvent:entity", "x")),
        *((name, "Observation:patient") for name in ("_include:recurse", "_include:x")),
        *(("_elements", text) for text in ("", "a b", "subject,")),
    ],
    "Patient": [
        *(
            (name, "x")
            for name in ("birthdate", "gender", "name", "family", "given", "address", "active", "deceased", "telecom")
        ),
        *((name, "x") for name in ("link", "organization", "general-practitioner", "language", "phonetic", "email", "phone")),
        *((name, "x") for name in ("_has:Observation:patient:code", "identifier:of-type", "identifier:not", "identifier:text")),
        *((name, "x") for name in ("_id:not", "general-practitioner.name", "birthdate:missing", "gender:not")),
        ("identifier", "urn:x|"),
        ("_include", "Patient:link"),
        ("_sort", "birthdate"),
    ],
    "Device": [
        *((name, "x") for name in ("device-name", "manufacturer", "model", "patient", "status", "type", "udi-di", "location")),
        *(
            (name, "x")
            for name in (
                "organization",
                "url",
                "identifier:not",
                "type:text",
                "patient.identifier",
                "_has:Observation:device:code",
            )
        ),
        ("identifier", "urn:x|"),
    ],
    "Provenance": [
        *(
            (name, "x")
            for name in ("agent", "agent-role", "agent-type", "entity", "location", "patient", "signature-type", "when")
        ),
        *(
            (name, "x")
            for name in ("target.code", "target:Patient", "target:identifier", "agent.identifier", "patient.identifier")
        ),
    ],
    "AuditEvent": [
        *(
            (name, "x")
            for name in ("action", "address", "agent", "agent-name", "entity", "entity-type", "outcome", "type", "site")
        ),
        *((name, "x") for name in ("subtype", "source", "policy", "altid", "patient.identifier", "agent:identifier")),
    ],
}


@pytest.mark.parametrize("kind", REFUSED)
def test_what_is_not_offered_is_refused_by_its_name(archive: Archive, kind: str) -> None:
    for name, text in REFUSED[kind]:
        for by_post in (False, True):
            answer = archive.ask(kind, [(name, text)], by_post=by_post)
            assert answer.status_code == 400, (name, text, answer.text[:300])
            told = answer.json()
            assert told["resourceType"] == "OperationOutcome" and all(
                name in str(issue) for issue in told["issue"] if issue["severity"] == "error"
            ), (name, told)


def test_noise_is_left_out_and_told(archive: Archive) -> None:
    """What R4 does not define for the type: caches and vendors."""
    for name in ("_pretty", "_cacheBust", "utm_source", "_totalMethod", "birthdate", "x.y", "_x:y"):
        plain = archive.ask("Observation", [("_count", "5")]).json()
        noisy = archive.ask("Observation", [("_count", "5"), (name, "x")]).json()
        modes = [entry["search"]["mode"] for entry in noisy["entry"]]
        assert modes.count("outcome") == 1 and plain["entry"] == noisy["entry"][:-1], name
        assert name not in noisy["link"][0]["url"]


def test_the_model_asks_more_than_four_hundred(archive: Archive) -> None:
    refused = sum(map(len, REFUSED.values()))
    assert SEARCHES + OTHER_SEARCHES * len(OTHERS) + refused >= 600
    assert set(OTHERS) | {"Observation"} == set(archive.resources) and len(ELEMENTS) > 10
