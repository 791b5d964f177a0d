"""What of FHIR the service defines itself, and publishes."""
