"""The trail of who did what, chained and sealed."""
