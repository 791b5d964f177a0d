"""The files of an export as rows: a description of each, and its lines in chunks."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from uuid import UUID

import msgspec
from sqlalchemy import Connection, bindparam, delete, insert, select

from quietcuff.storage.engine.statements import Command, Query, insert_into, single
from quietcuff.storage.schema.bulk import export_chunk, export_file, export_job
from quietcuff.storage.schema.codes import FILE_PURPOSE

# Deleting shares the one writer with requests, so each step stays short.
CHUNKS_SWEPT_AT_ONCE = 50


class FileRow(msgspec.Struct, frozen=True, kw_only=True):
    """One file: lines of one type. ``checksum`` is the CRC-32 of its plain bytes."""

    file_number: int
    purpose: str
    resource_type: str
    resources: int = 0
    chunks: int = 0
    plain_bytes: int = 0
    packed_bytes: int = 0
    checksum: int = 0


class ChunkRow(msgspec.Struct, frozen=True, kw_only=True):
    """Some whole lines of a file, deflated."""

    file_number: int
    chunk_number: int
    data: bytes


def _from_columns(*columns: Any) -> FileRow:
    values = dict(zip(FileRow.__struct_fields__, columns, strict=True))
    values["purpose"] = FILE_PURPOSE.word(values["purpose"])
    return FileRow(**values)


def _upsert(dialect: str) -> Any:
    statement = insert_into(export_file, dialect)
    changing = ("resources", "chunks", "plain_bytes", "packed_bytes", "checksum")
    return statement.on_conflict_do_update(
        index_elements=["tenant_id", "job_id", "file_number"], set_={name: statement.excluded[name] for name in changing}
    )


_f, _k = export_file.c, export_chunk.c
FILES = Query(
    _from_columns,
    select(*(_f[name] for name in FileRow.__struct_fields__))
    .where(_f.tenant_id == bindparam("tenant_id"), _f.job_id == bindparam("job_id"))
    .order_by(_f.file_number),
)
CHUNK: Query[bytes] = Query(
    single,
    select(_k.data).where(
        _k.tenant_id == bindparam("tenant_id"),
        _k.job_id == bindparam("job_id"),
        _k.file_number == bindparam("file_number"),
        _k.chunk_number == bindparam("chunk_number"),
    ),
)
SAVE_FILE = Command(_upsert)
INSERT_CHUNK = Command(insert(export_chunk))
SOME_CHUNKS = Query(
    lambda *key: key,
    select(_k.file_number, _k.chunk_number)
    .where(_k.tenant_id == bindparam("tenant_id"), _k.job_id == bindparam("job_id"))
    .limit(CHUNKS_SWEPT_AT_ONCE),
)
DELETE_CHUNK = Command(
    delete(export_chunk).where(
        _k.tenant_id == bindparam("tenant_id"),
        _k.job_id == bindparam("job_id"),
        _k.file_number == bindparam("file_number"),
        _k.chunk_number == bindparam("chunk_number"),
    )
)
DELETE_FILES = Command(delete(export_file).where(_f.tenant_id == bindparam("tenant_id"), _f.job_id == bindparam("job_id")))
DELETE_JOB = Command(
    delete(export_job).where(export_job.c.tenant_id == bindparam("tenant_id"), export_job.c.job_id == bindparam("job_id"))
)


def files_of_job(connection: Connection, tenant_id: int, job_id: UUID) -> list[FileRow]:
    """The files of a job, in the order in which they were begun."""
    return FILES.all(connection, {"tenant_id": tenant_id, "job_id": job_id})


def read_chunk(connection: Connection, tenant_id: int, job_id: UUID, file_number: int, chunk_number: int) -> bytes | None:
    key = {"tenant_id": tenant_id, "job_id": job_id, "file_number": file_number, "chunk_number": chunk_number}
    return CHUNK.first(connection, key)


def add_to_files(
    connection: Connection, tenant_id: int, job_id: UUID, files: Sequence[FileRow], chunks: Sequence[ChunkRow]
) -> None:
    """Store chunks, and the new totals of their files."""
    key = {"tenant_id": tenant_id, "job_id": job_id}
    for file in files:
        row = {**msgspec.structs.asdict(file), **key, "purpose": FILE_PURPOSE.number(file.purpose)}
        SAVE_FILE.run(connection, row)
    INSERT_CHUNK.run_each(connection, [{**msgspec.structs.asdict(chunk), **key} for chunk in chunks])


def sweep_job(connection: Connection, tenant_id: int, job_id: UUID) -> bool:
    """Delete some of a job's chunks, and in the end the job itself; False while there is more."""
    key = {"tenant_id": tenant_id, "job_id": job_id}
    found = SOME_CHUNKS.all(connection, key)
    rows = [{**key, "file_number": file_number, "chunk_number": chunk_number} for file_number, chunk_number in found]
    DELETE_CHUNK.run_each(connection, rows)
    if len(found) == CHUNKS_SWEPT_AT_ONCE:
        return False
    DELETE_FILES.run(connection, key)
    DELETE_JOB.run(connection, key)
    return True
