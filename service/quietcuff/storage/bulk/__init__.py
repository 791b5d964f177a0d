"""Bulk export as rows: groups, jobs, files and the pages that a job reads."""
