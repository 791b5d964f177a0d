"""``/v1/words``: every code that a person may see, with its words, in one language."""

from __future__ import annotations

from hashlib import sha256
from typing import Any

import msgspec
from litestar import Controller, Request, get
from litestar.response.base import ASGIResponse

from quietcuff.api.operations import Operation, Reply, described
from quietcuff.api.requests import IF_NONE_MATCH, is_known_already, query_of
from quietcuff.api.responses import (
    LANGUAGE_HEADERS,
    LANGUAGE_PARAMETERS,
    VARIES,
    answer,
    language_headers,
    not_modified,
    speaker_of,
)
from quietcuff.api.service import service_of
from quietcuff.words.catalogue import Catalogue, catalogue_of
from quietcuff.words.language import CODES

# Words change with a new version of the service only.
CACHE = "private, max-age=3600"
WORDS = Operation(
    id="list_words",
    tag="Rules",
    summary="Every code in words, in one language",
    description="For each kind of code the short text, the plain sentence and, where it is asked, the question. Names in "
    "braces are parameters, the same in every language. `machine_drafted` is true until a clinician has read that language.",
    access="any-key",
    parameters=(*LANGUAGE_PARAMETERS, IF_NONE_MATCH),
    replies=(
        Reply(description="The words.", shape=Catalogue, headers=("ETag", "Cache-Control", *LANGUAGE_HEADERS)),
        Reply(status=304, description="You have it already.", headers=("ETag", "Vary")),
    ),
)


class WordCatalogue(Controller):
    """The catalogue of words."""

    path = "/v1/words"

    @get(opt=described(WORDS))
    async def list_all(self, request: Request[Any, Any, Any]) -> ASGIResponse:
        """List them in the language asked for."""
        query_of(request, "lang")
        speaker = speaker_of(request) or service_of(request).languages.speaker(None)
        body = msgspec.json.encode(catalogue_of(speaker, list(CODES)))
        etag = f'"{sha256(body).hexdigest()[:32]}"'
        if is_known_already(request, etag):
            return not_modified(etag, VARIES)
        return answer(body, headers={"ETag": etag, "Cache-Control": CACHE, **language_headers(speaker)})
