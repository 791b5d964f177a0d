"""The summary of a person over sittings, computed from the stored sets at each request."""

from __future__ import annotations

import msgspec

from quietcuff.application.context import AppContext, Caller
from quietcuff.application.parties import DECODER
from quietcuff.core.model.decoders import DocumentDecoder
from quietcuff.core.model.evaluation import Evaluation
from quietcuff.core.model.readings import Facts, ReadingSet
from quietcuff.core.over_visits.pooling import CurrentSitting
from quietcuff.core.summarise import summarise
from quietcuff.storage.engine.ids import read_id
from quietcuff.storage.engine.transactions import Transaction
from quietcuff.storage.rows.retention import missing_subject
from quietcuff.storage.rows.subjects import find_subject
from quietcuff.storage.rows.versions import AnsweredVersion, newest_answers_of_subject

ENCODER = msgspec.json.Encoder()
READING_SET = DocumentDecoder(ReadingSet)
EVALUATION = DocumentDecoder(Evaluation)
# The newest only: a person measured for years must not make one request read without end.
MOST_SETS = 500


async def read_summary(desk: AppContext, caller: Caller, wanted: str) -> bytes:
    """The summary of a person, over at most the newest 500 sets.

    Raises:
        NotFound: nobody of this tenant.
        Deleted: somebody who was deleted.
    """
    person = read_id(wanted)
    tenant_id = caller.tenant_id

    def read(transaction: Transaction) -> tuple[Facts, list[AnsweredVersion]]:
        known = find_subject(transaction, tenant_id, person)
        if known is None:
            raise missing_subject(transaction, tenant_id, person)
        return DECODER.decode(known.facts), newest_answers_of_subject(transaction, tenant_id, person, MOST_SETS)

    facts, versions = await desk.store.read(tenant_id, read)
    sittings = [stored_sitting(version) for version in versions]
    return ENCODER.encode(summarise(str(person), facts, sittings, desk.clock(), desk.rulebook))


def stored_sitting(version: AnsweredVersion) -> CurrentSitting:
    """A version in the form that the summary reads."""
    return CurrentSitting(
        set_id=str(version.set_id),
        status="voided" if version.status == "voided" else "active",
        closed=version.closes_at is None,
        reading_set=READING_SET.decode(version.document),
        evaluation=EVALUATION.decode(version.evaluation),
    )
