"""The follow-up list as a group of people, by references alone, and the codes of what they have in common. [R4] Group."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime
from typing import Any

import msgspec

from quietcuff.fhir import codes
from quietcuff.fhir.definitions.code_systems import code_system, in_words
from quietcuff.fhir.definitions.measures import coded
from quietcuff.fhir.resources.sitting import instant

EVERYBODY = "follow-ups"
CHARACTERISTICS = {"to-be-seen": "to be seen, and was not", "reason": "why"}


class Member(msgspec.Struct, frozen=True):
    """One person, and since when."""

    subject_id: str
    since: date


def follow_up_group_id(why: str | None) -> str:
    """The id of the group of everybody, or of those who are to be seen for one reason. No stored group has such an id."""
    return EVERYBODY if why is None else f"{EVERYBODY}-{why}"


def follow_up_group(public_url: str, why: str | None, members: Iterable[Member], now: datetime) -> bytes:
    """The resource in JSON, as of now: it has no versions."""
    found = [
        {"entity": {"reference": f"Patient/{one.subject_id}"}, "period": {"start": one.since.isoformat()}} for one in members
    ]
    group = {
        "resourceType": "Group",
        "id": follow_up_group_id(why),
        "meta": {"lastUpdated": instant(now)},
        "active": True,
        "type": "person",
        "actual": True,
        "name": "To be seen, and was not" + ("" if why is None else f": {why.replace('-', ' ')}"),
        "quantity": len(found),
        "characteristic": characteristics(public_url, why),
        **({"member": found} if found else {}),
    }
    return msgspec.json.encode(group)


def characteristics(public_url: str, why: str | None) -> list[dict[str, Any]]:
    """What all members have in common."""

    def code(word: str) -> dict[str, Any]:
        return coded(codes.code_system(public_url, "follow-up-characteristic"), word, CHARACTERISTICS[word])

    told: list[dict[str, Any]] = [{"code": code("to-be-seen"), "valueBoolean": True, "exclude": False}]
    if why is not None:
        reason = coded(codes.code_system(public_url, "follow-up-reason"), why, why.replace("-", " "))
        told.append({"code": code("reason"), "valueCodeableConcept": reason, "exclude": False})
    return told


def follow_up_code_systems(public_url: str, reasons: Iterable[str]) -> list[dict[str, Any]]:
    """The code systems of these groups."""
    return [
        code_system(id, codes.code_system(public_url, id), title, concepts, content="complete")
        for id, title, concepts in (
            ("follow-up-characteristic", "What people on the follow-up list have in common", CHARACTERISTICS.items()),
            ("follow-up-reason", "Why a person is to be seen", in_words(reasons)),
        )
    ]
