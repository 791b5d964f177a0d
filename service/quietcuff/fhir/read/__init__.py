"""Readers for all but Observations: people, devices, provenance, and what was deleted."""
