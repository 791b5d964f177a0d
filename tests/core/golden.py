"""Golden cases: sittings written by hand with what must come out, and the check that compares the two.

A reading is written as ``time systolic/diastolic site`` and what else it says, for example ``09:01:10 150/92 R
rhythm=irregular``; ``failed`` stands in place of the pressures. Sites: L and R are the upper arms, LW and RW the wrists, LT and
RT the thighs, ``-`` is not recorded. Unless it says otherwise a reading is seated and oscillometric, on 4 May 2026.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import msgspec

from quietcuff.core.evaluate import evaluate
from quietcuff.core.model.evaluation import Evaluation
from quietcuff.core.model.readings import ReadingSet
from quietcuff.core.rulebook.rulebook import Rulebook

SITES = {
    "L": "left-upper-arm",
    "R": "right-upper-arm",
    "LW": "left-wrist",
    "RW": "right-wrist",
    "LT": "left-thigh",
    "RT": "right-thigh",
    "-": "not-recorded",
}
DAY, OFFSET = "2026-05-04", "+02:00"
PERSON = {"identifier": {"system": "urn:example:cases", "value": "person"}, "birth_date": "1971-01-15", "sex": "male"}
ENCODER = msgspec.json.Encoder()


class Case(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One case: ``set`` holds the fields of the reading set beside its readings, ``details`` more of single readings."""

    title: str
    source: str
    set: dict[str, Any] = {}
    readings: list[str]
    details: dict[str, dict[str, Any]] = {}
    expect: dict[str, Any]


class Topic(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One file of cases about one topic; ``set`` holds what they share."""

    topic: str
    set: dict[str, Any] = {}
    case: list[Case]


def read_topics(folder: Path) -> Iterator[tuple[str, Topic, Case]]:
    """Every case with its file's name and topic."""
    for path in sorted(folder.glob("*.toml")):
        topic = msgspec.convert(tomllib.loads(path.read_text(encoding="utf-8")), Topic)
        for case in topic.case:
            yield path.stem, topic, case


def body_of(topic: Topic, case: Case) -> dict[str, Any]:
    """The request body of a case: the topic's shared fields, then its own."""
    shared = {**topic.set, **case.set}
    subject = {**PERSON, **topic.set.get("subject", {}), **case.set.get("subject", {})}
    readings = [merged(read_line(line), case.details.get(str(place), {})) for place, line in enumerate(case.readings)]
    subject = merged(subject, {})
    return {**shared, "subject": subject, "readings": readings}


def merged(fields: dict[str, Any], more: dict[str, Any]) -> dict[str, Any]:
    """Fields with others put over them; ``left-out`` takes one away."""
    return {name: value for name, value in (fields | more).items() if value != "left-out"}


def read_line(line: str) -> dict[str, Any]:
    """One reading from its line."""
    time, pressures, site, *rest = line.split()
    reading: dict[str, Any] = {
        "taken_at": time if "T" in time else f"{DAY}T{time}{OFFSET}",
        "site": SITES[site],
        "position": "sitting",
        "method": "oscillometric",
    }
    if pressures != "failed":
        systolic, diastolic = pressures.split("/")
        reading |= {"systolic_mmhg": float(systolic), "diastolic_mmhg": float(diastolic)}
    for word in rest:
        name, _, value = word.partition("=")
        reading |= MORE[name](value)
    return {name: value for name, value in reading.items() if value is not None}


MORE: dict[str, Callable[[str], dict[str, Any]]] = {
    "position": lambda value: {"position": value},
    "method": lambda value: {"method": None if value == "none" else value},
    "rhythm": lambda value: {"rhythm": value},
    "flags": lambda value: {"device_flags": value.split(",")},
    "pulse": lambda value: {"pulse_per_min": float(value)},
    "voided": lambda value: {"voided": value == "yes"},
    "stood": lambda value: {"stood_at": f"{DAY}T{value}{OFFSET}"},
}


def evaluate_body(body: dict[str, Any], rulebook: Rulebook) -> Evaluation:
    """The evaluation of a body that went over the wire as JSON."""
    reading_set = msgspec.json.decode(ENCODER.encode(body), type=ReadingSet)
    return evaluate(reading_set, reading_set.history, rulebook)


def differences(evaluation: Evaluation, expect: dict[str, Any]) -> list[str]:
    """What came out otherwise than expected, each as one line; nothing where all is well."""
    answer = msgspec.json.decode(ENCODER.encode(evaluation))
    found = []
    for name, wanted in expect.items():
        got, agrees = LOOK[name](answer, wanted)
        if not agrees:
            found.append(f"{name}: expected {wanted}, got {got}")
    return found


def same(find: Callable[[dict[str, Any]], Any]) -> Callable[[dict[str, Any], Any], tuple[Any, bool]]:
    def look(answer: dict[str, Any], wanted: Any) -> tuple[Any, bool]:
        got = find(answer)
        return got, got == (None if wanted == "none-at-all" else wanted)

    return look


def holds_all(find: Callable[[dict[str, Any]], list[Any]]) -> Callable[[dict[str, Any], Any], tuple[Any, bool]]:
    def look(answer: dict[str, Any], wanted: Any) -> tuple[Any, bool]:
        got = find(answer)
        return got, set(wanted) <= set(got)

    return look


def holds_none(find: Callable[[dict[str, Any]], list[Any]]) -> Callable[[dict[str, Any], Any], tuple[Any, bool]]:
    def look(answer: dict[str, Any], wanted: Any) -> tuple[Any, bool]:
        got = find(answer)
        return got, not set(wanted) & set(got)

    return look


def part_of(find: Callable[[dict[str, Any]], dict[str, Any]]) -> Callable[[dict[str, Any], Any], tuple[Any, bool]]:
    def look(answer: dict[str, Any], wanted: Any) -> tuple[Any, bool]:
        whole = find(answer)
        got = {name: whole.get(name, "no such key") for name in wanted}
        return got, got == {name: None if value == "none-at-all" else value for name, value in wanted.items()}

    return look


def result_values(*names: str) -> Callable[[dict[str, Any]], Any]:
    def find(answer: dict[str, Any]) -> Any:
        result = answer["result"]
        return None if result is None else [result[name] for name in names]

    return find


def near_mean(answer: dict[str, Any], wanted: Any) -> tuple[Any, bool]:
    got = result_values("systolic_mean_mmhg", "diastolic_mean_mmhg")(answer)
    if wanted is None or wanted == "none-at-all":
        return got, got is None
    return got, got is not None and [round(value, 4) for value in wanted] == got


def codes(answer: dict[str, Any]) -> list[str]:
    return [finding["code"] for finding in answer["findings"]]


def place_of(finding: dict[str, Any]) -> Any:
    return "whole-sitting" if finding["reading"] is None else finding["reading"]


def reasons_given(answer: dict[str, Any]) -> list[str]:
    return [reason for entry in answer["categories"] for reason in entry["provisional_because"]]


def by_place(answer: dict[str, Any]) -> dict[str, Any]:
    return {str(outcome["index"]): outcome["reason"] for outcome in answer["readings"]}


def by_guideline(name: str) -> Callable[[dict[str, Any]], dict[str, Any]]:
    return lambda answer: {entry["guideline"]: entry[name] for entry in answer["categories"]}


def then_action(answer: dict[str, Any]) -> Any:
    then = answer["next_step"]["then"]
    return None if then is None else then["action"]


def drops(answer: dict[str, Any]) -> Any:
    trial = answer["orthostatic"]
    return None if trial is None else trial["drops"]


def parts(answer: dict[str, Any]) -> dict[str, Any]:
    """What each guideline calls each part of a recording."""
    entries = (answer["series"] or {"parts": []})["parts"]
    return {f"{entry['guideline']} {entry['part']}": entry["category"] for entry in entries}


def words_of_steps(answer: dict[str, Any]) -> str:
    """What the next step and the one behind it say."""
    step = answer["next_step"]
    return " ".join([step["reason"], *([step["then"]["reason"]] if step["then"] else [])])


def says(find: Callable[[dict[str, Any]], str], *, present: bool) -> Callable[[dict[str, Any], Any], tuple[Any, bool]]:
    def look(answer: dict[str, Any], wanted: Any) -> tuple[Any, bool]:
        got = find(answer)
        return got, all((words in got) == present for words in wanted)

    return look


LOOK: dict[str, Callable[[dict[str, Any], Any], tuple[Any, bool]]] = {
    "state": same(lambda answer: answer["state"]),
    "blocked_by": same(lambda answer: answer["blocked_by"]),
    "blocked_by_include": holds_all(lambda answer: answer["blocked_by"]),
    "counted": same(lambda answer: [outcome["index"] for outcome in answer["readings"] if outcome["counts"]]),
    "reasons": part_of(by_place),
    "exact_mean": near_mean,
    "reported": same(result_values("systolic_mmhg", "diastolic_mmhg")),
    "spread": same(result_values("systolic_sd_mmhg", "diastolic_sd_mmhg")),
    "result": part_of(lambda answer: answer["result"] or {}),
    "category": part_of(by_guideline("category")),
    "label": part_of(by_guideline("label")),
    "decided_by": part_of(by_guideline("decided_by")),
    "provisional_because": part_of(by_guideline("provisional_because")),
    "provisional_because_include": holds_all(reasons_given),
    "provisional_because_exclude": holds_none(reasons_given),
    "findings_include": holds_all(codes),
    "findings_exclude": holds_none(codes),
    "finding_places": part_of(
        lambda answer: {
            code: [place_of(entry) for entry in answer["findings"] if entry["code"] == code] for code in codes(answer)
        }
    ),
    "severities": part_of(lambda answer: {finding["code"]: finding["severity"] for finding in answer["findings"]}),
    "expected_errors": part_of(lambda answer: {finding["code"]: finding["expected_error"] for finding in answer["findings"]}),
    "safety_level": same(lambda answer: answer["safety"]["level"]),
    "safety_level_not": lambda answer, wanted: (answer["safety"]["level"], answer["safety"]["level"] != wanted),
    "safety_readings": same(lambda answer: answer["safety"]["readings"]),
    "safety_text_includes": says(lambda answer: answer["safety"]["text"] or "", present=True),
    "safety_text_excludes": says(lambda answer: answer["safety"]["text"] or "", present=False),
    "next_words_include": says(words_of_steps, present=True),
    "next_words_exclude": says(words_of_steps, present=False),
    "safety_ask": same(lambda answer: answer["safety"]["ask"]),
    "next_action": same(lambda answer: answer["next_step"]["action"]),
    "next_action_in": lambda answer, wanted: (answer["next_step"]["action"], answer["next_step"]["action"] in wanted),
    "next_site_in": lambda answer, wanted: (
        answer["next_step"]["site"],
        (answer["next_step"]["site"] or "none-at-all") in wanted,
    ),
    "next_site": same(lambda answer: answer["next_step"]["site"]),
    "next_cuff": same(lambda answer: answer["next_step"]["cuff"]),
    "next_method": same(lambda answer: answer["next_step"]["method"]),
    "next_not_before": same(lambda answer: answer["next_step"]["not_before"]),
    "next_not_after": same(lambda answer: answer["next_step"]["not_after"]),
    "next_ask": same(lambda answer: answer["next_step"]["ask"]),
    "then_action": same(then_action),
    "arm_to_use": same(lambda answer: answer["arms"]["arm_to_use"]),
    "arms": part_of(lambda answer: answer["arms"]),
    "plan": part_of(lambda answer: answer["plan"]),
    "chosen": part_of(lambda answer: answer["chosen"]),
    "protocol": same(lambda answer: answer["protocol"]["id"]),
    "guidelines": same(lambda answer: [entry["guideline"] for entry in answer["categories"]]),
    "record_line": same(lambda answer: answer["record_line"]),
    "confirm_by": same(lambda answer: answer["confirm_by"]),
    "drops": same(drops),
    "orthostatic": part_of(lambda answer: answer["orthostatic"] or {}),
    "series": part_of(lambda answer: answer["series"] or {}),
    "parts": part_of(parts),
    "percentile": part_of(lambda answer: answer["percentile"] or {}),
    "basis": part_of(by_guideline("basis")),
    "changed_because": same(lambda answer: answer["changed_because"]),
}
