"""What stands beside the Observations: people, devices, provenance, and what was deleted."""
