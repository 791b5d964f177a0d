"""Which engine and which rules made one version of a sitting, and from which readings. [R4] Provenance."""

from __future__ import annotations

from quietcuff.core.outcome import Evaluation
from quietcuff.core.readings import Identifier as GivenIdentifier
from quietcuff.export import codes
from quietcuff.export.devices import SERVICE_ID, SERVICE_NAME
from quietcuff.export.frames import elsewhere
from quietcuff.export.shapes import Meta, Provenance, ProvenanceAgent, ProvenanceEntity, Reference
from quietcuff.export.sittings import Sitting


def provenance(
    sitting: Sitting, meta: Meta, *, version: int, targets: list[str], recorded: str, author: GivenIdentifier | None
) -> Provenance:
    """The record of one version. ``targets`` are the ids of the Observations it made or left standing.

    The reason of a correction is free text and stays inside the service.
    """
    used = [Reference(reference=f"Observation/{sitting.set_id}-r{index}") for index in sitting.counted]
    return Provenance(
        id=f"{sitting.set_id}-v{version}",
        meta=meta,
        target=[Reference(reference=f"Observation/{target}") for target in targets],
        recorded=recorded,
        policy=rule_uris(sitting.evaluation),
        activity=codes.CREATE if version == 1 else codes.UPDATE,
        agent=agents(sitting.evaluation.engine_version, author),
        entity=[ProvenanceEntity(role="source", what=reading) for reading in used] or None,
    )


def agents(engine_version: str, author: GivenIdentifier | None) -> list[ProvenanceAgent]:
    """The service with the version of its engine, and who asked for the change where that was said."""
    service = Reference(reference=f"Device/{SERVICE_ID}", display=f"{SERVICE_NAME} {engine_version}")
    found = [ProvenanceAgent(type=codes.ASSEMBLER, who=service)]
    who = elsewhere(author)
    return found if who is None else [*found, ProvenanceAgent(type=codes.AUTHOR, who=who)]


def rule_uris(evaluation: Evaluation) -> list[str]:
    """The identity of every rule file that decided: id, version and digest in one URI each."""
    protocol = evaluation.protocol
    uris = [
        codes.RULE_URI.format(kind="protocol", id=protocol.id, version=protocol.version, digest=protocol.digest),
    ]
    uris += [
        codes.RULE_URI.format(kind="guideline", id=category.guideline, version=category.version, digest=category.digest)
        for category in evaluation.categories
    ]
    return uris
