"""Provenance of one version of a sitting: its engine, its rules and its readings. [R4] Provenance."""

from __future__ import annotations

from functools import lru_cache

from quietcuff.core.model.decoders import DocumentDecoder
from quietcuff.core.model.evaluation import Evaluation
from quietcuff.core.record.resource_states import exists
from quietcuff.fhir import codes
from quietcuff.fhir.model.ready import ENCODER, element
from quietcuff.fhir.model.resources import Identifier, Provenance, ProvenanceAgent, ProvenanceEntity, Reference
from quietcuff.fhir.resources.device import SERVICE_ID, SERVICE_NAME
from quietcuff.fhir.resources.sitting import SittingVersion, instant
from quietcuff.storage.rows.versions import VersionRow

CREATE, UPDATE = element("activity", codes.CREATE), element("activity", codes.UPDATE)
PROVENANCE = DocumentDecoder(Provenance)


def provenance_of(sitting: SittingVersion, row: VersionRow, *, mean_since: int | None, public_url: str) -> Provenance:
    """The record of one version of a sitting, for those who read what it holds."""
    return PROVENANCE.decode(provenance_line(sitting, row, mean_since=mean_since, public_url=public_url))


def provenance_line(sitting: SittingVersion, row: VersionRow, *, mean_since: int | None, public_url: str) -> bytes:
    """The record of one version of a sitting.

    ``mean_since`` is the version from which on there is a mean, if there ever was one: once it is there it stays, in error too.
    The reason of a correction is free text and stays inside the service.
    """
    set_id, recorded = sitting.set_id, instant(row.created_at)
    has_mean = mean_since is not None and mean_since <= row.version
    begin = (
        f'{{"resourceType":"Provenance","id":"{set_id}-v{row.version}",'
        f'"meta":{{"versionId":"1","lastUpdated":"{recorded}"}},'
        f'"target":[{targets(sitting, has_mean=has_mean)}],"recorded":"{recorded}"'
    )
    return b"".join(
        (
            begin.encode(),
            policy(sitting.evaluation),
            CREATE if row.version == 1 else UPDATE,
            agents(sitting.evaluation.engine_version, row.author),
            entities(sitting, public_url),
            b"}",
        )
    )


def targets(sitting: SittingVersion, *, has_mean: bool) -> str:
    """Every Observation of the sitting at that version, in the order of export."""
    begin, found = f'{{"reference":"Observation/{sitting.set_id}-', []
    for index, reading in enumerate(sitting.reading_set.readings):
        found.append(f'{begin}r{index}"}}')
        if exists(reading, "p"):
            found.append(f'{begin}p{index}"}}')
        if exists(reading, "f"):
            found.append(f'{begin}f{index}"}}')
    if has_mean:
        found.append(f'{begin}mean"}}')
    return ",".join(found)


def entities(sitting: SittingVersion, public_url: str) -> bytes:
    """The readings that count, and the sets that stand in each other's place."""
    begin = f'{{"role":"source","what":{{"reference":"Observation/{sitting.set_id}-r'
    sources = [f'{begin}{index}"}}}}'.encode() for index in sitting.counted]
    said = sitting.reading_set
    if said.replaces is not None or said.replaced_by:
        sources += [ENCODER.encode(other) for other in other_sets(sitting, public_url)]
    return b',"entity":[%b]' % b",".join(sources) if sources else b""


def other_sets(sitting: SittingVersion, public_url: str) -> list[ProvenanceEntity]:
    """The set in whose place this one stands, and the one that stands in its place. By identifier, as the Bundle of a whole set
    carries it: the two are of different people, and neither is to be read for the other."""
    said = sitting.reading_set
    ways = (("revision", said.replaces, "replaces"), ("derivation", said.replaced_by or None, "replaced by"))
    return [
        ProvenanceEntity(role=role, what=Reference(identifier=set_identifier(public_url, set_id), display=display))
        for role, set_id, display in ways
        if set_id is not None
    ]


def set_identifier(public_url: str, set_id: str) -> Identifier:
    """The identifier of a whole set."""
    return Identifier(system=f"{public_url}/id/reading-set", value=set_id)


@lru_cache(maxsize=256)
def agents(engine_version: str, author: str | None) -> bytes:
    """The service with the version of its engine, and who asked for the change where that was said.

    ``author`` is kept as ``system|value``; a system holds no bar.
    """
    service = Reference(reference=f"Device/{SERVICE_ID}", display=f"{SERVICE_NAME} {engine_version}")
    found = [ProvenanceAgent(type=codes.ASSEMBLER, who=service)]
    if author is None:
        return element("agent", found)
    system, value = author.split("|", 1)
    who = Reference(identifier=Identifier(system=system, value=value))
    return element("agent", [*found, ProvenanceAgent(type=codes.AUTHOR, who=who)])


def policy(evaluation: Evaluation) -> bytes:
    """The identity of every rule file that decided: id, version and digest in one URI each."""
    protocol = evaluation.protocol
    uris = [rule_uri("guideline", one.guideline, one.version, one.digest) for one in evaluation.categories]
    return b',"policy":[%b]' % b",".join([rule_uri("protocol", protocol.id, protocol.version, protocol.digest), *uris])


@lru_cache(maxsize=256)
def rule_uri(kind: str, id: str, version: str, digest: str) -> bytes:
    """The identity of one rule file."""
    return ENCODER.encode(codes.RULE_URI.format(kind=kind, id=id, version=version, digest=digest))
