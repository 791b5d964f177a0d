"""Definitions of FHIR that the service makes itself, and publishes."""
