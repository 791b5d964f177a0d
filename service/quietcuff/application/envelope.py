"""The envelope around a set and its evaluation, put together from bytes that are never parsed again."""

from __future__ import annotations

from quietcuff.application.context import Answer
from quietcuff.core.model.readings import utc_text
from quietcuff.storage.rows.answers import AnsweredVersion


def answer_of(version: AnsweredVersion, *, created: bool = False, replayed: bool = False) -> Answer:
    """A version as it was answered when it was new, to the byte."""
    return Answer(
        body=envelope(version),
        set_id=str(version.set_id),
        version=version.version,
        created=created,
        replayed=replayed,
    )


def envelope(version: AnsweredVersion) -> bytes:
    closes_at = f'"{utc_text(version.closes_at)}"' if version.closes_at is not None else "null"
    head = (
        f'{{"id":"{version.set_id}","version":{version.version},"status":"{version.status}",'
        f'"closed":{"true" if version.closes_at is None else "false"},"closes_at":{closes_at},'
        f'"subject_id":"{version.subject_id}","created_at":"{utc_text(version.set_created_at)}",'
        f'"updated_at":"{utc_text(version.created_at)}","reading_set":'
    )
    return b"".join((head.encode(), version.document, b',"evaluation":', version.evaluation, b"}"))
