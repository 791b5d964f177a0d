"""Exports: begun and asked after, worked off, and written to a folder."""
