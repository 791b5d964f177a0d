"""Small rows and pieces of work for tests of the store."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from uuid import UUID, uuid4

from quietcuff.storage.engine.transactions import Transaction
from quietcuff.storage.rows.subjects import SubjectRow, insert_subject_if_new

NOON = datetime(2026, 6, 1, 12, tzinfo=UTC)


def subject_row(tenant_id: int, subject_id: UUID | None = None) -> SubjectRow:
    return SubjectRow(
        tenant_id=tenant_id,
        subject_id=subject_id or uuid4(),
        system="urn:example:mrn",
        value="p-0001",
        facts=b"{}",
        version=1,
        created_at=NOON,
        updated_at=NOON,
    )


def insert(row: SubjectRow) -> Callable[[Transaction], bool]:
    """Work that stores one subject; True where it was new."""
    return lambda transaction: insert_subject_if_new(transaction, row)


def count_subjects(transaction: Transaction) -> int:
    """Every subject that the database shows, whoever's it is: no filter."""
    return int(transaction.exec_driver_sql("SELECT count(*) FROM subject").scalar_one())


def subjects_of_each_tenant(transaction: Transaction) -> dict[int, int]:
    """The same by tenant."""
    rows = transaction.exec_driver_sql("SELECT tenant_id, count(*) FROM subject GROUP BY tenant_id")
    return {tenant_id: number for tenant_id, number in rows}
