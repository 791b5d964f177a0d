"""Provenance of one version of a sitting: its engine, its rules and its readings. [R4] Provenance."""

from __future__ import annotations

from functools import lru_cache

from quietcuff.core.model.evaluation import Evaluation
from quietcuff.core.record.resource_states import exists
from quietcuff.fhir import codes
from quietcuff.fhir.model.logical_ids import LETTERS, MEAN, place_name
from quietcuff.fhir.model.ready import ready
from quietcuff.fhir.model.resources import Identifier, Meta, Provenance, ProvenanceAgent, ProvenanceEntity, Reference
from quietcuff.fhir.resources.device import SERVICE_ID, SERVICE_NAME
from quietcuff.fhir.resources.sitting import SittingVersion, instant
from quietcuff.storage.rows.versions import VersionRow

CREATE, UPDATE = ready(codes.CREATE), ready(codes.UPDATE)


def provenance_of(sitting: SittingVersion, row: VersionRow, *, mean_since: int | None, public_url: str) -> Provenance:
    """The record of one version of a sitting.

    ``mean_since`` is the version from which on there is a mean, if there ever was one: once it is there it stays, in error too.
    The reason of a correction is free text and stays
    inside the service.
    """
    used = [reading_reference(sitting, index) for index in sitting.counted]
    sources = [ProvenanceEntity(role="source", what=reading) for reading in used]
    has_mean = mean_since is not None and mean_since <= row.version
    return Provenance(
        id=f"{sitting.set_id}-v{row.version}",
        meta=Meta(version_id="1", last_updated=instant(row.created_at)),
        target=targets(sitting, has_mean=has_mean),
        recorded=instant(row.created_at),
        policy=rule_uris(sitting.evaluation),
        activity=CREATE if row.version == 1 else UPDATE,
        agent=agents(sitting.evaluation.engine_version, row.author),
        entity=[*sources, *other_sets(sitting, public_url)] or None,
    )


def targets(sitting: SittingVersion, *, has_mean: bool) -> list[Reference]:
    """Every Observation of the sitting at that version, in the order of export."""
    begin = f"Observation/{sitting.set_id}-"
    found = [
        Reference(reference=f"{begin}{letter}{index}")
        for index, reading in enumerate(sitting.reading_set.readings)
        for letter in LETTERS.values()
        if exists(reading, letter)
    ]
    return [*found, Reference(reference=begin + MEAN)] if has_mean else found


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


def reading_reference(sitting: SittingVersion, index: int) -> Reference:
    return Reference(reference=f"Observation/{sitting.set_id}-{place_name('reading', index)}")


@lru_cache(maxsize=256)
def agents(engine_version: str, author: str | None) -> list[ProvenanceAgent]:
    """The service with the version of its engine, and who asked for the change where that was said.

    ``author`` is kept as ``system|value``; a system holds no bar.
    """
    service = Reference(reference=f"Device/{SERVICE_ID}", display=f"{SERVICE_NAME} {engine_version}")
    found = [ProvenanceAgent(type=codes.ASSEMBLER, who=service)]
    if author is None:
        return ready(found)
    system, value = author.split("|", 1)
    who = Reference(identifier=Identifier(system=system, value=value))
    return ready([*found, ProvenanceAgent(type=codes.AUTHOR, who=who)])


def rule_uris(evaluation: Evaluation) -> list[str]:
    """The identity of every rule file that decided: id, version and digest in one URI each."""
    protocol = evaluation.protocol
    return [
        rule_uri("protocol", protocol.id, protocol.version, protocol.digest),
        *(rule_uri("guideline", one.guideline, one.version, one.digest) for one in evaluation.categories),
    ]


@lru_cache(maxsize=256)
def rule_uri(kind: str, id: str, version: str, digest: str) -> str:
    """The identity of one rule file."""
    return codes.RULE_URI.format(kind=kind, id=id, version=version, digest=digest)
