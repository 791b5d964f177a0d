"""Shared parts of the commands: database access, lists, progress, files and error messages."""
