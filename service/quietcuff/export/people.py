"""The person as a FHIR Patient: the identifier, and of the facts only sex and birth date."""

from __future__ import annotations

from quietcuff.core.readings import Facts
from quietcuff.core.readings import Identifier as GivenIdentifier
from quietcuff.export.shapes import Identifier, Meta, Patient


def patient(subject_id: str, meta: Meta, identifier: GivenIdentifier, facts: Facts) -> Patient:
    """What was sent of a person and nothing else; a birth date keeps the precision it came with."""
    return Patient(
        id=subject_id,
        meta=meta,
        identifier=[Identifier(system=identifier.system, value=identifier.value)],
        gender=facts.sex,
        birth_date=facts.birth_date,
    )
