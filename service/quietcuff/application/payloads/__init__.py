"""Payloads of devices and systems: kept, read, joined to sittings, repeated or refused."""
