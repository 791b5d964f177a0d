"""Certainty of labels: the prior, the visits, and what would settle it."""
