"""The SQL of FHIR searches."""
