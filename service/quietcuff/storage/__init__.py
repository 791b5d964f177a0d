"""The database layer: one schema on SQLite and PostgreSQL. No other package knows SQL."""
