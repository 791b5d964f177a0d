"""Headers and query parameters that several routes take."""

from __future__ import annotations

import msgspec

from quietcuff.api.operations import Parameter

ETAGS = {"anyOf": [{"type": "string", "pattern": '^"[0-9]{1,9}"$'}, {"const": "*"}], "examples": ['"3"']}

IDEMPOTENCY_KEY = Parameter(
    name="Idempotency-Key",
    within="header",
    schema={"type": "string", "minLength": 1, "maxLength": 255, "pattern": "^[!-~]+$"},
    description="Your own key of this request: sent again with the same body, it is answered as the first time, and "
    "nothing is done twice. Kept 30 days; only successes are remembered.",
)
IDEMPOTENCY_KEY_OF_BATCH = msgspec.structs.replace(
    IDEMPOTENCY_KEY,
    description="Your own key of this request: a line without an `identifier` is known by it and its line number, and is "
    "not stored again when the same lines are sent again. Kept 30 days.",
)
IF_MATCH = Parameter(
    name="If-Match",
    within="header",
    schema=ETAGS,
    description='The version that the change is meant for: its ETag, such as "3". Missing: 428. Stale: 412.',
)
IF_MATCH_OR_ANY = Parameter(
    name="If-Match",
    within="header",
    schema=ETAGS,
    description='The version that the readings were taken after: its ETag, such as "3"; or * for whichever is newest.',
)
IF_MATCH_OPTIONAL = Parameter(
    name="If-Match",
    within="header",
    schema=ETAGS,
    description='Only if this is still the newest version, such as "3". May be left out.',
)
IF_NONE_MATCH = Parameter(
    name="If-None-Match",
    within="header",
    schema={"type": "string"},
    description="The ETag that you have: answered by 304 if it is still the newest.",
)
