"""Bytes in, a struct out: everything that reads what callers send."""
