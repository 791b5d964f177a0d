"""The record line and the record sheet."""
