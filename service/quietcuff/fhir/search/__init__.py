"""FHIR searches: from the parameters of a request to a searchset."""
