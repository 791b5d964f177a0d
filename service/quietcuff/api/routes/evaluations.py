"""``/v1/evaluations``: evaluate a sitting and store nothing."""

from __future__ import annotations

from functools import partial
from typing import Any

from litestar import Controller, Request, post
from litestar.params import RawBody
from litestar.response.base import ASGIResponse

from quietcuff.api.examples import SITTINGS
from quietcuff.api.operations import Operation, Reply, described
from quietcuff.api.responses import LANGUAGE_HEADERS, LANGUAGE_PARAMETERS, answer, answer_struct, language_headers, speaker_of
from quietcuff.api.service import service_of
from quietcuff.application.context import now
from quietcuff.core.evaluate import evaluate
from quietcuff.core.model.readings import ReadingSet, noted_as_opened
from quietcuff.core.sitting.acceptance import faults_of_meaning
from quietcuff.decode.own_json import read
from quietcuff.security.scopes import Need
from quietcuff.words.envelopes import SpokenEvaluation, spoken_evaluation

EVALUATE = Operation(
    id="evaluate",
    tag="Evaluations",
    summary="Evaluate a reading set, store nothing",
    description="A dry run. `history` and `intake` may be sent here: the `reading_set` of any stored answer, pasted in, "
    "gives the evaluation of that answer again, to the byte. With `closed` false and no `readings` it says what to "
    "prepare; the day is then `intake.received_at`, else today.",
    access=Need("Observation", "c"),
    parameters=LANGUAGE_PARAMETERS,
    body=ReadingSet,
    examples=SITTINGS,
    replies=(Reply(description="The evaluation.", shape=SpokenEvaluation, headers=LANGUAGE_HEADERS),),
)


class Evaluations(Controller):
    """The dry run."""

    path = "/v1/evaluations"

    @post(opt=described(EVALUATE))
    async def evaluate(self, request: Request[Any, Any, Any], body: RawBody) -> ASGIResponse:
        """Evaluate."""
        rulebook = service_of(request).desk.rulebook
        reading_set = read(body, ReadingSet, partial(faults_of_meaning, rulebook=rulebook))
        dated = noted_as_opened(reading_set, now(service_of(request).desk))
        evaluation, speaker = evaluate(dated, dated.history, rulebook), speaker_of(request)
        if speaker is None:
            return answer_struct(evaluation, headers=language_headers(None))
        return answer(spoken_evaluation(speaker, dated, evaluation), headers=language_headers(speaker))
