"""Where everything is kept: one schema on SQLite and on PostgreSQL, and nothing else that knows SQL."""
