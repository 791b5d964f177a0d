"""Payloads of devices and systems: kept, read, joined to sittings, recognised when repeated, and refused."""
