"""Bulk export: from a kick-off to lines in files."""
