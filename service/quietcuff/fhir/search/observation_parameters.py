"""The search parameters of Observation: one table that the parser reads and the CapabilityStatement shows, so that what is
said and what is done cannot differ."""

from __future__ import annotations

from quietcuff.fhir.search.narrowing import (
    at_location,
    at_no_location,
    by_category,
    by_code,
    by_combo_code,
    by_component_code,
    by_date,
    by_device,
    by_device_identifier,
    by_finding,
    by_id,
    by_identifier,
    by_label,
    by_literal,
    by_method,
    by_other_category,
    by_other_code,
    by_other_status,
    by_patient,
    by_patient_identifier,
    by_pointer,
    by_protocol,
    by_setting,
    by_source,
    by_state,
    by_status,
    by_value,
    lacking,
    lacking_columns,
    lacking_kinds,
    lacking_pointer,
)
from quietcuff.fhir.search.parameter import LAST_UPDATED, OWN, SearchParameter, never_lacking, of_type
from quietcuff.fhir.search.quantity_values import CATEGORY_OF_KIND, DEVICE_COLUMNS, HAS_FLAG, HAS_RESULT, METHOD_COLUMNS, SLOTS
from quietcuff.storage.search.query import Pointer, ValueTest

LACKING_COMPONENTS = lacking({"reading": ValueTest(kind="reading"), "mean": ValueTest(kind="mean"), "flags": HAS_FLAG})
COMPONENT_SLOTS = tuple(slot for slot in SLOTS if slot.is_component)
OWN_SLOTS = tuple(slot for slot in SLOTS if not slot.is_component)
PAIR = "A code and a value, such as 8480-6$ge140 or 8480-6$ge140|http://unitsofmeasure.org|mm[Hg]; kPa is converted."
SOURCE = SearchParameter(
    "derived-from",
    "reference",
    "Observation-derived-from",
    "A reading that a mean or flags come from.",
    by_source,
    lacking({"mean": HAS_RESULT, "flags": ValueTest(kind="flags")}),
)
DEVICE = SearchParameter(
    "device", "reference", "Observation-device", "What it was measured with.", by_device, lacking_columns(DEVICE_COLUMNS)
)
PATIENT = SearchParameter("patient", "reference", "clinical-patient", "Whose it is.", by_patient, never_lacking)
SUBJECT = SearchParameter(
    "subject", "reference", "Observation-subject", "Whose it is; always a Patient.", by_patient, never_lacking
)
PERSON_IDENTIFIERS = tuple(
    SearchParameter(f"{name}.identifier", "token", None, "The person's identifier, system|value.", by_patient_identifier)
    for name in ("patient", "patient:Patient", "subject", "subject:Patient")
)
DEVICE_IDENTIFIERS = tuple(
    SearchParameter(f"{name}.identifier", "token", None, "The identifier of the device, system|value.", by_device_identifier)
    for name in ("device", "device:Device")
)


def pointing(name: str, pointer: Pointer, definition: str, things: str) -> tuple[SearchParameter, SearchParameter]:
    """The two parameters of what is pointed to by identifier alone."""
    told = f"{things} are known by identifier alone: {name}:identifier=system|value."
    return (
        SearchParameter(name, "reference", definition, told, by_literal(pointer), lacking_pointer(pointer)),
        SearchParameter(f"{name}:identifier", "reference", None, "system|value, value or system|.", by_pointer(pointer)),
    )


# Named by nothing that FHIR R4 defines: the service publishes what each means.
OWN_PARAMETERS = (
    SearchParameter("finding", "token", OWN, "The results of sittings in which this was found.", by_finding),
    SearchParameter("label", "token", OWN, "What a guideline calls the result: urn:quietcuff:guideline:ID|code.", by_label),
    SearchParameter("location:identifier", "reference", None, "system|value, value or system|.", at_location),
    SearchParameter("location", "reference", OWN, "Places are known by identifier alone: location:identifier.", at_no_location),
    SearchParameter("protocol", "token", OWN, "The protocol by whose rules the result was worked out.", by_protocol),
    SearchParameter("setting", "token", OWN, "office, home or ambulatory, of readings and results.", by_setting),
    SearchParameter("state", "token", OWN, "in-progress, complete or not-usable, of the sitting as it stands.", by_state),
)
PARAMETERS = (
    SearchParameter("_id", "token", "Resource-id", "The logical id.", by_id, never_lacking),
    LAST_UPDATED,
    *pointing("based-on", "based_on", "Observation-based-on", "Orders"),
    SearchParameter(
        "category",
        "token",
        "Observation-category",
        "vital-signs: readings, pulses and means.",
        by_category,
        lacking_kinds(*CATEGORY_OF_KIND),
    ),
    SearchParameter("category:not", "token", None, "Of none of these categories; what has none is found.", by_other_category),
    SearchParameter(
        "code", "token", "clinical-code", "The code of the whole Observation, not of a component.", by_code, never_lacking
    ),
    SearchParameter("code:not", "token", None, "None of these is the code of the whole.", by_other_code),
    SearchParameter(
        "code-value-quantity", "composite", "Observation-code-value-quantity", PAIR, by_value(OWN_SLOTS, has_code=True)
    ),
    SearchParameter(
        "combo-code",
        "token",
        "Observation-combo-code",
        "The code of the whole or of a component.",
        by_combo_code,
        never_lacking,
    ),
    SearchParameter(
        "combo-code-value-quantity", "composite", "Observation-combo-code-value-quantity", PAIR, by_value(SLOTS, has_code=True)
    ),
    SearchParameter(
        "component-code",
        "token",
        "Observation-component-code",
        "The code of a component.",
        by_component_code,
        LACKING_COMPONENTS,
    ),
    SearchParameter(
        "component-code-value-quantity",
        "composite",
        "Observation-component-code-value-quantity",
        PAIR,
        by_value(COMPONENT_SLOTS, has_code=True),
    ),
    SearchParameter(
        "date",
        "date",
        "clinical-date",
        "When it was measured; for a mean, the period of its readings.",
        by_date,
        never_lacking,
    ),
    SOURCE,
    of_type(SOURCE, "Observation"),
    DEVICE,
    of_type(DEVICE, "Device"),
    *DEVICE_IDENTIFIERS,
    *pointing("encounter", "encounter", "clinical-encounter", "Visits"),
    SearchParameter(
        "identifier",
        "token",
        "clinical-identifier",
        "The identifier that each Observation carries, or the sender's own of a reading.",
        by_identifier,
        never_lacking,
    ),
    SearchParameter(
        "method",
        "token",
        "Observation-method",
        "How a reading was taken; of a mean, all of its readings.",
        by_method,
        lacking_columns(METHOD_COLUMNS),
    ),
    PATIENT,
    of_type(PATIENT, "Patient"),
    *PERSON_IDENTIFIERS,
    *pointing("performer", "performer", "Observation-performer", "Those who measured"),
    SearchParameter(
        "status",
        "token",
        "Observation-status",
        "final, amended, corrected, preliminary or entered-in-error.",
        by_status,
        never_lacking,
    ),
    *OWN_PARAMETERS,
    SearchParameter("status:not", "token", None, "In none of these states.", by_other_status),
    SUBJECT,
    of_type(SUBJECT, "Patient"),
    SearchParameter(
        "value-quantity",
        "quantity",
        "Observation-value-quantity",
        "The pulse.",
        by_value(OWN_SLOTS, has_code=False),
        lacking_columns({slot.kind: slot.column for slot in OWN_SLOTS}),
    ),
)
