"""The URIs of the code systems and extensions that come in and go out."""

from __future__ import annotations

LOINC = "http://loinc.org"
SNOMED = "http://snomed.info/sct"
UCUM = "http://unitsofmeasure.org"
IEEE_11073 = "urn:iso:std:iso:11073:10101"
STATUS_BITS = "http://terminology.hl7.org/CodeSystem/ASN1ToHL7"

BODY_POSITION_EXTENSION = "http://hl7.org/fhir/StructureDefinition/observation-bodyPosition"  # [R4]
LOCATION_EXTENSION = "http://hl7.org/fhir/StructureDefinition/event-location"  # [R4], context Observation
