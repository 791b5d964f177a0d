"""Every table, once, for SQLite and PostgreSQL."""
