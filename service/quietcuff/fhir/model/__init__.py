"""FHIR R4 shapes, logical ids, and what a caller may see."""
