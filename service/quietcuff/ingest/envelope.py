"""The envelope around a set and its evaluation, put together from bytes that are never parsed again."""

from __future__ import annotations

from datetime import datetime, timedelta

from quietcuff.ingest.desk import Answer
from quietcuff.storage.answers import AnsweredVersion


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
    closes_at = f'"{instant(version.closes_at)}"' if version.closes_at is not None else "null"
    head = (
        f'{{"id":"{version.set_id}","version":{version.version},"status":"{version.status}",'
        f'"closed":{"true" if version.closes_at is None else "false"},"closes_at":{closes_at},'
        f'"subject_id":"{version.subject_id}","created_at":"{instant(version.set_created_at)}",'
        f'"updated_at":"{instant(version.created_at)}","reading_set":'
    )
    return b"".join((head.encode(), version.document, b',"evaluation":', version.evaluation, b"}"))


def instant(moment: datetime) -> str:
    """A moment of the service's own, such as 2026-05-04T07:03:31.120Z: UTC, milliseconds."""
    return f"{(moment - (moment.utcoffset() or timedelta())).replace(tzinfo=None).isoformat(timespec='milliseconds')}Z"
