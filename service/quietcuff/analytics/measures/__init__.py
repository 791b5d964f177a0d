"""Measures of FHIR: shares of the quality report one by one, by age and sex, and never of a few."""
