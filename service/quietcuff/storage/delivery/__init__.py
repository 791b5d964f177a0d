"""Delivery targets and the outbox."""
