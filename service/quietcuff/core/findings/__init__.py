"""Findings: what is worth saying of preparation, position, cuff, device and standing up."""
