"""Hash partitions of the tables that grow with the people: made, changed in number, and joined again, on PostgreSQL.

Every migration makes whole tables and holds for both forms. What is done here comes after them: each table is copied into a
new one of the wanted form with the same columns, keys, indexes, grants and row security. The database itself tells its form.
"""

from __future__ import annotations

from typing import Any

from sqlalchemy import Connection

from quietcuff.core.model.errors import StoreNotUsable
from quietcuff.storage.schema.partitions import PARTITION_KEYS
from quietcuff.storage.schema.sittings import reading_set

# Each part of each index is locked while a backup is restored, and PostgreSQL has room for some thousand locks.
MOST_PARTITIONS = 64
_NUMBERS = """
SELECT c.relname, count(i.inhrelid) FROM pg_class c LEFT JOIN pg_inherits i ON i.inhparent = c.oid
WHERE c.oid = ANY (SELECT to_regclass(name) FROM unnest($1::text[]) AS name) GROUP BY c.relname
"""
_KEYS = """
SELECT conname, pg_get_constraintdef(oid) FROM pg_constraint WHERE conrelid = to_regclass($1) AND contype IN ('p', 'u')
"""
_INDEXES = """
SELECT pg_get_indexdef(i.indexrelid) FROM pg_index i WHERE i.indrelid = to_regclass($1)
AND NOT EXISTS (SELECT 1 FROM pg_constraint WHERE conindid = i.indexrelid)
"""
_GRANTS = """
SELECT a.privilege_type, CASE a.grantee WHEN 0 THEN 'PUBLIC' ELSE quote_ident(r.rolname) END, a.is_grantable
FROM pg_class c CROSS JOIN aclexplode(c.relacl) a LEFT JOIN pg_roles r ON r.oid = a.grantee
WHERE c.oid = to_regclass($1) AND a.grantee <> c.relowner
"""
ONE_TENANT = "(tenant_id = nullif(current_setting('quietcuff.tenant', true), '')::integer)"


def check_number(partitions: int) -> None:
    """Check a wanted number of partitions.

    Raises:
        StoreNotUsable: there cannot be so many.
    """
    if not 1 <= partitions <= MOST_PARTITIONS:
        raise StoreNotUsable(f"--partitions takes 1 to {MOST_PARTITIONS}; 16 is a good number, and 1 is one table for all.")


def partitions_of(connection: Connection) -> int:
    """The number of partitions that people's rows are in; 1 where each table is whole, on SQLite always."""
    return _numbers(connection).get(reading_set.name) or 1


def partition(connection: Connection, partitions: int | None) -> int:
    """Bring every table of people's rows to a number of partitions, by default the one that the database has, and return it.

    Each table is one transaction; nothing is copied where it is so already. The sets go first, since they tell what the
    database has: where it was interrupted, the next upgrade brings the rest after them, and so a table that was made since.
    """
    numbers = _numbers(connection)
    wanted = partitions or numbers.get(reading_set.name) or 1
    others = [name for name, number in numbers.items() if (number or 1) != wanted]
    for name in sorted(others, key=lambda name: (name != reading_set.name, name)):
        # As long as it takes: there is no other way than to copy every row.
        connection.exec_driver_sql("SET LOCAL statement_timeout = 0")
        copy_into(connection, name, wanted)
        # No background process looks at a table of partitions as a whole.
        connection.exec_driver_sql(f"ANALYZE {name}")
        connection.commit()
    connection.rollback()
    return wanted


def _numbers(connection: Connection) -> dict[str, int]:
    """The number of parts of each table that may have some and is there; 0 of a whole one."""
    if connection.dialect.name != "postgresql":
        return {}
    names = [table.name for table in PARTITION_KEYS]
    return {str(name): int(number) for name, number in connection.exec_driver_sql(_NUMBERS, (names,))}


def copy_into(connection: Connection, name: str, partitions: int) -> None:
    """Put a table's rows into a new one of so many partitions, which then takes its place."""
    fresh = f"{name}_of_{partitions}"
    keys, indexes, grants = (list(connection.exec_driver_sql(one, (name,))) for one in (_KEYS, _INDEXES, _GRANTS))
    steps = [f"LOCK TABLE {name} IN ACCESS EXCLUSIVE MODE"]
    columns = ", ".join(next(key for table, key in PARTITION_KEYS.items() if table.name == name))
    by_hash = "" if partitions == 1 else f" PARTITION BY HASH ({columns})"
    steps.append(f"CREATE TABLE {fresh} (LIKE {name} INCLUDING DEFAULTS INCLUDING STORAGE){by_hash}")
    parts = [] if partitions == 1 else [f"{fresh}_{number:03}" for number in range(partitions)]
    for number, part in enumerate(parts):
        steps.append(f"CREATE TABLE {part} PARTITION OF {fresh} FOR VALUES WITH (MODULUS {partitions}, REMAINDER {number})")
    # Row security would keep every tenant's rows from the owner too.
    steps += [f"ALTER TABLE {one} NO FORCE ROW LEVEL SECURITY" for one in _own_tables(connection, name)]
    # Both are names of the schema.
    steps += [f"INSERT INTO {fresh} SELECT * FROM {name}"]  # noqa: S608
    steps += [f"DROP TABLE {name}", f"ALTER TABLE {fresh} RENAME TO {name}"]
    steps += [f"ALTER TABLE {name} ADD CONSTRAINT {key} {text}" for key, text in keys]
    steps += [text.replace(" ON ONLY ", " ON ", 1) for (text,) in indexes]
    # A role may have been given every table there is, the parts too: each keeps tenants apart by itself.
    steps += [step for one in (name, *parts) for step in guarding(one)]
    steps += [f"GRANT {what} ON {name} TO {role}{' WITH GRANT OPTION' if more else ''}" for what, role, more in grants]
    for step in steps:
        connection.exec_driver_sql(step)


def _own_tables(connection: Connection, name: str) -> list[Any]:
    """A table and its partitions."""
    found = connection.exec_driver_sql(
        "SELECT inhrelid::regclass::text FROM pg_inherits WHERE inhparent = to_regclass($1)", (name,)
    )
    return [name, *found.scalars()]


def guarding(table: str) -> list[str]:
    """The statements that show the rows of one tenant only, to the tables' owner too."""
    return [
        f"ALTER TABLE {table} ENABLE ROW LEVEL SECURITY",
        f"ALTER TABLE {table} FORCE ROW LEVEL SECURITY",
        f"CREATE POLICY one_tenant ON {table} USING {ONE_TENANT}",
    ]
