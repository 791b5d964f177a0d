"""One version of a set as a transaction for a clinical record.

[R4] http.html, transaction and conditional interactions.

A new resource is created unless the record has it (``ifNoneExist``). A corrected one replaces the resource that the record has
(``PUT Observation?identifier=...``). So a transaction may arrive twice and leaves nothing twice. Resources that are referred to
travel with it and are created unless they exist: every reference leads to an entry of the transaction.
"""

from __future__ import annotations

from typing import Any
from urllib.parse import quote
from uuid import NAMESPACE_URL, uuid5

import msgspec

from quietcuff.core.model.fields import MAX_READINGS
from quietcuff.delivery.changes import Outgoing
from quietcuff.fhir.history.read import read_resource
from quietcuff.fhir.read.bundle import sitting_resources
from quietcuff.fhir.resources.device import SERVICE_ID
from quietcuff.fhir.versions.stored_sets import Publisher
from quietcuff.storage.search.observations import Snapshot

Resource = dict[str, Any]
ENCODER = msgspec.json.Encoder()
DECODER = msgspec.json.Decoder(list[Resource])
ORDER = ("Patient", "Device", "Observation", "Provenance")


def transaction_of(snapshot: Snapshot, publisher: Publisher, outgoing: Outgoing) -> bytes | None:
    """The transaction that delivers a version to a record; None where there is nothing to deliver."""
    if not outgoing.newest:
        return None
    set_id = str(outgoing.row.set_id)
    known = known_resources(snapshot, publisher, outgoing)
    moved = {f"Observation/{set_id}-{name}" for name in outgoing.newest}
    provenance = provenance_of(snapshot, publisher, f"{set_id}-v{outgoing.version.version}", moved)
    known[f"Provenance/{provenance['id']}"] = provenance
    for reference in references_in([known[name] for name in moved]):
        # The mean may come from an earlier version, and so from a device that the newest version does not name.
        if reference.startswith("Device/") and reference not in known:
            known[reference] = msgspec.json.decode(read_resource(snapshot, publisher, *reference.split("/")).body)
    sent = with_what_they_point_to([*moved, f"Provenance/{provenance['id']}"], known)
    # Made from the resource's address, so that the same transaction has the same bytes each time it is sent.
    addresses = {name: f"urn:uuid:{uuid5(NAMESPACE_URL, publisher.address(*name.split('/')))}" for name in sent}
    entries = [entry_of(publisher, known[name], addresses, is_moved=name in moved) for name in sent]
    return ENCODER.encode({"resourceType": "Bundle", "type": "transaction", "entry": entries})


def known_resources(snapshot: Snapshot, publisher: Publisher, outgoing: Outgoing) -> dict[str, Resource]:
    """All resources of the set in their present state, by type and id."""
    resources = DECODER.decode(ENCODER.encode(sitting_resources(snapshot, publisher, outgoing.row)))
    known = {f"{resource['resourceType']}/{resource['id']}": resource for resource in resources}
    # A record keeps each version of this service as a device of its own, because the Device has no other identifier.
    service = known[f"Device/{SERVICE_ID}"]
    value = f"{SERVICE_ID}/{service['version'][0]['value']}"
    service["identifier"] = [{"system": f"{publisher.public_url}/id/device", "value": value}]
    return known


def provenance_of(snapshot: Snapshot, publisher: Publisher, logical_id: str, moved: set[str]) -> Resource:
    """The Provenance of the version, for the Observations that changed in it.

    FHIR R4 gives a Provenance no identifier, so a tag names it.
    """
    provenance: Resource = msgspec.json.decode(read_resource(snapshot, publisher, "Provenance", logical_id).body)
    provenance["target"] = [{"reference": name} for name in sorted(moved, key=place_in_set)]
    provenance["meta"] = {"tag": [{"system": f"{publisher.public_url}/id/provenance", "code": logical_id}]}
    return provenance


def with_what_they_point_to(names: list[str], known: dict[str, Resource]) -> list[str]:
    """The named resources and all that they refer to, people and devices first."""
    found = dict.fromkeys(names)
    waiting = list(names)
    while waiting:
        for reference in references_in(known[waiting.pop()]):
            if reference not in found and not reference.startswith("#"):
                found[reference] = None
                waiting.append(reference)
    return sorted(found, key=lambda name: (ORDER.index(name.split("/")[0]), place_in_set(name)))


def place_in_set(name: str) -> tuple[int, int, str]:
    """The sort key of a resource: readings by their place, each with its pulse and flags, and the mean last."""
    letter, index = name.rpartition("-")[2][:1], name.rpartition("-")[2][1:]
    is_of_reading = name.startswith("Observation/") and index.isdigit()
    return (int(index), "rpf".index(letter), "") if is_of_reading else (MAX_READINGS, 0, name)


def references_in(value: Any) -> list[str]:
    """Every reference inside a resource."""
    if isinstance(value, dict):
        own = [value["reference"]] if isinstance(value.get("reference"), str) else []
        return own + [reference for part in value.values() for reference in references_in(part)]
    return [reference for part in value for reference in references_in(part)] if isinstance(value, list) else []


def entry_of(publisher: Publisher, resource: Resource, addresses: dict[str, str], *, is_moved: bool) -> Resource:
    """One resource with its request, without the id and version that the record itself assigns."""
    kind, name = resource["resourceType"], f"{resource['resourceType']}/{resource['id']}"
    query, is_first = query_of(resource), resource.get("meta", {}).get("versionId") in (None, "1")
    # A first version is created only where the record has none, so that sending it again changes nothing.
    if kind == "Observation" and is_moved and not is_first:
        request = {"method": "PUT", "url": f"{kind}?{query}"}
    else:
        request = {"method": "POST", "url": kind, "ifNoneExist": query}
    kept = {key: value for key, value in resource.get("meta", {}).items() if key in ("profile", "tag")}
    content = {key: value for key, value in resource.items() if key not in ("id", "meta")}
    if kept:
        content["meta"] = kept
    return {"fullUrl": addresses[name], "resource": with_addresses(content, addresses), "request": request}


def query_of(resource: Resource) -> str:
    """The search that finds exactly this resource in the record."""
    if resource["resourceType"] == "Provenance":
        tag = resource["meta"]["tag"][0]
        return f"_tag={token(tag['system'], tag['code'])}"
    identifier = resource["identifier"][0]
    return f"identifier={token(identifier['system'], identifier['value'])}"


def token(system: str, value: str) -> str:
    """A search token. Characters with a meaning in searches are escaped first, then everything for the URL."""
    return "%7C".join(quote(escaped(part), safe="") for part in (system, value))


def escaped(text: str) -> str:
    """A text with ``\\``, ``$``, ``,`` and ``|`` escaped. [R4] search.html, escaping search parameters."""
    for character in "\\$,|":
        text = text.replace(character, f"\\{character}")
    return text


def with_addresses(value: Any, addresses: dict[str, str]) -> Any:
    """A copy of a value in which every reference leads to an entry."""
    if isinstance(value, dict):
        return {
            key: addresses.get(part, part) if key == "reference" and isinstance(part, str) else with_addresses(part, addresses)
            for key, part in value.items()
        }
    return [with_addresses(part, addresses) for part in value] if isinstance(value, list) else value
