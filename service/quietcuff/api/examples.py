"""Example bodies for the OpenAPI document. All people, devices and readings are invented.

The example of a summary shows a person whose pressure is high at two office visits and not at home.
"""

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


SUMMARY: dict[str, Any] = {
    "subject_id": "cda41017-1d9a-8818-bb1a-da6d8d866445",
    "as_of": "2026-06-01T08:00:00.000Z",
    "window": {"from": "2025-12-03", "to": "2026-06-01", "because": "at-most-180-days"},
    "sittings": {"stored": 3, "counted": 3, "left_out": []},
    "safety": {"level": "none", "readings": [], "ask": [], "text": None},
    "arm": {"arm_of_record": None, "arm_to_use": "left-upper-arm", "pairs": 0, "basis": "only-arm-measured"},
    "latest": {
        "set": "019ed0e5-2b00-7cda-9d0e-5a7b60c1e4f8",
        "taken_to": "2026-05-26T20:01:00+02:00",
        "result": {"systolic_mmhg": 128, "diastolic_mmhg": 78},
        "categories": [
            {
                "guideline": "esh-2023",
                "version": "2",
                "digest": "sha256:48c6c4ee6edce829ad89fcbad8be7cb68bed1af2d3c950bd356db41d1eb66eff",
                "category": "not-hypertension",
                "label": "Below 135/85, home",
                "decided_by": "both",
                "basis": "systolic below 135 and diastolic below 85",
                "provisional": False,
                "provisional_because": [],
            }
        ],
    },
    "pooled": {
        "office": {"systolic_mmhg": 146, "diastolic_mmhg": 92, "sittings": 2, "days": 2},
        "home": {
            "systolic_mmhg": 128,
            "diastolic_mmhg": 78,
            "readings": 24,
            "days": 6,
            "days_dropped": 1,
            "made_of": "whole-series",
            "protocol": {
                "id": "home-seven-day",
                "version": "1",
                "digest": "sha256:64d35f790cf5ae75b6fe364561670ac5156aa1c09d86948d5aeadb82e2c5e59b",
            },
            "sets": ["019ed0e5-2b00-7cda-9d0e-5a7b60c1e4f8"],
            "site": "left-upper-arm",
            "taken_from": "2026-05-21T08:00:00+02:00",
            "taken_to": "2026-05-26T20:01:00+02:00",
            "morning": {
                "systolic_mmhg": 128,
                "diastolic_mmhg": 78,
                "systolic_mean_mmhg": 128,
                "diastolic_mean_mmhg": 78,
                "readings": 12,
            },
            "evening": {
                "systolic_mmhg": 128,
                "diastolic_mmhg": 78,
                "systolic_mean_mmhg": 128,
                "diastolic_mean_mmhg": 78,
                "readings": 12,
            },
            "categories": [
                {
                    "guideline": "esh-2023",
                    "version": "2",
                    "digest": "sha256:48c6c4ee6edce829ad89fcbad8be7cb68bed1af2d3c950bd356db41d1eb66eff",
                    "category": "not-hypertension",
                    "label": "Below 135/85, home",
                    "decided_by": "both",
                    "basis": "systolic below 135 and diastolic below 85",
                    "provisional": False,
                    "provisional_because": [],
                }
            ],
            "certainty": [
                {
                    "guideline": "esh-2023",
                    "statement": "Usual home pressure in this arm, measured this way: the chance that either pressure is "
                    "at or above 135/85 is 14 % by these measurements alone (no prior outside the office).",
                    "rows": [
                        {"category": "not-hypertension", "at_or_above": 1, "at_or_above_flat": 1},
                        {"category": "hypertension", "at_or_above": 0.144, "at_or_above_flat": 0.144},
                    ],
                    "label_probability": 0.856,
                    "label_probability_flat": 0.856,
                    "decisive": {"category": "hypertension", "systolic": 0.137, "diastolic": 0.0207},
                    "interval_95": {"systolic_mmhg": [115.4562, 140.5438], "diastolic_mmhg": [71.2734, 84.7266]},
                    "with_device_95": {"systolic_mmhg": [112.082, 143.918], "diastolic_mmhg": [66.1137, 89.8863]},
                    "settled": False,
                    "more_readings_now": None,
                    "visits_if_mean_holds": 1,
                    "chance_settled_after": [
                        {"visits": 1, "chance": 0.6069},
                        {"visits": 2, "chance": 0.68},
                        {"visits": 4, "chance": 0.7509},
                    ],
                    "reason": "visit-variation-dominates",
                    "prior": "none",
                    "visits_used": 1,
                    "bias_not_included": [],
                    "assumptions": [
                        {"code": "no-prior", "entry": "not-office", "basis": "choice", "source": ["DECISION"]},
                        {
                            "code": "between-visits",
                            "entry": "home-series",
                            "basis": "choice",
                            "source": ["WARR10", "BELL21", "DECISION"],
                        },
                        {"code": "device", "entry": "device", "basis": "choice", "source": ["STERG18", "DECISION"]},
                    ],
                }
            ],
        },
        "ambulatory": None,
        "lacking": [{"setting": "ambulatory", "because": ["none-stored"], "message": None}],
    },
    "categories": [
        {
            "guideline": "esh-2023",
            "version": "2",
            "digest": "sha256:48c6c4ee6edce829ad89fcbad8be7cb68bed1af2d3c950bd356db41d1eb66eff",
            "category": "grade-1",
            "label": "Grade 1 range",
            "decided_by": "both",
            "basis": "systolic 140 to 159, or diastolic 90 to 99",
            "provisional": False,
            "provisional_because": [],
        }
    ],
    "percentile": None,
    "certainty": [
        {
            "guideline": "esh-2023",
            "statement": "Usual office pressure in this arm, measured this way: the chance that either pressure is at or above "
            "140/90 is 90 % by these measurements alone (no prior: the value is high, and whether there is treatment is not "
            "recorded).",
            "rows": [
                {"category": "optimal", "at_or_above": 1, "at_or_above_flat": 1},
                {"category": "normal", "at_or_above": 1, "at_or_above_flat": 1},
                {"category": "high-normal", "at_or_above": 0.9985, "at_or_above_flat": 0.9985},
                {"category": "grade-1", "at_or_above": 0.9034, "at_or_above_flat": 0.9034},
                {"category": "grade-2", "at_or_above": 0.0284, "at_or_above_flat": 0.0284},
                {"category": "grade-3", "at_or_above": 0, "at_or_above_flat": 0},
            ],
            "label_probability": 0.875,
            "label_probability_flat": 0.875,
            "decisive": {"category": "grade-1", "systolic": 0.8362, "diastolic": 0.6976},
            "interval_95": {"systolic_mmhg": [133.985, 158.015], "diastolic_mmhg": [84.4259, 99.5741]},
            "with_device_95": {"systolic_mmhg": [130.4953, 161.5047], "diastolic_mmhg": [79.6144, 104.3856]},
            "settled": False,
            "more_readings_now": None,
            "visits_if_mean_holds": 6,
            "chance_settled_after": [
                {"visits": 1, "chance": 0.0796},
                {"visits": 2, "chance": 0.2092},
                {"visits": 4, "chance": 0.3651},
            ],
            "reason": "visit-variation-dominates",
            "prior": "none",
            "visits_used": 2,
            "bias_not_included": [],
            "assumptions": [
                {"code": "no-prior", "entry": "treatment-not-recorded", "basis": "choice", "source": ["DECISION"]},
                {
                    "code": "between-visits",
                    "entry": "office-untreated",
                    "basis": "choice",
                    "source": ["WARR10", "TROPHY", "BELL21", "MUNT11", "DECISION"],
                },
                {
                    "code": "between-visits",
                    "entry": "office-treated-or-older",
                    "basis": "choice",
                    "source": ["TROPHY", "MUNT11", "POW11", "DECISION"],
                },
                {"code": "older", "entry": "older", "basis": "choice", "source": ["DECISION"]},
                {"code": "within-sitting", "entry": "office", "basis": "computed", "source": ["NHANES1718"]},
                {"code": "device", "entry": "device", "basis": "choice", "source": ["STERG18", "DECISION"]},
            ],
        }
    ],
    "patterns": [
        {
            "guideline": "esh-2023",
            "code": "white-coat-pattern",
            "label": "White-coat pattern: high in the office, not outside it.",
            "parts": ["home"],
        }
    ],
    "findings": [
        {
            "code": "white-coat-pattern",
            "severity": "info",
            "reading": None,
            "expected_error": None,
            "source": ["ESH21"],
            "message": "High in the office and not outside it under esh-2023; a pattern, not a diagnosis.",
        }
    ],
    "control_measure": {
        "day": "2026-05-26",
        "systolic_mmhg": 128,
        "diastolic_mmhg": 78,
        "below_140_90": True,
        "differs_because": ["lowest-of-day", "controlled-only-by-lowest"],
    },
    "next_step": {
        "action": "none",
        "site": None,
        "cuff": None,
        "method": None,
        "not_before": None,
        "not_after": None,
        "ask": [],
        "reason": "High in the office, not outside it: review by local protocol, and measure out of the office again in time.",
        "then": None,
    },
    "confirm_by": None,
    "cautions": [
        "Not a medical device and not a diagnosis; local protocol and licensed practice decide.",
        "Never change treatment on this alone.",
        "Guidelines disagree; each category names its own.",
    ],
}
