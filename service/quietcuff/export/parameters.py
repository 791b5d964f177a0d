"""The search parameters of Observation: one table that the parser reads and the CapabilityStatement shows, so that what is
said and what is done cannot differ."""

from __future__ import annotations

from collections.abc import Iterable

import msgspec

from quietcuff.export import codes
from quietcuff.export.asked import (
    LAST_UPDATED,
    Asked,
    Narrow,
    Parameter,
    both,
    identified_people,
    ids_of,
    of_type,
    ranges,
    reference_id,
)
from quietcuff.export.derived import derived_keys
from quietcuff.export.places import observation_key, place_key
from quietcuff.export.quantities import parse_quantity, test_of
from quietcuff.export.shapes import CodeableConcept
from quietcuff.export.slots import (
    CATEGORY_OF_KIND,
    CODE_OF_KIND,
    COMPONENTS,
    FURTHER_CODE,
    HAS_FURTHER_CODE,
    SLOTS,
    Slot,
)
from quietcuff.export.terms import Token, refused, split, token
from quietcuff.storage.codes import OBSERVATION_STATUS
from quietcuff.storage.entries import KINDS, Kind, ObservationQuery, ValueTest


def by_patient(query: ObservationQuery, asked: Asked) -> ObservationQuery:
    """Of these persons."""
    return msgspec.structs.replace(query, subject_ids=both(query.subject_ids, ids_of(asked, "Patient")))


def by_patient_identifier(query: ObservationQuery, asked: Asked) -> ObservationQuery:
    """Of the persons of these identifiers. An identifier without its system may be several persons'."""
    found = identified_people(asked)
    return msgspec.structs.replace(query, subject_ids=both(query.subject_ids, found))


def by_device(query: ObservationQuery, asked: Asked) -> ObservationQuery:
    """Measured with these devices; a mean where all of its readings were."""
    return msgspec.structs.replace(query, device_ids=both(query.device_ids, ids_of(asked, "Device")))


def by_order(query: ObservationQuery, asked: Asked) -> ObservationQuery:
    """Asked for by these orders, which are known here by their identifiers alone."""
    wanted = frozenset(f"{one.system}|{one.code}" for one in asked.tokens if one.system and one.code)
    return msgspec.structs.replace(query, based_on=both(query.based_on, wanted))


def by_order_reference(query: ObservationQuery, asked: Asked) -> ObservationQuery:
    """No order is kept here as a resource: a reference to one finds nothing."""
    return msgspec.structs.replace(query, based_on=frozenset())


def by_code(query: ObservationQuery, asked: Asked) -> ObservationQuery:
    """Of what the code names. A component's code, such as systolic, finds nothing: it is not the Observation's code."""
    return with_tests(query, whole_tests(asked))


def whole_tests(asked: Asked) -> list[ValueTest]:
    """The kinds that a code of the whole names, and those of a kind that have a further code."""
    tests = [ValueTest(kind=kind) for kind in sorted(kinds_named(asked, CODE_OF_KIND))]
    return tests + ([HAS_FURTHER_CODE] if any(is_named(one, FURTHER_CODE) for one in asked.tokens) else [])


def by_category(query: ObservationQuery, asked: Asked) -> ObservationQuery:
    """Of this category; device flags have none."""
    return msgspec.structs.replace(query, kinds=query.kinds & kinds_named(asked, CATEGORY_OF_KIND))


def by_other_category(query: ObservationQuery, asked: Asked) -> ObservationQuery:
    """Of none of these categories; what has none is found."""
    return msgspec.structs.replace(query, kinds=query.kinds - kinds_named(asked, CATEGORY_OF_KIND))


def kinds_named(asked: Asked, concepts: dict[Kind, CodeableConcept]) -> frozenset[Kind]:
    """The kinds whose concept one of the tokens names."""
    return frozenset(kind for kind, concept in concepts.items() if any(is_named(one, concept) for one in asked.tokens))


def kinds_of(conditions: Iterable[tuple[str, str]]) -> frozenset[Kind]:
    """The kinds that are of a category and a code: what a scope may be narrowed to."""
    found = frozenset(KINDS)
    for name, value in conditions:
        concepts = CATEGORY_OF_KIND if name == "category" else CODE_OF_KIND
        wanted = [token(text) for text in split(value, ",")]
        found &= {kind for kind, concept in concepts.items() if any(is_named(one, concept) for one in wanted)}
    return found


def is_named(wanted: Token, concept: CodeableConcept) -> bool:
    return any(wanted.names(coding.system, coding.code) for coding in concept.coding or [])


def by_component_code(query: ObservationQuery, asked: Asked) -> ObservationQuery:
    """With a component of one of these codes."""
    return with_tests(query, component_tests(asked))


def by_combo_code(query: ObservationQuery, asked: Asked) -> ObservationQuery:
    """With one of these codes, as a whole or in a component."""
    return with_tests(query, whole_tests(asked) + component_tests(asked))


def component_tests(asked: Asked) -> list[ValueTest]:
    return [test for concept, test in COMPONENTS if any(is_named(one, concept) for one in asked.tokens)]


def with_tests(query: ObservationQuery, tests: list[ValueTest]) -> ObservationQuery:
    """The query with one more group of tests, of which one must hold. Of a kind that passes whole nothing more is asked."""
    kinds = query.kinds & {test.kind for test in tests}
    whole = {test.kind for test in tests if test.operator == "always"}
    if whole >= kinds:
        return msgspec.structs.replace(query, kinds=kinds)
    asked = tuple(test for test in tests if test.operator == "always" or test.kind not in whole)
    return msgspec.structs.replace(query, kinds=kinds, values=(*query.values, asked))


def by_value(slots: tuple[Slot, ...], *, has_code: bool) -> Narrow:
    """With one of these values in one of the slots; with ``has_code`` each value stands behind a code and a dollar."""

    def narrow(query: ObservationQuery, asked: Asked) -> ObservationQuery:
        tests = []
        for text in asked.alternatives:
            code, *values = split(text, "$") if has_code else ["", text]
            if len(values) != 1:
                raise refused(asked.name, "not-a-pair", "A code and a value with $ between, such as 8480-6$ge140.")
            wanted = parse_quantity(values[0], asked.name)
            among = [slot for slot in slots if not has_code or is_named(token(code), slot.concept)]
            tests += [test for slot in among if (test := test_of(slot, wanted)) is not None]
        return with_tests(query, tests)

    return narrow


def by_status(query: ObservationQuery, asked: Asked) -> ObservationQuery:
    """In one of these states."""
    return msgspec.structs.replace(query, statuses=both(query.statuses, states_named(asked)))


def by_other_status(query: ObservationQuery, asked: Asked) -> ObservationQuery:
    """In none of these states."""
    others = frozenset(OBSERVATION_STATUS.words) - states_named(asked)
    return msgspec.structs.replace(query, statuses=both(query.statuses, others))


def states_named(asked: Asked) -> frozenset[str]:
    return frozenset(
        status
        for status in OBSERVATION_STATUS.words
        if any(one.names(codes.OBSERVATION_STATUS, status) for one in asked.tokens)
    )


def by_id(query: ObservationQuery, asked: Asked) -> ObservationQuery:
    """Of these ids. An id that cannot be one of ours finds nothing."""
    keys = frozenset(key for text in asked.plain if (key := observation_key(text)) is not None)
    return msgspec.structs.replace(query, keys=both(query.keys, keys))


def by_identifier(query: ObservationQuery, asked: Asked) -> ObservationQuery:
    """Of these business identifiers, whose system is ours."""
    system = f"{asked.publisher.public_url}/id/observation"
    ours = [one for one in asked.tokens if one.system in (None, system)]
    if any(not one.code for one in ours):
        return query
    keys = frozenset(key for one in ours if (key := place_key(one.code)) is not None)
    return msgspec.structs.replace(query, keys=both(query.keys, keys))


def by_source(query: ObservationQuery, asked: Asked) -> ObservationQuery:
    """Derived from these readings: their device flags, and the means in which they count."""
    named = (reference_id(text, "Observation", asked.publisher.fhir_url) for text in asked.plain)
    sources = frozenset(key for text in named if (key := observation_key(text)) is not None and key.kind == "reading")
    keys = derived_keys(asked.found_in, asked.publisher.tenant.tenant_id, sources)
    return msgspec.structs.replace(query, keys=both(query.keys, keys))


def by_date(query: ObservationQuery, asked: Asked) -> ObservationQuery:
    """Measured then; for a mean, its whole period counts."""
    return msgspec.structs.replace(query, taken=(*query.taken, ranges(asked)))


COMPONENT_SLOTS = tuple(slot for slot in SLOTS if slot.is_component)
OWN_SLOTS = tuple(slot for slot in SLOTS if not slot.is_component)
PAIR = "A code and a value, such as 8480-6$ge140 or 8480-6$ge140|http://unitsofmeasure.org|mm[Hg]; kPa is converted."
SOURCE = Parameter(
    "derived-from", "reference", "Observation-derived-from", "A reading that a mean or flags come from.", by_source
)
DEVICE = Parameter("device", "reference", "Observation-device", "What it was measured with.", by_device)
PATIENT = Parameter("patient", "reference", "clinical-patient", "Whose it is.", by_patient)
SUBJECT = Parameter("subject", "reference", "Observation-subject", "Whose it is; always a Patient.", by_patient)
PERSON_IDENTIFIERS = tuple(
    Parameter(f"{name}.identifier", "token", None, "The person's identifier, system|value.", by_patient_identifier)
    for name in ("patient", "patient:Patient", "subject", "subject:Patient")
)
PARAMETERS = (
    Parameter("_id", "token", "Resource-id", "The logical id.", by_id),
    LAST_UPDATED,
    Parameter(
        "based-on",
        "reference",
        "Observation-based-on",
        "Orders are known by identifier alone: based-on:identifier=system|value.",
        by_order_reference,
    ),
    Parameter("based-on:identifier", "reference", None, "The identifier of the order, system|value.", by_order),
    Parameter("category", "token", "Observation-category", "vital-signs: readings, pulses and means.", by_category),
    Parameter("category:not", "token", None, "Of none of these categories; what has none is found.", by_other_category),
    Parameter("code", "token", "clinical-code", "The code of the whole Observation, not of a component.", by_code),
    Parameter("code-value-quantity", "composite", "Observation-code-value-quantity", PAIR, by_value(OWN_SLOTS, has_code=True)),
    Parameter("combo-code", "token", "Observation-combo-code", "The code of the whole or of a component.", by_combo_code),
    Parameter(
        "combo-code-value-quantity", "composite", "Observation-combo-code-value-quantity", PAIR, by_value(SLOTS, has_code=True)
    ),
    Parameter("component-code", "token", "Observation-component-code", "The code of a component.", by_component_code),
    Parameter(
        "component-code-value-quantity",
        "composite",
        "Observation-component-code-value-quantity",
        PAIR,
        by_value(COMPONENT_SLOTS, has_code=True),
    ),
    Parameter("date", "date", "clinical-date", "When it was measured; for a mean, the period of its readings.", by_date),
    SOURCE,
    of_type(SOURCE, "Observation"),
    DEVICE,
    of_type(DEVICE, "Device"),
    Parameter("identifier", "token", "clinical-identifier", "The identifier that each Observation carries.", by_identifier),
    PATIENT,
    of_type(PATIENT, "Patient"),
    *PERSON_IDENTIFIERS,
    Parameter(
        "status", "token", "Observation-status", "final, amended, corrected, preliminary or entered-in-error.", by_status
    ),
    Parameter("status:not", "token", None, "In none of these states.", by_other_status),
    SUBJECT,
    of_type(SUBJECT, "Patient"),
    Parameter("value-quantity", "quantity", "Observation-value-quantity", "The pulse.", by_value(OWN_SLOTS, has_code=False)),
)
