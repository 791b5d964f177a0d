"""A clinic with many sets, some corrected and voided, and every Observation of it read through the bundles."""

from __future__ import annotations

import itertools
from datetime import timedelta
from typing import Any
from urllib.parse import parse_qsl, urlsplit

from core.recordings import START, SUBJECT, ambulatory_body, by_hours, home_body, home_series, reading, recording
from fhir_r4.generated import generated_bodies
from fhir_r4.plain_filter import Filter, Resource
from fhir_r4.rendered import PUBLIC_URL
from fhir_r4.stored_sets import Clinic, open_clinic
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.storage.engine.store import Store

CHANGES = [
    {"change": "void-set"},
    {"change": "void-reading", "index": 0},
    {"change": "amend-reading", "index": 0, "set": {"systolic_mmhg": 137, "diastolic_mmhg": 83}},
    {"change": "amend-reading", "index": 0, "set": {"observer": {"system": "urn:example:staff", "value": "n-1000"}}},
    {"change": "amend-reading", "index": 0, "set": {"pulse_per_min": None}},
    {"change": "amend-reading", "index": 0, "set": {"device_flags": []}},
    {"change": "amend-set", "set": {"device": {"identifier": {"system": "urn:example:device", "value": "SN-0009"}}}},
]
WAVE = 400


class Archive:
    """What is stored, and what a search finds of it."""

    def __init__(self, clinic: Clinic, observations: list[Resource], persons: list[str]) -> None:
        self.clinic, self.observations, self.persons = clinic, observations, persons

    async def found(self, *items: tuple[str, str]) -> list[str]:
        """The ids that a search finds on all its pages, in their order."""
        bundle = await self.clinic.search(*items)
        ids = self.ids_of(bundle)
        while (following := link_of(bundle, "next")) is not None:
            address = urlsplit(following)
            assert following.startswith(f"{PUBLIC_URL}/fhir/R4/Observation?")
            bundle = await self.clinic.search(*parse_qsl(address.query, keep_blank_values=True))
            ids += self.ids_of(bundle)
        return ids

    def ids_of(self, bundle: Resource) -> list[str]:
        assert bundle["type"] == "searchset"
        assert {entry["search"]["mode"] for entry in bundle.get("entry", [])} <= {"match"}
        return [entry["resource"]["id"] for entry in bundle.get("entry", [])]

    def expected(self, *filters: Filter) -> set[str]:
        return {one["id"] for one in self.observations if all(holds(one) for holds in filters)}


async def filled(store: Store, rulebook: Rulebook, sets: int, persons: int) -> Archive:
    """A clinic with its archive, and another clinic beside it."""
    clinic = await open_clinic(store, rulebook)
    bodies, stored = storable_bodies(sets, persons) + series_bodies(), []
    for begin in range(0, len(bodies), WAVE):
        stored += await clinic.receive_all(bodies[begin : begin + WAVE])
    for one, change in zip(stored[::3], itertools.cycle(CHANGES), strict=False):
        await clinic.try_to_correct(one["id"], 1, change)
    other = await open_clinic(store, rulebook, "another clinic")
    await other.receive_all(storable_bodies(5, persons))
    observations = [
        entry["resource"]
        for one in stored
        for entry in (await clinic.bundle(one["id"]))["entry"]
        if entry["resource"]["resourceType"] == "Observation"
    ]
    return Archive(clinic, observations, sorted({one["subject_id"] for one in stored}))


def storable_bodies(count: int, persons: int) -> list[dict[str, Any]]:
    """Generated bodies of a few persons that the service accepts whole."""
    made: list[dict[str, Any]] = []
    for body in generated_bodies(17):
        for one in body["readings"]:
            one.pop("voided", None)
        body["subject"] = {"identifier": {"system": "urn:example:mrn", "value": f"p-{len(made) % persons}"}}
        body["setting"] = "home"
        body.pop("guidelines", None)
        made.append(body)
        if len(made) == count:
            return made
    raise AssertionError("unreachable")


def series_bodies() -> list[dict[str, Any]]:
    """A recording, a home series over days, a test of standing and a child."""
    recorded = ambulatory_body(recording(by_hours((138, 86), (120, 72)), start=START + timedelta(days=3)))
    at_home = home_body(home_series(7, lambda _: (136, 86)))
    stood = START + timedelta(hours=9)
    upright = [
        reading(stood + timedelta(minutes=minute), (128 - 6 * minute, 80), position="standing", stood_at=stood.isoformat())
        for minute in (1, 3)
    ]
    standing = {"subject": SUBJECT, "protocol": "orthostatic-standing", "visit": "follow-up"}
    standing["readings"] = [reading(stood, (138, 84), position="supine"), *upright]
    boy = {"identifier": SUBJECT["identifier"], "birth_date": "2018-05-04", "sex": "male", "height_cm": 127.9}
    rows = [reading(stood + timedelta(minutes=minute), (117, 70)) for minute in range(3)]
    return [recorded, at_home, standing, {"subject": boy, "visit": "follow-up", "readings": rows}]


def link_of(bundle: Resource, relation: str) -> str | None:
    return next((link["url"] for link in bundle["link"] if link["relation"] == relation), None)
