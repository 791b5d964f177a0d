"""Bulk exports as clients see them: start, status, files, and end."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from datetime import datetime, timedelta
from typing import Literal
from uuid import UUID, uuid4

import msgspec

from quietcuff.application.bulk.worker import ENCODER, PLAN, PROGRESS, ExportLimits
from quietcuff.application.context import AppContext, Caller, note, now
from quietcuff.core.model.errors import NotFound, TooOften
from quietcuff.fhir.bulk.gzip_files import HEADER, trailer, unpacked
from quietcuff.fhir.bulk.plan import ExportPlan, Progress, words
from quietcuff.storage.bulk.files import FileRow, files_of_job, read_chunk
from quietcuff.storage.bulk.jobs import EXPORTS, JobRow, end_job, list_jobs, note_poll
from quietcuff.storage.engine.ids import read_id
from quietcuff.storage.engine.transactions import Transaction

SHORTEST_WAIT_SECONDS, LONGEST_WAIT_SECONDS = 1, 30
WAIT_WHEN_FULL_SECONDS = 60


class Export(msgspec.Struct, frozen=True, kw_only=True):
    """State of an export. ``files`` are present once it is done, ``retry_after_seconds`` while it is open."""

    state: Literal["open", "done", "failed"]
    plan: ExportPlan
    created_by: str
    progress: str = ""
    retry_after_seconds: int = 0
    transaction_time: datetime | None = None
    expires_at: datetime | None = None
    files: list[FileRow] = []


class ListedExport(msgspec.Struct, frozen=True, kw_only=True):
    """An export in a list: how it stands, and not what was asked for. ``transaction_time`` is until when it is complete."""

    id: str
    state: str
    types: tuple[str, ...]
    created_by: str
    created_at: datetime
    attempts: int
    transaction_time: datetime | None
    expires_at: datetime | None


async def list_exports(desk: AppContext, caller: Caller) -> list[ListedExport]:
    """Every export of the tenant that is kept, the newest first."""
    jobs = await desk.store.read(caller.tenant_id, lambda snapshot: list_jobs(snapshot, caller.tenant_id))
    return [
        ListedExport(
            id=str(job.job_id),
            state=job.state,
            types=PLAN.decode(job.plan).types,
            created_by=job.created_by,
            created_at=job.created_at,
            attempts=job.attempts,
            transaction_time=job.transaction_time,
            expires_at=job.expires_at,
        )
        for job in jobs
    ]


async def start_export(desk: AppContext, caller: Caller, plan: ExportPlan, limits: ExportLimits) -> str:
    """Start an export and return the id for status requests.

    Raises:
        TooOften: the tenant has as many open exports as it may.
    """
    moment = now(desk)
    # Stored as a job and not begun here: any process may take it, and it survives the one that accepted it.
    job = JobRow(
        tenant_id=caller.tenant_id,
        job_id=uuid4(),
        state="waiting",
        plan=ENCODER.encode(plan),
        progress=ENCODER.encode(Progress()),
        created_by=caller.actor,
        created_at=moment,
        next_poll_at=moment,
    )

    def start(transaction: Transaction) -> None:
        if EXPORTS.count_open(transaction, caller.tenant_id) >= limits.jobs:
            detail = f"At most {limits.jobs} exports at once. Wait for one, or DELETE its status address."
            raise TooOften(detail, WAIT_WHEN_FULL_SECONDS)
        EXPORTS.insert(transaction, job)
        note(transaction, caller, "start-export", moment)

    await desk.store.write(caller.tenant_id, start)
    return str(job.job_id)


async def ask_after_export(desk: AppContext, caller: Caller, job_id: str) -> Export:
    """State of an export.

    Raises:
        NotFound: the tenant has none of that id, or it was ended, or it has expired.
        TooOften: asked again before half of the waiting time in the last answer was over.
    """
    moment = now(desk)
    job = await find(desk, caller, job_id, moment)
    if job.state in ("waiting", "running"):
        return await still_open(desk, job, moment)
    return await ended(desk, job)


async def find_export(desk: AppContext, caller: Caller, job_id: str) -> Export:
    """An export without its files, finished or not.

    Raises:
        NotFound: the tenant has none of that id.
    """
    job = await find(desk, caller, job_id, now(desk))
    return Export(state="open", plan=PLAN.decode(job.plan), created_by=job.created_by)


async def read_export(desk: AppContext, caller: Caller, job_id: str) -> Export:
    """A finished export.

    Raises:
        NotFound: the tenant has none of that id, or it is not finished.
    """
    job = await find(desk, caller, job_id, now(desk))
    if job.state in ("waiting", "running"):
        raise NotFound("export")
    return await ended(desk, job)


async def ended(desk: AppContext, job: JobRow) -> Export:
    is_done = job.state == "done"
    return Export(
        state="done" if is_done else "failed",
        plan=PLAN.decode(job.plan),
        created_by=job.created_by,
        transaction_time=job.transaction_time,
        expires_at=job.expires_at,
        files=await files_of(desk, job) if is_done else [],
    )


async def still_open(desk: AppContext, job: JobRow, moment: datetime) -> Export:
    wait = wait_of(moment - job.created_at)
    # Half of it: a client's clock or timer that is a little fast is not punished, one that polls in a loop is.
    next_poll_at = moment + timedelta(seconds=wait) / 2
    if not await desk.store.write(job.tenant_id, lambda transaction: note_poll(transaction, job, moment, next_poll_at)):
        raise TooOften(f"Ask again in {wait} seconds.", wait)
    progress = words(PROGRESS.decode(job.progress)) if job.state == "running" else "waiting"
    plan = PLAN.decode(job.plan)
    return Export(state="open", plan=plan, created_by=job.created_by, progress=progress, retry_after_seconds=wait)


def wait_of(age: timedelta) -> int:
    """Seconds until the client should ask again: few at first, more for an export that takes long."""
    return max(SHORTEST_WAIT_SECONDS, min(LONGEST_WAIT_SECONDS, int(age.total_seconds() / 5)))


async def end_export(desk: AppContext, caller: Caller, job_id: str) -> None:
    """End an export, finished or not: it stops, and its files are deleted.

    Raises:
        NotFound: the tenant has none of that id, or it was ended already.
    """
    moment = now(desk)
    job = await find(desk, caller, job_id, moment)

    def end(transaction: Transaction) -> None:
        end_job(transaction, job)
        note(transaction, caller, "end-export", moment)

    await desk.store.write(job.tenant_id, end)


async def note_download(desk: AppContext, caller: Caller) -> None:
    """Record in the trail that a file is read."""
    moment = now(desk)
    await desk.store.write(caller.tenant_id, lambda transaction: note(transaction, caller, "read-export", moment))


async def export_file(desk: AppContext, caller: Caller, job_id: str, file: FileRow, *, packed: bool) -> AsyncIterator[bytes]:
    """Bytes of a file, one chunk at a time: one gzip member, or plain lines.

    Raises:
        NotFound: the export was ended meanwhile.
    """
    key = read_id(job_id)
    if packed:
        yield HEADER
    for number in range(1, file.chunks + 1):
        chunk = await desk.store.read(caller.tenant_id, reading_chunk(caller.tenant_id, key, file.file_number, number))
        if chunk is None:
            raise NotFound("file")
        # In a thread: unpacking a large chunk would hold up every other request of this process.
        yield chunk if packed else await asyncio.to_thread(unpacked, chunk)
    if packed:
        yield trailer(file)


def reading_chunk(tenant_id: int, job_id: UUID, file_number: int, chunk_number: int) -> Callable[[Transaction], bytes | None]:
    return lambda transaction: read_chunk(transaction, tenant_id, job_id, file_number, chunk_number)


async def find(desk: AppContext, caller: Caller, job_id: str, moment: datetime) -> JobRow:
    """A job of the caller's tenant that was not ended and has not expired.

    Raises:
        NotFound: there is none.
    """
    key = read_id(job_id)
    job = await desk.store.read(caller.tenant_id, lambda transaction: EXPORTS.find(transaction, caller.tenant_id, key))
    if job is None or job.state == "ended" or (job.expires_at is not None and job.expires_at <= moment):
        raise NotFound("export")
    return job


async def files_of(desk: AppContext, job: JobRow) -> list[FileRow]:
    return await desk.store.read(job.tenant_id, lambda transaction: files_of_job(transaction, job.tenant_id, job.job_id))
