"""The worker for bulk exports: it takes jobs, reads them page by page, and stores each page with the job's progress.

If a worker dies, its job stays at the last stored page. Its lease runs out, and another worker goes on from there. Nothing is
written twice.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from datetime import datetime, timedelta
from uuid import UUID, uuid4

import msgspec

from quietcuff.application.context import AppContext, now
from quietcuff.core.model.decoders import DocumentDecoder
from quietcuff.core.model.errors import Busy
from quietcuff.fhir.bulk.gzip_files import JobFiles, Packed
from quietcuff.fhir.bulk.pages import Produced, RawPage, Walk, make_lines, read_page
from quietcuff.fhir.bulk.plan import ExportPlan, Progress
from quietcuff.fhir.versions.stored_sets import Publisher
from quietcuff.storage.bulk.files import add_to_files, files_of_job, sweep_job
from quietcuff.storage.bulk.jobs import EXPORTS, JobRow, jobs_that_are_over, release_job, wait_for_writers
from quietcuff.storage.engine.store import NO_TENANT
from quietcuff.storage.engine.transactions import Transaction
from quietcuff.storage.rows.tenants import all_tenant_ids

MOST_ATTEMPTS = 5
MILLISECOND = timedelta(milliseconds=1)
PAUSE = timedelta(seconds=2)
PROGRESS = DocumentDecoder(Progress)
PLAN = DocumentDecoder(ExportPlan)
ENCODER = msgspec.json.Encoder()
NOTHING = Packed()


class ExportLimits(msgspec.Struct, frozen=True, kw_only=True):
    """Limits of exports: open exports of a tenant, resources in a file, hours that files are kept, and seconds without a sign
    of life after which a worker counts as dead."""

    jobs: int = 3
    resources_a_file: int = 100_000
    hours_kept: int = 24
    lease_seconds: int = 20


class ExportWorker:
    """Export work of one process, for all tenants."""

    def __init__(self, desk: AppContext, public_url: str, limits: ExportLimits) -> None:
        self._desk, self._public_url, self._limits = desk, public_url, limits
        self._id = uuid4()

    async def work(self) -> int:
        """Do every free job and delete what has expired; return the number of jobs done."""
        done = 0
        for tenant_id in await self._desk.store.read(NO_TENANT, all_tenant_ids):
            while (job := await self._take(tenant_id)) is not None:
                await self._do(job)
                done += 1
            await self._sweep(tenant_id)
        return done

    async def _take(self, tenant_id: int) -> JobRow | None:
        # Looked for by a reader first: most looks find nothing, and readers wait for nobody.
        moment, store = now(self._desk), self._desk.store
        if not await store.read(tenant_id, lambda transaction: EXPORTS.is_any_free(transaction, tenant_id, moment)):
            return None
        return await store.write(
            tenant_id, lambda transaction: EXPORTS.take(transaction, tenant_id, self._id, moment, self._lease(moment))
        )

    def _lease(self, moment: datetime) -> datetime:
        return moment + timedelta(seconds=self._limits.lease_seconds)

    async def _do(self, job: JobRow) -> None:
        """Run a job to its end, or as far as it goes. A job that fails too often is reported to the client as failed."""
        if job.attempts > MOST_ATTEMPTS:
            await self._keep(job, state="failed")
            return
        try:
            await self._walk(job)
        except asyncio.CancelledError:
            # The process stops: let the next one go on at once. It may be too late for that; the lease ends all the same.
            await asyncio.shield(self._release(job, timedelta()))
            raise
        # The database is slow or away, which is no fault of the job: the attempt is not counted.
        except Busy:
            await self._release(job, PAUSE)

    async def _release(self, job: JobRow, pause: timedelta) -> None:
        """Give a job back after a pause without counting the attempt. Its progress is in the database."""
        lease_until, attempts = now(self._desk) + pause, job.attempts - 1
        await self._desk.store.write(job.tenant_id, lambda transaction: release_job(transaction, job, lease_until, attempts))

    async def _walk(self, job: JobRow) -> None:
        tenant = await self._desk.tenants.get(job.tenant_id)
        publisher = Publisher(tenant=tenant, public_url=self._public_url)
        # Chosen once for each job: whoever goes on with it must export the same moment.
        at = job.transaction_time or await moment_with_all_before(self._desk, job.tenant_id)
        walk = Walk(publisher=publisher, plan=PLAN.decode(job.plan), at=at)
        # Back to none: progress was made, and only failures in a row should end a job.
        job = msgspec.structs.replace(job, transaction_time=at, attempts=0)
        files = await self._desk.store.read(
            job.tenant_id, lambda transaction: files_of_job(transaction, job.tenant_id, job.job_id)
        )
        shelf, progress = JobFiles(files, self._limits.resources_a_file), PROGRESS.decode(job.progress)
        while progress.step != "end":
            page = await self._desk.store.read(job.tenant_id, reading_of(walk, progress))
            produced, packed = await asyncio.to_thread(produce, walk, progress, page, shelf)
            progress = produced.progress
            job = msgspec.structs.replace(job, progress=ENCODER.encode(progress))
            if not await self._keep(job, packed, state="done" if progress.step == "end" else "running"):
                return

    async def _keep(self, job: JobRow, packed: Packed = NOTHING, **changes: object) -> bool:
        """Store a job's progress and new output. False if another worker has the job."""
        moment = now(self._desk)
        changed = msgspec.structs.replace(job, lease_until=self._lease(moment), **changes)
        if changed.state in ("done", "failed"):
            changed = msgspec.structs.replace(changed, expires_at=moment + timedelta(hours=self._limits.hours_kept))

        def keep(transaction: Transaction) -> bool:
            is_ours = EXPORTS.keep(transaction, changed)
            if is_ours:
                add_to_files(transaction, job.tenant_id, job.job_id, packed.files, packed.chunks)
            return is_ours

        return await self._desk.store.write(job.tenant_id, keep)

    async def _sweep(self, tenant_id: int) -> None:
        """Delete ended and expired jobs in small steps, so that nobody waits for it."""
        moment = now(self._desk)
        store = self._desk.store
        for job_id in await store.read(tenant_id, lambda transaction: jobs_that_are_over(transaction, tenant_id, moment)):
            while not await store.write(tenant_id, sweeping(tenant_id, job_id)):
                await asyncio.sleep(0)


def sweeping(tenant_id: int, job_id: UUID) -> Callable[[Transaction], bool]:
    return lambda transaction: sweep_job(transaction, tenant_id, job_id)


def reading_of(walk: Walk, progress: Progress) -> Callable[[Transaction], RawPage]:
    return lambda snapshot: read_page(snapshot, walk, progress)


def produce(walk: Walk, progress: Progress, page: RawPage, shelf: JobFiles) -> tuple[Produced, Packed]:
    """Lines of a page, packed for the files of a job."""
    produced = make_lines(walk, progress, page)
    parts = [shelf.pack(purpose, kind, lines) for (purpose, kind), lines in produced.lines.items() if lines]
    return produced, Packed(
        files=[file for part in parts for file in part.files], chunks=[chunk for part in parts for chunk in part.chunks]
    )


async def moment_with_all_before(desk: AppContext, tenant_id: int) -> datetime:
    """A moment, to the millisecond, up to which everything that will ever carry an earlier time is already stored for the
    tenant.

    Writers set the time of what they store while they hold their lock. Anything with a later time is therefore stored after
    this wait, and belongs to the next export with ``_since``.
    """

    def wait(transaction: Transaction) -> datetime:
        wait_for_writers(transaction, tenant_id)
        # One millisecond less: stored times are cut to the millisecond, so this one may still be given to a later write.
        return now(desk) - MILLISECOND

    return await desk.store.write(NO_TENANT, wait)
