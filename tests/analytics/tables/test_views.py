"""The ViewDefinitions of SQL on FHIR v2 over an export give the columns that the tables have.

Every path is evaluated by fhirpathpy, an engine that is not ours; what is left of a runner for these views, ``where``, columns
and one ``forEach``, is here. Source: SQL on FHIR 2.0, ViewDefinition.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from fhirpathpy import compile as compiled
from fhirpathpy.models import models

from analytics.tables.test_tables import fill, rows
from application.clinic import Clinic, open_clinic, reading, sitting
from application.exports import export
from quietcuff.analytics.tables.schema import table_named
from quietcuff.rules.catalog import load_rulebook
from quietcuff.storage.engine.store import Store

pytestmark = pytest.mark.anyio
VIEWS = Path(__file__).parents[3] / "docs/views"
OWN = {
    "getReferenceKey": {
        "fn": lambda nodes, *_: [node["reference"].split("/")[1] for node in plain(nodes)],
        "arity": {1: ["TypeSpecifier"], 0: []},
    }
}
Resource = dict[str, Any]


def plain(nodes: Any) -> list[Any]:
    return [getattr(node, "data", node) for node in nodes]


class Runner:
    """A view over resources."""

    def __init__(self, name: str) -> None:
        self.view = json.loads((VIEWS / f"{name}.json").read_bytes())
        self._paths: dict[str, Any] = {}

    def value(self, path: str, resource: Resource) -> list[Any]:
        if path not in self._paths:
            self._paths[path] = compiled(path, models["r4"], {"userInvocationTable": OWN})
        return list(self._paths[path](resource))

    def rows(self, resources: list[Resource]) -> list[Resource]:
        wanted = [one for one in resources if one["resourceType"] == self.view["resource"]]
        kept = [one for one in wanted if all(self.value(where["path"], one) == [True] for where in self.view["where"])]
        return [row for one in kept for select in self.view["select"] for row in self.selected(select, one)]

    def selected(self, select: Resource, focus: Resource) -> Iterator[Resource]:
        below = [focus] if "forEach" not in select else self.value(select["forEach"], focus)
        for one in below:
            own = {column["name"]: self.only(column["path"], one) for column in select.get("column", [])}
            inner = [row for part in select.get("select", []) for row in self.selected(part, focus)]
            yield from [own | row for row in inner] if select.get("select") else [own]

    def only(self, path: str, focus: Resource) -> Any:
        found = self.value(path, focus)
        assert len(found) < 2, path
        return found[0] if found else None


@pytest.fixture
async def clinic(store: Store) -> Clinic:
    clinic = await open_clinic(store, load_rulebook())
    await fill(clinic, 50)
    for person in ("p-70", "p-71"):
        await clinic.receive(sitting(person=person))
    await clinic.receive(sitting([reading(0)], person="p-72"))
    clinic.clock.move(minutes=1)
    return clinic


def counted(rows: list[Resource], columns: set[str]) -> Counter[Any]:
    return Counter(tuple(as_number(row[name]) for name in sorted(columns)) for row in rows)


def as_number(value: Any) -> Any:
    return float(value) if isinstance(value, Decimal | int) else value


@pytest.mark.parametrize(
    ("name", "columns"),
    [
        (
            "sets",
            {
                *("set_id", "person_key", "systolic_mmhg", "diastolic_mmhg", "counted", "observer", "location"),
                *("setting", "attendance", "protocol", "protocol_version", "state", "unusable_reason"),
            },
        ),
        ("readings", {"set_id", "person_key", "systolic_mmhg", "diastolic_mmhg", "site", "position", "method", "observer"}),
        ("labels", {"set_id", "person_key", "guideline", "guideline_version", "category", "label"}),
        ("devices", {"device", "manufacturer", "model"}),
    ],
)
async def test_a_view_over_the_export_gives_the_table_s_columns(clinic: Clinic, name: str, columns: set[str]) -> None:
    _, resources = await export(clinic)
    view = Runner(name).rows([one for found in resources.values() for one in found])
    table = (await rows(clinic, name, identified=True))[name]
    if name == "sets":
        table = [row for row in table if row["systolic_mmhg"] is not None or (row["closed"] and row["attempts"])]
        assert 0 < sum(row["systolic_mmhg"] is None for row in table) < len(table)
    if name == "labels":
        table = [row for row in table if row["category"] is not None]
    definition = table_named(name)
    assert definition is not None and columns <= {column.name for column in definition.columns}
    assert columns <= set(view[0]) and len(view) > 0
    assert counted(view, columns) - counted(table, columns) == counted(table, columns) - counted(view, columns) == Counter()


def test_views_have_the_elements_that_a_view_must_have() -> None:
    for path in sorted(VIEWS.glob("*.json")):
        view = json.loads(path.read_bytes())
        assert view["resourceType"] == "ViewDefinition" and view["status"] == "active" and view["name"] == path.stem
        assert view["resource"] in ("Observation", "Device") and view["select"] and view["description"]
