"""Over HTTP, too, faults of shape and of meaning come in one report, on every route that can know both from the body alone."""

from __future__ import annotations

from typing import Any

import httpx
import pytest

from api.serving import problem
from bodies import APPEND, DEVICE, FIRST_READING, OPENED_SET, RICH_SET

SET_ID = "019df237-3e80-7cda-ae6c-acc0e2b83dda"
FAULTY_SET = {**OPENED_SET, "colour": "red", "protocol": "no-such"}
VOIDED = {**FIRST_READING, "voided": True, "site": "knee"}


@pytest.mark.parametrize(
    ("path", "body", "expected"),
    [
        ("/v1/evaluations", FAULTY_SET, [("/colour", "unknown-field"), ("/protocol", "unknown-code")]),
        (
            "/v1/reading-sets",
            {**FAULTY_SET, "history": RICH_SET["history"], "readings": [VOIDED]},
            [
                ("/colour", "unknown-field"),
                ("/history", "not-accepted-here"),
                ("/protocol", "unknown-code"),
                ("/readings/0/site", "unknown-code"),
                ("/readings/0/voided", "not-accepted-here"),
            ],
        ),
        (
            "/v1/reading-sets",
            {**OPENED_SET, "protocol": "no-such", "history": RICH_SET["history"]},
            [("/history", "not-accepted-here"), ("/protocol", "unknown-code")],
        ),
        (
            f"/v1/reading-sets/{SET_ID}/readings",
            {**APPEND, "readings": [VOIDED]},
            [("/readings/0/site", "unknown-code"), ("/readings/0/voided", "not-accepted-here")],
        ),
        (
            "/v1/devices",
            {**DEVICE, "time_zone": "Nowhere/Nothing", "site": "knee"},
            [("/site", "unknown-code"), ("/time_zone", "unknown-code")],
        ),
    ],
)
def test_every_fault_is_in_one_report(
    client: httpx.Client, path: str, body: dict[str, Any], expected: list[tuple[str, str]]
) -> None:
    found = problem(client.post(path, json=body, headers={"If-Match": '"1"'}), 422, "not-acceptable")
    assert [(fault["pointer"], fault["code"]) for fault in found["errors"]] == expected
