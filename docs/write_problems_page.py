"""Writes docs/problems.md from the error table: ``python docs/write_problems_page.py``. A test compares the two."""

from __future__ import annotations

from pathlib import Path

from quietcuff.api.problem_types import FAULT_CODES, PROBLEM_TYPES

PAGE = Path(__file__).with_name("problems.md")
OPENING = """# Problems

This page is made from `service/quietcuff/api/problem_types.py` and `fault_codes.py` by `docs/write_problems_page.py`.

Every error outside `/fhir` is an RFC 9457 problem, `application/problem+json`, with `type`, `title`, `status`, `detail`,
`instance` and `errors`. The `type` is an address of this service: `GET /problems/not-acceptable` explains it, and
`GET /problems` answers this whole page as JSON. `instance` is the id of the request, also in the header `X-Request-Id` and in
the log. Under `/fhir` every error is an OperationOutcome, and a search that cannot be understood is 400 there.

`errors` lists **every** fault, in order of place, at most 100; `more` counts those left out. A fault has exactly one of
`pointer` (RFC 6901, `""` is the whole body), `parameter` and `header`; its `code` is one of the list below; its `detail` says
what would be accepted. No problem repeats a value that was sent. After any problem nothing was stored.

```json
{"type": "/problems/not-acceptable", "title": "The body has faults", "status": 422,
 "detail": "2 faults; nothing was stored.", "instance": "urn:uuid:0f8c2a34-6f0e-4c0b-9a53-2a4c7c1b9d11",
 "errors": [
  {"pointer": "/colour", "code": "unknown-field", "detail": "Not a field of a reading set."},
  {"pointer": "/readings/0/systolic_mmhg", "code": "out-of-range", "detail": "A number from 0 to 400, at most 2 decimals."}]}
```
"""


def page() -> str:
    """The whole page."""
    kinds = [f"| {kind.status} | `{kind.type}` | {kind.title} | {kind.explanation} |" for kind in PROBLEM_TYPES]
    codes = [f"| `{code}` | {meaning} |" for code, meaning in FAULT_CODES.items()]
    return "\n".join(
        [
            OPENING,
            "## Kinds of problem\n",
            "| status | type | title | meaning |",
            "|---|---|---|---|",
            *kinds,
            "\n## Codes of faults\n",
            "| code | meaning |",
            "|---|---|",
            *codes,
            "",
        ]
    )


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
