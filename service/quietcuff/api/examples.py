"""Bodies shown in the OpenAPI document. People, devices and readings are invented."""

from __future__ import annotations

from typing import Any

FIRST_READING: dict[str, Any] = {
    "taken_at": "2026-05-04T09:00:00+02:00",
    "systolic_mmhg": 142,
    "diastolic_mmhg": 88,
    "pulse_per_min": 72,
    "site": "left-upper-arm",
    "position": "sitting",
    "method": "oscillometric",
}

OPENED: dict[str, Any] = {
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

WHOLE: dict[str, Any] = {
    "subject": {"identifier": {"system": "urn:example:mrn", "value": "p-0002"}, "birth_date": "1958"},
    "visit": "follow-up",
    "readings": [
        {
            "taken_at": f"2026-05-04T09:0{minute}:00+02:00",
            "systolic_mmhg": systolic,
            "diastolic_mmhg": diastolic,
            "site": "right-upper-arm",
            "position": "sitting",
        }
        for minute, systolic, diastolic in ((0, 138, 84), (2, 134, 82))
    ],
}

READING_SETS: dict[str, Any] = {
    "a sitting that is under way": OPENED,
    "a whole sitting, with little said": WHOLE,
}

BATCH_ANSWER: list[dict[str, Any]] = [
    {
        "line": 1,
        "status": 201,
        "id": "019df237-3e80-7cda-ae6c-acc0e2b83dda",
        "version": 1,
        "replayed": False,
        "state": "in-progress",
        "safety_level": "none",
    },
    {
        "line": 2,
        "status": 422,
        "problem": {
            "type": "/problems/not-acceptable",
            "title": "The body has faults",
            "status": 422,
            "detail": "1 fault; nothing was stored.",
            "instance": "urn:uuid:0f8c2a34-6f0e-4c0b-9a53-2a4c7c1b9d11#2",
            "errors": [{"pointer": "/readings/0/taken_at", "code": "missing", "detail": "Needed."}],
        },
    },
    {"end": True, "lines": 2, "stored": 1, "replayed": 0, "refused": 1},
]

APPENDS: dict[str, Any] = {
    "one more reading, and an answer asked for meanwhile": {
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
    },
    "nothing more will come": {"closed": True},
}

CORRECTIONS: dict[str, Any] = {
    "a typing error, a reading of somebody else, an answer put right": {
        "reason": "typed 146 for 164; reading 1 was another patient",
        "author": {"system": "urn:example:staff", "value": "n-17"},
        "changes": [
            {"change": "amend-reading", "index": 2, "set": {"systolic_mmhg": 164}},
            {"change": "void-reading", "index": 1},
            {"change": "amend-set", "set": {"context": {"rest_minutes": 2}}},
        ],
    },
    "the wrong person": {"reason": "measured on another patient", "changes": [{"change": "void-set"}]},
}

MOVES: dict[str, Any] = {
    "the wrong person": {
        "subject": {"identifier": {"system": "urn:example:mrn", "value": "p-0002"}},
        "reason": "measured on another patient",
    }
}

SUBJECTS: dict[str, Any] = {
    "a person, by an identifier of yours": {
        "identifier": {"system": "urn:example:mrn", "value": "p-0001"},
        "birth_date": "1971-01-15",
        "sex": "female",
        "arm_circumference_cm": 31.5,
    }
}

DEVICES: dict[str, Any] = {
    "a validated device with two cuffs": {
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
}

IDENTIFIERS: dict[str, Any] = {"by identifier": {"identifier": {"system": "urn:example:mrn", "value": "p-0001"}}}

TARGETS: dict[str, Any] = {
    "a clinical record": {
        "kind": "fhir",
        "url": "https://record.example.org/fhir/R4",
        "bearer_token": "invented-token",
        "implausible": False,
        "preliminary": True,
    },
    "a webhook": {"kind": "webhook", "url": "https://hooks.example.org/quietcuff"},
}

TARGET_CHANGES: dict[str, Any] = {
    "pause": {"state": "paused"},
    "go on elsewhere": {"state": "active", "url": "https://record.example.org/fhir"},
}

REPLAYS: dict[str, Any] = {"everything": {}, "one": {"ids": ["019df237-3e80-7cda-ae6c-acc0e2b83dda-v1"]}}
