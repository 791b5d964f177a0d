"""Every system, code and profile of the resources, each once and with its source.

Sources: [R4] FHIR 4.0.1 definitions; [USC] US Core 9.0.0; [VIT] HL7 "Vital Signs with Qualifying Elements"; [PHD] HL7
Personal Health Device guide, after ISO/IEEE 11073-10101; [SCT] SNOMED CT concepts as FHIR's own examples and public
guides use them. Where no published code exists there is none here: the resource says it in text.
"""

from __future__ import annotations

from quietcuff.fhir.model.resources import CodeableConcept, Coding
from quietcuff.terminology import loinc, mdc, snomed
from quietcuff.terminology.systems import IEEE_11073, LOINC, SNOMED, STATUS_BITS

OBSERVATION_CATEGORY = "http://terminology.hl7.org/CodeSystem/observation-category"
OBSERVATION_STATUS = "http://hl7.org/fhir/observation-status"
INTERPRETATION = "http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation"
DATA_ABSENT_REASON = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
DATA_OPERATION = "http://terminology.hl7.org/CodeSystem/v3-DataOperation"
PROVENANCE_PARTICIPANT = "http://terminology.hl7.org/CodeSystem/provenance-participant-type"

# Our own: one code system for each guideline, and one URI for each rule file that decided.
GUIDELINE_SYSTEM = "urn:quietcuff:guideline:{guideline}"
PROTOCOL_SYSTEM = "urn:quietcuff:protocol"
RULE_URI = "urn:quietcuff:{kind}:{id}:{version}:{digest}"

BP_PROFILE = "http://hl7.org/fhir/StructureDefinition/bp"  # [R4]
HEART_RATE_PROFILE = "http://hl7.org/fhir/StructureDefinition/heartrate"  # [R4]
US_CORE = "http://hl7.org/fhir/us/core/StructureDefinition/"
US_BP_PROFILE = US_CORE + "us-core-blood-pressure"  # [USC]
US_HEART_RATE_PROFILE = US_CORE + "us-core-heart-rate"  # [USC]
US_AVERAGE_BP_PROFILE = US_CORE + "us-core-average-blood-pressure"  # [USC]


def concept(system: str, code: str, display: str, text: str | None = None) -> CodeableConcept:
    """One code as a CodeableConcept."""
    return CodeableConcept(coding=[Coding(system=system, code=code, display=display)], text=text)


def code_system(public_url: str, id: str) -> str:
    """The address of a code system of ours, which is published there."""
    return f"{public_url}/fhir/R4/CodeSystem/{id}"


def also_in_11073(known: CodeableConcept, code: str) -> CodeableConcept:
    """The concept with its device code added. [PHD] gives these codes; their displays were not read."""
    return CodeableConcept(coding=[*(known.coding or []), Coding(system=IEEE_11073, code=code)], text=known.text)


VITAL_SIGNS = concept(OBSERVATION_CATEGORY, "vital-signs", "Vital Signs")  # [R4] vitalsigns, fixed

BP_PANEL = also_in_11073(
    concept(LOINC, loinc.BP_PANEL, "Blood pressure panel with all children optional"), mdc.BP_PANEL
)  # [R4] bp, fixed
SYSTOLIC = also_in_11073(concept(LOINC, loinc.SYSTOLIC, "Systolic blood pressure"), mdc.SYSTOLIC)  # [R4] bp, fixed
DIASTOLIC = also_in_11073(concept(LOINC, loinc.DIASTOLIC, "Diastolic blood pressure"), mdc.DIASTOLIC)  # [R4] bp, fixed
MEAN_ARTERIAL = also_in_11073(
    concept(LOINC, loinc.MEAN_ARTERIAL, "Mean blood pressure"), mdc.MEAN_ARTERIAL
)  # [R4] vital sign results
HEART_RATE = concept(LOINC, loinc.HEART_RATE, "Heart rate")  # [R4] heartrate, fixed
MEAN_PANEL = concept(LOINC, loinc.MEAN_PANEL, "Blood pressure panel mean systolic and mean diastolic")  # [USC] pattern
MEAN_SYSTOLIC = concept(LOINC, loinc.MEAN_SYSTOLIC, "Systolic blood pressure mean")  # [USC] pattern
MEAN_DIASTOLIC = concept(LOINC, loinc.MEAN_DIASTOLIC, "Diastolic blood pressure mean")  # [USC] pattern
# The code of a 24-hour mean stands beside that of any mean. [VIT] names these three; their displays were not read.
PANEL_24_HOURS = Coding(system=LOINC, code=loinc.MEAN_PANEL_24_HOURS)
MEAN_PANEL_24_HOURS = CodeableConcept(coding=[*(MEAN_PANEL.coding or ()), PANEL_24_HOURS])
SYSTOLIC_24_HOURS = CodeableConcept(
    coding=[Coding(system=LOINC, code=loinc.MEAN_SYSTOLIC_24_HOURS)], text="Systolic blood pressure, 24-hour mean"
)
DIASTOLIC_24_HOURS = CodeableConcept(
    coding=[Coding(system=LOINC, code=loinc.MEAN_DIASTOLIC_24_HOURS)], text="Diastolic blood pressure, 24-hour mean"
)
CUFF_SIZE = concept(LOINC, loinc.CUFF_SIZE, "Blood pressure device Cuff size")  # [R4] lists it beside the panel; [VIT]
CUFF_SIZES = {name: Coding(system=SNOMED, code=code) for name, code in snomed.CUFF_SIZES.items()}
READINGS_COUNTED = concept(SNOMED, snomed.NUMBER_OF_OCCURRENCES, "Number of occurrences")  # [USC] average, guidance text
DEVICE_STATUS = concept(  # [PHD]
    IEEE_11073, mdc.DEVICE_STATUS, mdc.DEVICE_STATUS_NAME, "Blood pressure measurement status"
)

SUBSETTED = Coding(  # [R4] Meta.tag of part of a resource
    system="http://terminology.hl7.org/CodeSystem/v3-ObservationValue", code="SUBSETTED", display="subsetted"
)

BODY_SITE = {  # [SCT]; the left and right upper arm as in R4's own blood-pressure examples
    "left-upper-arm": concept(SNOMED, snomed.LEFT_UPPER_ARM, "Left upper arm structure"),
    "right-upper-arm": concept(SNOMED, snomed.RIGHT_UPPER_ARM, "Right upper arm structure"),
    "left-wrist": concept(SNOMED, snomed.LEFT_WRIST, "Structure of left wrist region"),
    "right-wrist": concept(SNOMED, snomed.RIGHT_WRIST, "Structure of right wrist region"),
    "left-thigh": concept(SNOMED, snomed.LEFT_THIGH, "Structure of left thigh"),
    "right-thigh": concept(SNOMED, snomed.RIGHT_THIGH, "Structure of right thigh"),
}
BODY_POSITION = {  # [VIT]
    "sitting": concept(SNOMED, snomed.SITTING, "Sitting position"),
    "standing": concept(SNOMED, snomed.STANDING, "Orthostatic body position"),
    "supine": concept(SNOMED, snomed.SUPINE, "Supine body position"),
}
METHOD = {  # [VIT]
    "oscillometric": concept(SNOMED, snomed.OSCILLOMETRY, "Vascular oscillometry"),
    "auscultatory": concept(SNOMED, snomed.AUSCULTATION, "Auscultation"),
}
MONITOR = Coding(system=SNOMED, code=snomed.MONITOR, display="Non-invasive blood pressure monitor")  # [VIT]

DEVICE_FLAG = {  # [PHD] bits of 8410608; a failed measurement has no bit
    "body-movement": concept(STATUS_BITS, mdc.status_bit(0), "body-movement"),
    "cuff-loose": concept(STATUS_BITS, mdc.status_bit(1), "cuff-too-loose"),
    "irregular-pulse": concept(STATUS_BITS, mdc.status_bit(2), "irregular-pulse"),
    "pulse-too-high": concept(STATUS_BITS, mdc.status_bit(3), "pulse-over-range-limit"),
    "pulse-too-low": concept(STATUS_BITS, mdc.status_bit(4), "pulse-under-range-limit"),
    "improper-position": concept(STATUS_BITS, mdc.status_bit(5), "improper-body-position"),
    "measurement-failed": CodeableConcept(text="Measurement failed"),
}

ABSENT_ERROR = concept(DATA_ABSENT_REASON, "error", "Error")  # [R4]
ABSENT_UNKNOWN = concept(DATA_ABSENT_REASON, "unknown", "Unknown")  # [R4]

NORMAL = Coding(system=INTERPRETATION, code="N", display="Normal")  # [R4]
HIGH = Coding(system=INTERPRETATION, code="H", display="High")  # [R4]
CRITICAL_HIGH = Coding(system=INTERPRETATION, code="HH", display="Critical high")  # [R4]
LOW = Coding(system=INTERPRETATION, code="L", display="Low")  # [R4]

# Labels that a rule may give one reading.
FINDING_INTERPRETATION = {
    "severe-reading": CodeableConcept(coding=[CRITICAL_HIGH], text="Severe reading"),
    "low-reading": CodeableConcept(coding=[LOW], text="Low reading"),
}
# A guideline's word on the general scale. A word that means "normal" and "high" at once has no place on it.
CATEGORY_INTERPRETATION = {
    "normal": NORMAL,
    "optimal": NORMAL,
    "non-elevated": NORMAL,
    "below-140-90": NORMAL,
    "not-hypertension": NORMAL,
    "elevated": HIGH,
    "stage-1": HIGH,
    "stage-2": HIGH,
    "grade-1": HIGH,
    "grade-2": HIGH,
    "grade-3": HIGH,
    "hypertension": HIGH,
    "from-140-90": HIGH,
    "from-180-120": HIGH,
    "severe-unconfirmed": CRITICAL_HIGH,
    "severe": CRITICAL_HIGH,
}

CREATE = concept(DATA_OPERATION, "CREATE", "create")  # [R4] Provenance.activity example set
UPDATE = concept(DATA_OPERATION, "UPDATE", "revise")  # [R4]
ASSEMBLER = concept(PROVENANCE_PARTICIPANT, "assembler", "Assembler")  # [R4]
AUTHOR = concept(PROVENANCE_PARTICIPANT, "author", "Author")  # [R4]

RESTFUL_INTERACTION = "http://hl7.org/fhir/restful-interaction"
TRAIL_ACTION = "urn:quietcuff:trail-action"  # our own: the word under which the trail keeps what was done
DICOM = "http://dicom.nema.org/resources/ontology/DCM"
AUDIT_ENTITY = "http://terminology.hl7.org/CodeSystem/audit-entity-type"
OBJECT_ROLE = "http://terminology.hl7.org/CodeSystem/object-role"
RESTFUL = Coding(  # [R4] AuditEvent.type
    system="http://terminology.hl7.org/CodeSystem/audit-event-type", code="rest", display="RESTful Operation"
)
AUDIT_SOURCE = concept(DICOM, "110153", "Source Role ID")  # [R4] AuditEvent.agent.type, as in its examples
AUDIT_DESTINATION = concept(DICOM, "110152", "Destination Role ID")
AUDIT_PERSON = Coding(system=AUDIT_ENTITY, code="1", display="Person")  # [R4]
AUDIT_OBJECT = Coding(system=AUDIT_ENTITY, code="2", display="System Object")  # [R4]
AUDIT_PATIENT = Coding(system=OBJECT_ROLE, code="1", display="Patient")  # [R4]
AUDIT_RESOURCE = Coding(system=OBJECT_ROLE, code="4", display="Domain Resource")  # [R4]
AUDIT_QUERY = Coding(system=OBJECT_ROLE, code="24", display="Query")  # [R4]
AUDIT_REQUEST = Coding(  # IHE Basic Audit Log Patterns
    system="https://profiles.ihe.net/ITI/BALP/CodeSystem/BasicAuditEntityType", code="XrequestId"
)
