"""``/v1/what-if``: jobs that evaluate stored sittings by other rules or answers."""

from __future__ import annotations

from typing import Any

from litestar import Controller, Request, delete, get, post
from litestar.params import RawBody
from litestar.response.base import ASGIResponse

from quietcuff.analytics.what_if.jobs import WhatIfJob, end_what_if, read_what_if, start_what_if
from quietcuff.analytics.what_if.what_if import WhatIf
from quietcuff.api import problem_types as kinds
from quietcuff.api.authentication import caller_of, principal_of
from quietcuff.api.operations import AnswerLink, Operation, Reply, described
from quietcuff.api.requests import Connection, PathText
from quietcuff.api.responses import answer, answer_struct
from quietcuff.api.service import service_of
from quietcuff.core.model.errors import NotAllowed
from quietcuff.decode.own_json import read
from quietcuff.security.scopes import IDENTIFIED, Need

TAG = "What if"
RETRY_SECONDS = 2
LINKS = tuple(
    AnswerLink(operation=operation, parameters={"job_id": "$response.body#/id"}) for operation in ("get_what_if", "end_what_if")
)
START = Operation(
    id="start_what_if",
    tag=TAG,
    summary="Ask what other rules would have said of all that is stored",
    description="Worked on beside the requests; nothing that is stored changes. Every set is evaluated again from what was "
    "stored with it. Labels are compared under the first guideline of each side. `people: true` lists whose newest label "
    f"moves, and needs {IDENTIFIED} too.",
    access=Need("WhatIf", "c"),
    body=WhatIf,
    examples={
        "another guideline": "what-if-guideline",
        "another way of measuring": "what-if-protocol",
        "the arm supported": "what-if-answers",
        "one reading fewer": "what-if-fewer-readings",
    },
    replies=(
        Reply(
            status=202,
            description="Begun. Location is where to ask after it.",
            shape=WhatIfJob,
            headers=("Location", "Retry-After"),
            links=LINKS,
        ),
    ),
)
READ = Operation(
    id="get_what_if",
    tag=TAG,
    summary="How a what-if stands, and its report once it is done",
    access=Need("WhatIf", "r"),
    replies=(Reply(description="The job; `report` is null until `state` is done.", shape=WhatIfJob, headers=("Retry-After",)),),
    problems=(kinds.NOT_FOUND,),
)
END = Operation(
    id="end_what_if",
    tag=TAG,
    summary="Stop a what-if, done or not, and delete its report",
    access=Need("WhatIf", "d"),
    replies=(Reply(status=204, description="It is gone."),),
    problems=(kinds.NOT_FOUND,),
)


class WhatIfs(Controller):
    """What-if jobs."""

    path = "/v1/what-if"

    @post(opt=described(START), status_code=202)
    async def start(self, request: Request[Any, Any, Any], body: RawBody) -> ASGIResponse:
        """Start a job."""
        asked = read(body, WhatIf)
        check_names(request, asked)
        service = service_of(request)
        job = await start_what_if(service.desk, caller_of(request), asked)
        service.what_if_bell.set()
        headers = {"Location": f"{self.path}/{job.id}", "Retry-After": str(RETRY_SECONDS)}
        return answer_struct(job, status=202, headers=headers)

    @get("/{job_id:str}", opt=described(READ))
    async def get_one(self, request: Request[Any, Any, Any], job_id: PathText) -> ASGIResponse:
        """Answer the state of a job."""
        job = await read_what_if(service_of(request).desk, caller_of(request), job_id)
        # Checked when it is read, too: the reader may hold another key than the one that started the job.
        check_names(request, job.asked)
        is_over = job.state in ("done", "failed")
        return answer_struct(job, headers=None if is_over else {"Retry-After": str(RETRY_SECONDS)})

    @delete("/{job_id:str}", opt=described(END), status_code=200)
    async def end(self, request: Request[Any, Any, Any], job_id: PathText) -> ASGIResponse:
        """Delete a job."""
        await end_what_if(service_of(request).desk, caller_of(request), job_id)
        return answer(b"", status=204)


def check_names(request: Connection, asked: WhatIf) -> None:
    """Refuse a caller who may not have people named, if the job names them.

    Raises:
        NotAllowed: the key lacks the scope for it.
    """
    if asked.people and not principal_of(request).scopes.identified:
        raise NotAllowed(IDENTIFIED)
