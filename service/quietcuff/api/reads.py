"""Trail entries for reads: caller, person or search, count and origin of each request that read people's data.

Searched values are never recorded, only the names of parameters that the route knows.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Any
from urllib.parse import parse_qsl
from uuid import UUID

from quietcuff.api.operations import Operation, operation_of
from quietcuff.api.requests import Connection
from quietcuff.api.service import Service
from quietcuff.application.read_trail import ReadRecord
from quietcuff.core.model.readings import Identifier
from quietcuff.security.api_keys import Principal
from quietcuff.security.scopes import Need

# Types of which none holds a word of anybody's data.
OF_NOBODY = frozenset(("Device", "Endpoint"))
FOUND, ASKED, OF_PERSON = "found", "asked", "of_person"
PERSON_PARAMETERS = ("patient", "subject", "subject_id")
IDENTIFIER_PARAMETERS = ("patient.identifier", "subject.identifier", "patient:identifier", "subject:identifier")
SET_ID_LETTERS = 36
LONGEST_WHAT = 255
LONGEST_ORIGIN = 64
Pairs = list[tuple[str, str]]


def note_found(connection: Connection, count: int, *, asked: Pairs | None = None, person: str | None = None) -> None:
    """Record how many results the answer holds. ``asked`` are the parameters if they were in the body; ``person`` is the
    person's id if the address does not hold it."""
    state: dict[str, Any] = connection.scope["state"]
    state.update({FOUND: count, ASKED: asked, OF_PERSON: person})


def reads_people(operation: Operation | None) -> bool:
    """True if a route answers stored data about people."""
    need = None if operation is None else operation.access
    return isinstance(need, Need) and need.letter in "rs" and need.type not in OF_NOBODY


def note_read(scope: Any, request_id: str, status: int) -> None:
    """Keep an entry for the trail if the request has read people's data."""
    handler, app, principal = scope.get("route_handler"), scope.get("litestar_app"), scope.get("auth")
    operation = None if handler is None else operation_of(handler.opt)
    # Only what was answered in full: a 304 shows nothing that the caller has not, and an error nothing at all.
    if status != 200 or operation is None or not reads_people(operation) or not isinstance(principal, Principal):
        return
    service: Service = app.state["service"]
    state, pairs = scope["state"], asked_in(scope)
    is_search = isinstance(operation.access, Need) and operation.access.letter == "s"
    seen = ReadRecord(
        tenant_id=principal.tenant_id,
        at=service.desk.clock(),
        actor=principal.actor,
        request_id=request_id,
        action="search" if is_search else "read",
        what=named(operation, (name for name, _ in pairs)),
        found=state.get(FOUND, 1),
        origin=origin_of(scope),
        subject=id_in(state.get(OF_PERSON) or person_in(scope, operation, pairs)),
        set_id=set_in(scope, operation),
        identifier=identifier_in(operation, pairs),
    )
    service.reads.add(seen)


def origin_of(scope: Any) -> str | None:
    """Address from which the request came; a proxy's address if there is one in front of the service."""
    client = scope.get("client")
    return None if not client else str(client[0])[:LONGEST_ORIGIN]


def asked_in(scope: Any) -> Pairs:
    """Parameters of the request, from its address or as its route has read them."""
    asked: Pairs | None = scope["state"].get(ASKED)
    if asked is not None:
        return asked
    return parse_qsl(scope["query_string"].decode("latin-1"), keep_blank_values=True)


def named(operation: Operation, names: Iterable[str]) -> str:
    """The operation with the names of those parameters that it knows."""
    of_body = operation.body.get("properties", {}) if isinstance(operation.body, dict) else {}
    known = {
        re.split(r"[:.]", name)[0] for name in (*(one.name for one in operation.parameters if one.within == "query"), *of_body)
    }
    said = {re.split(r"[:.]", name)[0] for name in names}
    # A name that the route does not know may itself be a value typed in the wrong place.
    told = sorted(said & known) + (["other"] if said - known else [])
    return f"{operation.id}{'?' if told else ''}{'&'.join(told)}"[:LONGEST_WHAT]


def person_in(scope: Any, operation: Operation, pairs: Pairs) -> str | None:
    """Id of the one person whom a request names, or None."""
    path: dict[str, Any] = scope.get("path_params") or {}
    need = operation.access
    if "subject_id" in path:
        return str(path["subject_id"])
    is_patient = isinstance(need, Need) and need.type == "Patient"
    if is_patient and "resource_id" in path:
        return str(path["resource_id"])
    names = (*PERSON_PARAMETERS, *(["_id"] if is_patient else []))
    named_people = {value.removeprefix("Patient/") for name, value in pairs if name.removesuffix(":Patient") in names}
    return named_people.pop() if len(named_people) == 1 else None


def set_in(scope: Any, operation: Operation) -> UUID | None:
    """The set that the address of a request names."""
    path: dict[str, Any] = scope.get("path_params") or {}
    need = operation.access
    of_set = isinstance(need, Need) and need.type in ("Observation", "Provenance")
    text = path.get("set_id") or (path.get("resource_id") if of_set else None)
    # An Observation's id begins with the id of its set.
    return None if text is None else id_in(str(text)[:SET_ID_LETTERS])


def identifier_in(operation: Operation, pairs: Pairs) -> Identifier | None:
    """Identifier of the one person whom a search names. The trail stores only the id derived from it."""
    is_patient = isinstance(operation.access, Need) and operation.access.type == "Patient"
    names = (*IDENTIFIER_PARAMETERS, *(["identifier"] if is_patient else []))
    values = {value for name, value in pairs if name in names}
    system, bar, value = values.pop().partition("|") if len(values) == 1 else ("", "", "")
    return Identifier(system=system, value=value) if bar and system and value and "," not in value else None


def id_in(text: str | None) -> UUID | None:
    try:
        return None if text is None else UUID(text)
    except ValueError:
        return None
