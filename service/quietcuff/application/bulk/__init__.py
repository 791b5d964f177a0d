"""Bulk exports: start, progress and results for clients, the worker, and export to a folder."""
