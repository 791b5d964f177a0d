"""Runs the migrations on the connection that ``quietcuff.storage.engine.migrate`` opened."""

from alembic import context

from quietcuff.storage.schema.sittings import metadata

# One number for all: two processes that upgrade the same database take turns.
UPGRADE_LOCK = 0x51434D


def run() -> None:
    connection = context.config.attributes["connection"]
    context.configure(
        connection=connection,
        target_metadata=metadata,
        transaction_per_migration=True,
        transactional_ddl=True,
        compare_type=True,
        compare_server_default=True,
    )
    if connection.dialect.name == "postgresql":
        connection.exec_driver_sql(f"SELECT pg_advisory_lock({UPGRADE_LOCK})")
        connection.exec_driver_sql("SET lock_timeout = '5s'")
        connection.exec_driver_sql("SET statement_timeout = '15min'")
        connection.commit()
    context.run_migrations()


run()
