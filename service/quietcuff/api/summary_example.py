"""What the summary of an invented person looks like: high at two office visits, not at home."""

from __future__ import annotations

from typing import Any

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
