"""The trail as AuditEvents: who did what to whose data.

Sources: [R4] AuditEvent; the patterns of IHE Basic Audit Log Patterns for create and update, from memory.
"""

from __future__ import annotations

import re
from typing import Any
from uuid import UUID

from quietcuff.fhir import codes
from quietcuff.fhir.model.resources import (
    AuditAgent,
    AuditDetail,
    AuditEntity,
    AuditEvent,
    AuditNetwork,
    AuditSource,
    Coding,
    Identifier,
    Meta,
    Reference,
)
from quietcuff.fhir.resources.device import SERVICE_ID
from quietcuff.fhir.resources.sitting import instant
from quietcuff.storage.schema.codes import ACTION, OUTCOME

ACTOR_SYSTEM = "urn:quietcuff:actor"
ID = re.compile(r"([0-9a-f]{1,16})-([1-9][0-9]{0,9})", re.ASCII)
SERVICE = Reference(reference=f"Device/{SERVICE_ID}")
MOST = 2**31 - 1


def audit_key(logical_id: str) -> tuple[UUID, int] | None:
    """The lane and position of the row that an id names, or None."""
    found = ID.fullmatch(logical_id)
    if found is None or int(found[1], 16) >= 2**63 or int(found[2]) > MOST:
        return None
    return UUID(int=int(found[1], 16)), int(found[2])


def audit_event(row: Any, public_url: str) -> AuditEvent:
    """One row of the trail."""
    action = ACTION.word(row.action)
    letter, interaction = interaction_of(action, row.version)
    recorded = instant(row.at)
    return AuditEvent(
        id=f"{row.lane:x}-{row.position}",
        meta=Meta(version_id="1", last_updated=recorded),
        type=codes.RESTFUL,
        subtype=[Coding(system=codes.RESTFUL_INTERACTION, code=interaction), Coding(system=codes.TRAIL_ACTION, code=action)],
        action=letter,
        recorded=recorded,
        outcome="0" if OUTCOME.word(row.outcome) == "done" else "4",
        agent=[
            AuditAgent(
                type=codes.AUDIT_SOURCE,
                who=of_identifier(ACTOR_SYSTEM, row.actor),
                requestor=True,
                network=network_of(row.origin),
            ),
            AuditAgent(type=codes.AUDIT_DESTINATION, who=SERVICE, requestor=False),
        ],
        source=AuditSource(observer=SERVICE),
        entity=entities(row, public_url),
    )


def interaction_of(action: str, version: int | None) -> tuple[str, str]:
    """The letter and the interaction that stand for what was done."""
    verb = action.partition("-")[0]
    if verb == "create" or (verb == "save" and version == 1):
        return "C", "create"
    if verb == "search":
        return "E", "search"
    if verb in ("read", "list"):
        return "R", "read"
    if verb in ("delete", "erase", "end"):
        return "D", "delete"
    if verb in ("start", "send", "replay"):
        return "E", "operation"
    return "U", "update"


def network_of(origin: str | None) -> AuditNetwork | None:
    """From where it was asked: an address, or the account of the machine itself."""
    if origin is None:
        return None
    # [R4] network-type: 2 is an IP address, 1 a machine's name.
    return AuditNetwork(address=origin, type="1" if origin.startswith("user:") else "2")


def entities(row: Any, public_url: str) -> list[AuditEntity]:
    """The person, the set with its version, what was asked and how much of it was answered, and the request."""
    found = []
    if row.subject_id is not None:
        person = Reference(reference=f"Patient/{row.subject_id}")
        found.append(AuditEntity(what=person, type=codes.AUDIT_PERSON, role=codes.AUDIT_PATIENT))
    if row.set_id is not None:
        detail = None if row.version is None else [AuditDetail(type="version", value_string=str(row.version))]
        what = of_identifier(f"{public_url}/id/reading-set", str(row.set_id))
        found.append(AuditEntity(what=what, type=codes.AUDIT_OBJECT, role=codes.AUDIT_RESOURCE, detail=detail))
    if row.what is not None:
        count = None if row.found is None else [AuditDetail(type="found", value_string=str(row.found))]
        found.append(AuditEntity(type=codes.AUDIT_OBJECT, role=codes.AUDIT_QUERY, name=row.what, detail=count))
    request = of_identifier("urn:ietf:rfc:3986", f"urn:uuid:{row.request_id}")
    return [*found, AuditEntity(what=request, type=codes.AUDIT_REQUEST)]


def of_identifier(system: str, value: str) -> Reference:
    return Reference(identifier=Identifier(system=system, value=value))
