"""FHIR R4 payloads as sittings."""
