"""What-ifs as jobs: the same report as in one go, also where workers die on the way; and their end."""

from __future__ import annotations

import asyncio
from typing import Any

import msgspec
import pytest

from analytics.test_what_if import ONE_ARM, store_some
from application.clinic import Clinic, open_clinic, sitting
from quietcuff.analytics.what_if import jobs
from quietcuff.analytics.what_if.jobs import WhatIfWorker, end_what_if, read_what_if, start_what_if
from quietcuff.analytics.what_if.walk import whole_report
from quietcuff.analytics.what_if.what_if import WhatIf
from quietcuff.core.model.errors import Busy, NotAcceptable, NotFound, TooOften
from quietcuff.rules.catalog import load_rulebook
from quietcuff.storage.engine.store import Store
from quietcuff.storage.rows.erasing import delete_exports

pytestmark = pytest.mark.anyio
ASKED = WhatIf(guideline="esc-2024", people=True)


@pytest.fixture
async def clinic(store: Store) -> Clinic:
    return await open_clinic(store, load_rulebook())


async def test_a_job_tells_what_one_go_tells(clinic: Clinic) -> None:
    await store_some(clinic, 30)
    begun = await start_what_if(clinic.desk, clinic.caller, ASKED)
    assert (begun.state, begun.report, begun.sets) == ("waiting", None, 0)
    assert await WhatIfWorker(clinic.desk).work() == 1
    done = await read_what_if(clinic.desk, clinic.caller, begun.id)
    assert done.state == "done" and done.sets == 30 and done.expires_at is not None
    assert done.report == await whole_report(clinic.desk, clinic.tenant.tenant_id, ASKED)
    assert await WhatIfWorker(clinic.desk).work() == 0


async def test_workers_that_die_leave_the_job_to_others_at_its_last_page(
    clinic: Clinic, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("quietcuff.analytics.follow_ups.people.SETS_A_PAGE", 4)
    await store_some(clinic, 24)
    begun = await start_what_if(clinic.desk, clinic.caller, ASKED)
    real, pages = WhatIfWorker._keep, 0

    async def dies(worker: WhatIfWorker, *given: Any, **changes: Any) -> bool:
        nonlocal pages
        pages += 1
        kept = await real(worker, *given, **changes)
        if pages in (2, 4):
            raise SystemError("killed")
        return kept

    monkeypatch.setattr(WhatIfWorker, "_keep", dies)
    for _ in range(2):
        with pytest.raises(SystemError):
            await WhatIfWorker(clinic.desk).work()
        half = await read_what_if(clinic.desk, clinic.caller, begun.id)
        assert half.state == "running" and 0 < half.sets < 24
        assert await WhatIfWorker(clinic.desk).work() == 0, "its lease is still held"
        clinic.clock.move(minutes=2)
    assert await WhatIfWorker(clinic.desk).work() == 1
    done = await read_what_if(clinic.desk, clinic.caller, begun.id)
    expected = await whole_report(clinic.desk, clinic.tenant.tenant_id, ASKED)
    assert done.report is not None
    assert rounded(done.report) == rounded(expected)


def rounded(report: Any) -> Any:
    return msgspec.structs.replace(report, as_of=None)


async def test_a_worker_that_stops_gives_its_job_back_at_once(clinic: Clinic, monkeypatch: pytest.MonkeyPatch) -> None:
    await store_some(clinic, 6)
    begun = await start_what_if(clinic.desk, clinic.caller, ASKED)

    async def stops(*_: Any) -> Any:
        raise asyncio.CancelledError
        yield

    with monkeypatch.context() as patched:
        patched.setattr(jobs, "walk", stops)
        with pytest.raises(asyncio.CancelledError):
            await WhatIfWorker(clinic.desk).work()
    assert await WhatIfWorker(clinic.desk).work() == 1
    assert (await read_what_if(clinic.desk, clinic.caller, begun.id)).state == "done"


async def test_what_fails_again_and_again_is_told(clinic: Clinic, monkeypatch: pytest.MonkeyPatch) -> None:
    await store_some(clinic, 3)
    begun = await start_what_if(clinic.desk, clinic.caller, ASKED)

    async def fails(*_: Any) -> Any:
        raise Busy(1)
        yield

    monkeypatch.setattr(jobs, "walk", fails)
    for _ in range(jobs.MOST_ATTEMPTS + 1):
        await WhatIfWorker(clinic.desk).work()
        clinic.clock.move(minutes=2)
    job = await read_what_if(clinic.desk, clinic.caller, begun.id)
    assert (job.state, job.report) == ("failed", None)


async def test_there_are_not_too_many_and_old_ones_go(clinic: Clinic) -> None:
    await clinic.receive(sitting(**ONE_ARM))
    begun = [await start_what_if(clinic.desk, clinic.caller, ASKED) for _ in range(jobs.MOST_OPEN)]
    with pytest.raises(TooOften):
        await start_what_if(clinic.desk, clinic.caller, ASKED)
    await end_what_if(clinic.desk, clinic.caller, begun[0].id)
    for wanted in (begun[0].id, "5e0f2b0e-0000-4000-8000-000000000000", "x"):
        with pytest.raises(NotFound):
            await read_what_if(clinic.desk, clinic.caller, wanted)
        with pytest.raises(NotFound):
            await end_what_if(clinic.desk, clinic.caller, wanted)
    await WhatIfWorker(clinic.desk).work()
    assert (await read_what_if(clinic.desk, clinic.caller, begun[1].id)).state == "done"
    clinic.clock.move(hours=25)
    with pytest.raises(NotFound):
        await read_what_if(clinic.desk, clinic.caller, begun[1].id)
    await WhatIfWorker(clinic.desk).work()
    assert await clinic.count("what_if_job") == 0
    with pytest.raises(NotAcceptable):
        await start_what_if(clinic.desk, clinic.caller, WhatIf())


async def test_another_tenant_sees_none_and_erasing_takes_reports_along(clinic: Clinic) -> None:
    begun = await start_what_if(clinic.desk, clinic.caller, ASKED)
    stranger = await open_clinic(clinic.desk.store, clinic.desk.rulebook, "another")
    with pytest.raises(NotFound):
        await read_what_if(stranger.desk, stranger.caller, begun.id)
    with pytest.raises(NotFound):
        await end_what_if(stranger.desk, stranger.caller, begun.id)
    await clinic.desk.store.write(clinic.tenant.tenant_id, lambda one: delete_exports(one, clinic.tenant.tenant_id))
    assert await clinic.count("what_if_job") == 0
