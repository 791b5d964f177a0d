"""Answers in the reader's language: the choice from ``lang`` and ``Accept-Language``, and the headers that say it."""

from __future__ import annotations

from urllib.parse import parse_qsl

from quietcuff.api.operations import OperationParameter
from quietcuff.api.requests import Connection, header_of
from quietcuff.api.service import service_of
from quietcuff.words.language import CODES
from quietcuff.words.speaker import Speaker

LANGUAGE_HEADERS = ("Content-Language", "Vary")
LANG = OperationParameter(
    name="lang",
    within="query",
    schema={"type": "string", "examples": list(CODES)},
    description=f"The language of the texts: {', '.join(CODES)}; any other is answered in English, as `Content-Language` says. "
    "Goes before `Accept-Language`.",
)
ACCEPT_LANGUAGE = OperationParameter(
    name="Accept-Language",
    within="header",
    schema={"type": "string"},
    description="The languages that the reader prefers. Without it, and without `lang`, texts are English and the "
    "answer has no `words`.",
)
LANGUAGE_PARAMETERS = (LANG, ACCEPT_LANGUAGE)
NO_PREFERENCE = ("", "*")


def speaker_of(request: Connection) -> Speaker | None:
    """The speaker of the language asked for; None where none is, and the answer stays as it is stored."""
    asked = lang_of(request)
    if asked is not None:
        return service_of(request).languages.speaker(asked)
    accepted = header_of(request, "Accept-Language")
    if accepted is None or accepted.strip() in NO_PREFERENCE:
        return None
    return service_of(request).languages.preferred(accepted)


def lang_of(request: Connection) -> str | None:
    """The last ``lang`` of the query; None without one."""
    raw: bytes = request.scope["query_string"]
    if b"lang=" not in raw:
        return None
    return dict(parse_qsl(raw.decode("latin-1"), keep_blank_values=True)).get("lang")


def language_headers(speaker: Speaker | None) -> dict[str, str]:
    """The headers of an answer that may be had in several languages."""
    return {"Content-Language": "en" if speaker is None else speaker.about.language, "Vary": "Accept-Language"}
