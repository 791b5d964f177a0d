"""Bodies that tests send: invented people, invented readings."""

from __future__ import annotations

import copy
from typing import Any

from hypothesis import strategies as st

FIRST_READING: dict[str, Any] = {
    "taken_at": "2026-05-04T09:00:00+02:00",
    "systolic_mmhg": 142,
    "diastolic_mmhg": 88,
    "pulse_per_min": 72,
    "site": "left-upper-arm",
    "position": "sitting",
    "method": "oscillometric",
}

OPENED_SET: dict[str, Any] = {
    "identifier": {"system": "urn:example:visit", "value": "1001"},
    "subject": {
        "identifier": {"system": "urn:example:mrn", "value": "p-0001"},
        "birth_date": "1971-01-15",
        "sex": "female",
        "arm_circumference_cm": 31.5,
    },
    "setting": "office",
    "visit": "first",
    "guidelines": ["aha-acc-2025"],
    "observer": {"system": "urn:example:staff", "value": "n-17"},
    "location": {"system": "urn:example:room", "value": "3"},
    "context": {"rest_minutes": 5, "talking": "no", "legs_crossed": "no", "arm_height": "at", "sleeve": "bare"},
    "device": {"identifier": {"system": "urn:example:device", "value": "SN-0007"}},
    "cuff": {"size": "adult", "range_cm": [27, 34], "mark_within_range": "yes"},
    "closed": False,
    "readings": [FIRST_READING],
}

RICH_SET: dict[str, Any] = {
    **OPENED_SET,
    "closed": True,
    "subject": {
        **OPENED_SET["subject"],
        "pregnancy": "no",
        "treatment_changed_on": "2026-04-01",
        "arm_restrictions": [{"arm": "left", "reason": "dialysis-access", "until": "2027-01-01"}],
    },
    "device_average": {"systolic_mmhg": 141.5, "diastolic_mmhg": 88, "readings": 3, "first_dropped": True},
    "history": {
        "as_of": "2026-05-04T09:00:00+02:00",
        "pairs": [{"day": "2026-01-10", "systolic_difference_mmhg": 8, "diastolic_difference_mmhg": 4}],
        "sittings": [
            {
                "taken_from": "2026-01-10T09:00:00+01:00",
                "setting": "office",
                "site": "right-upper-arm",
                "systolic_mmhg": 145,
                "diastolic_mmhg": 90,
                "readings_counted": 2,
                "value_rule": "last-two",
                "provisional_because": ["single-sitting"],
            }
        ],
    },
    "readings": [
        FIRST_READING,
        {
            "taken_at": "2026-05-04T07:01:10Z",
            "systolic_mmhg": 150.25,
            "diastolic_mmhg": 92.0,
            "site": "right-upper-arm",
            "device_flags": ["irregular-pulse"],
            "cuff": {"range_cm": [27, 34]},
            "device": {"kind": "automatic", "validated": "yes"},
            "observer": {"system": "urn:example:staff", "value": "n-17"},
        },
        {"taken_at": "2026-05-04T09:02:20+02:00", "device_flags": ["measurement-failed"]},
    ],
}

APPEND: dict[str, Any] = {
    "readings": [
        {
            "taken_at": "2026-05-04T09:01:10+02:00",
            "systolic_mmhg": 150,
            "diastolic_mmhg": 92,
            "site": "right-upper-arm",
            "position": "sitting",
        }
    ],
    "context": {"acute_symptoms": "no"},
    "closed": False,
}

CORRECTION: dict[str, Any] = {
    "reason": "typed 146 for 164; reading 1 was another patient",
    "author": {"system": "urn:example:staff", "value": "n-17"},
    "changes": [
        {"change": "amend-reading", "index": 2, "set": {"systolic_mmhg": 164}},
        {"change": "void-reading", "index": 1},
        {"change": "amend-set", "set": {"context": {"rest_minutes": 2}}},
    ],
}

SUBJECT: dict[str, Any] = {
    "identifier": {"system": "urn:example:mrn", "value": "p-0001"},
    "birth_date": "1971-01-15",
    "sex": "female",
    "pregnancy": None,
    "treatment_changed_on": "2026-04-01",
    "arm_restrictions": [{"arm": "left", "reason": "lymphoedema"}],
}

DEVICE: dict[str, Any] = {
    "identifier": {"system": "urn:example:device", "value": "SN-0007"},
    "manufacturer": "Example Instruments",
    "kind": "automatic",
    "site": "upper-arm",
    "validated": "yes",
    "validated_for": ["adults", "pregnancy"],
    "validation_evidence": [{"standard": "ISO 81060-2:2018", "population_groups": ["adults", "pregnancy"]}],
    "cuffs": [{"size": "adult", "range_cm": [22, 32]}, {"size": "large adult", "range_cm": [32, 42]}],
    "last_accuracy_check": "2026-01-10",
    "accuracy_check_interval_months": 12,
    "time_zone": "Europe/Amsterdam",
    "clock_drift_seconds": -90,
}

TARGET: dict[str, Any] = {"kind": "fhir", "url": "https://record.example.org/fhir/R4", "bearer_token": "invented-token"}


def changed(body: dict[str, Any], pointer: str, value: Any) -> dict[str, Any]:
    """A copy of the body with another value at the pointer; ``...`` removes what is there."""
    copied = copy.deepcopy(body)
    *way, last = [int(token) if token.isdecimal() else token for token in pointer.strip("/").split("/")]
    parent: Any = copied
    for token in way:
        parent = parent[token]
    if value is ...:
        del parent[last]
    else:
        parent[last] = value
    return copied


json_leaves = (
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(alphabet=st.characters(exclude_categories=["Cs"]), max_size=8)
    | st.sampled_from(
        [
            "yes",
            "sitting",
            "2026-05-04",
            "1971-02-30",
            "2026-05-04T09:00:00",
            "2026-05-04T09:00:00+14:01",
            "9999-12-31T00:00:00Z",
            "x" * 256,
            "line\nbreak",
            142.123,
            400.01,
            -1,
            0,
            5.0,
            10**400,
        ]
    )
)
json_values = st.recursive(
    json_leaves,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=6), inner, max_size=3),
    max_leaves=6,
)


@st.composite
def mutated(draw: st.DrawFn, body: Any) -> Any:
    """The body with one to four places removed, replaced or added to."""
    value = copy.deepcopy(body)
    for _ in range(draw(st.integers(1, 4))):
        holders = [holder for holder in _holders(value) if holder]
        if not holders:
            return value
        holder = draw(st.sampled_from(holders))
        keys = sorted(holder) if isinstance(holder, dict) else list(range(len(holder)))
        key = draw(st.sampled_from(keys))
        match draw(st.sampled_from(["remove", "replace", "add", "null", "repeat"])):
            case "remove":
                del holder[key]
            case "replace":
                holder[key] = draw(json_values)
            case "null":
                holder[key] = None
            case "add" if isinstance(holder, dict):
                holder[draw(st.text(alphabet=st.characters(exclude_categories=["Cs"]), max_size=80))] = draw(json_values)
            case _ if isinstance(holder, list):
                holder.extend(copy.deepcopy(holder[:1]) * draw(st.sampled_from([1, 301])))
    return value


def _holders(value: Any) -> list[Any]:
    """Every object and list inside, itself included."""
    if isinstance(value, dict):
        return [value, *(holder for item in value.values() for holder in _holders(item))]
    if isinstance(value, list):
        return [value, *(holder for item in value for holder in _holders(item))]
    return []
