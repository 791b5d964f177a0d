"""Bodies that the OpenAPI document does not allow are not taken: each example with one thing in it changed."""

from __future__ import annotations

import copy
import json
import random
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import jsonschema_rs

DOCUMENT = json.loads((Path(__file__).parents[2] / "openapi" / "openapi.json").read_bytes())
REFUSED = {400, 413, 415, 422}
NOBODY = "00000000-0000-4000-8000-000000000000"
TIMES = (
    *("2026-05-04 09:00:00Z", "2026-05-04T09:00:00+0200", "2026-05-04 09:00:00.5+02:00", "2026-05-04t09:00:00z"),
    *("2026-05-04T09:00:00", "2026-05-04T09:00Z", "2026-05-04T24:00:00Z", "2026-05-04T09:00:00+02", "20260504T090000Z"),
    *("2026-05-04", "2026-02-30", "2026", 1777885200),
)
VALUES = (
    *(None, True, 0, 1, -1, 1.0, 1.5, 10**6, 10**30, 1e300, "", " ", "x", "x" * 5000, "1", "true", "a\0b", "\n", "Yes"),
    *([], {}, ["x"], [None], {"x": 1}, NOBODY),
)
Path_ = tuple[str | int, ...]


def places(value: Any, place: Path_ = ()) -> Iterator[Path_]:
    """Every place in a body; of a list that of its first."""
    yield place
    inner = list(value.items()) if isinstance(value, dict) else list(enumerate(value))[:1] if isinstance(value, list) else []
    for name, part in inner:
        yield from places(part, (*place, name))


def at(value: Any, place: Path_) -> Any:
    for name in place:
        value = value[name]
    return value


def put(body: Any, place: Path_, value: Any) -> Any:
    if not place:
        return value
    changed = copy.deepcopy(body)
    at(changed, place[:-1])[place[-1]] = value
    return changed


def mutants(body: Any, place: Path_, rng: random.Random) -> Iterator[Any]:
    """The body with one thing changed. Times are always tried, of the rest some."""
    here = at(body, place)
    others: list[Any] = [*VALUES]
    if isinstance(here, dict):
        others.append({**here, "unknown_key": 1})
        others += [{name: part for name, part in here.items() if name != gone} for gone in here]
    elif isinstance(here, list):
        others += [here * 200, [*here, None]]
    elif isinstance(here, str):
        others += [here.upper(), f"{here} ", f" {here}", f"{here}\n"]
    elif isinstance(here, int | float):
        others += [str(here), -here, here * 1000, here + 0.001]
    is_time = isinstance(here, str) and here[:4].isdigit() and "-" in here
    chosen = [*(TIMES if is_time else ()), *rng.sample(others, 5)]
    yield from (put(body, place, one) for one in chosen)


def operations() -> Iterator[tuple[str, str, dict[str, Any]]]:
    """Method, address and body of what takes our own JSON. Ids are nobody's: whoever gets as far as that has taken the body."""
    for path, methods in DOCUMENT["paths"].items():
        for method, said in methods.items():
            content = said.get("requestBody", {}).get("content", {}).get("application/json")
            if content is not None and not path.startswith("/fhir"):
                yield method, path.replace("{number}", "1").replace("{", "").replace("}", "").replace("set_id", NOBODY), content


def test_no_body_is_taken_that_the_document_does_not_allow(client: httpx.Client) -> None:
    rng, asked, taken = random.Random(20261128), 0, []
    for method, address, content in operations():
        schema = {**content["schema"], "components": DOCUMENT["components"]}
        allowed = jsonschema_rs.Draft202012Validator(schema, validate_formats=True)
        done: set[tuple[str, ...]] = set()
        for example in content["examples"].values():
            assert allowed.is_valid(example["value"]), (address, example["summary"])
            for place in places(example["value"]):
                kind = tuple("*" if isinstance(name, int) else name for name in place)
                for body in mutants(example["value"], place, rng) if kind not in done else ():
                    if allowed.is_valid(body):
                        continue
                    asked += 1
                    headers = {"Content-Type": "application/json", "If-Match": '"1"'}
                    answer = client.request(method, address, content=json.dumps(body).encode(), headers=headers)
                    if answer.status_code not in REFUSED:
                        taken.append((method, address, kind, json.dumps(at(body, place) if place else body)[:80]))
                done.add(kind)
    assert taken == [] and asked > 800


def test_times_are_documented_as_they_are_taken(client: httpx.Client) -> None:
    """Space and offset: what the document allows is what is taken."""
    content = DOCUMENT["paths"]["/v1/evaluations"]["post"]["requestBody"]["content"]["application/json"]
    allowed = jsonschema_rs.Draft202012Validator(
        {**content["schema"], "components": DOCUMENT["components"]}, validate_formats=True
    )
    example = next(iter(content["examples"].values()))["value"]
    for time in TIMES:
        body = put(example, ("readings", 0, "taken_at"), time)
        answer = client.post("/v1/evaluations", json=body)
        assert allowed.is_valid(body) is (answer.status_code == 200), (time, answer.status_code)
