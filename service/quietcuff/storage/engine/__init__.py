"""The database itself: opening it, shared transactions, migrations and faults."""
