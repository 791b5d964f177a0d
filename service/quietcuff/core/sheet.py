"""The record sheet: everything that was written down of a sitting, and what was made of it, in sections to be rendered."""

from __future__ import annotations

from collections.abc import Iterator

import msgspec

from quietcuff.core.outcome import Category, Evaluation, ReadingOutcome
from quietcuff.core.readings import Cuff, Device, Identifier, Reading, ReadingSet

HEADINGS = ("#", "time", "mmHg", "pulse", "site", "position", "method", "cuff", "rhythm", "counts")
NOT_RECORDED = "not recorded"


class Sheet(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """Named lines in order, and a table of the readings: one row each, in the order sent."""

    title: str
    lines: list[tuple[str, str]]
    readings: list[tuple[str, ...]]


def make_sheet(reading_set: ReadingSet, evaluation: Evaluation) -> Sheet:
    """The sheet of one sitting; it decides nothing."""
    pairs = zip(reading_set.readings, evaluation.readings, strict=True)
    return Sheet(
        title="Record of blood pressure",
        lines=[*_who(reading_set), *_preparation(reading_set), *_outcome(evaluation)],
        readings=[_row(reading_set, reading, outcome) for reading, outcome in pairs],
    )


def _who(reading_set: ReadingSet) -> Iterator[tuple[str, str]]:
    yield "Person", _identifier(reading_set.subject.identifier)
    days = sorted({f"{reading.taken_at:%Y-%m-%d}" for reading in reading_set.readings})
    yield "Date", days[0] if len(days) == 1 else f"{days[0]} to {days[-1]}"
    yield "Setting", f"{reading_set.setting}, {reading_set.attendance}"
    observers = {reading.observer or reading_set.observer for reading in reading_set.readings}
    yield "Measured by", ", ".join(sorted(_identifier(observer) for observer in observers))
    yield "Place", _identifier(reading_set.location)
    yield "Encounter", _identifier(reading_set.encounter)
    devices = {_device(reading.device or reading_set.device) for reading in reading_set.readings}
    yield "Device", "; ".join(sorted(devices))


def _preparation(reading_set: ReadingSet) -> Iterator[tuple[str, str]]:
    for name, value in msgspec.structs.asdict(reading_set.context).items():
        said = NOT_RECORDED if value is None else f"{value:g}" if isinstance(value, float | int) else _words(value)
        yield _words(name).capitalize(), said


def _outcome(evaluation: Evaluation) -> Iterator[tuple[str, str]]:
    yield "State", ", ".join(_words(code) for code in (evaluation.state, *evaluation.blocked_by))
    if evaluation.safety.level != "none":
        yield "Safety", f"{_words(evaluation.safety.level)}: {evaluation.safety.text}"
    if evaluation.record_line is not None:
        yield "Record", evaluation.record_line
    for category in evaluation.categories:
        yield f"Label, {category.guideline}", _label(category)
    for certainty in evaluation.certainty:
        yield f"Certainty, {certainty.guideline}", certainty.statement
    yield "Next step", f"{_words(evaluation.next_step.action)}: {evaluation.next_step.reason}"
    for finding in evaluation.findings:
        about = "" if finding.reading is None else f"reading {finding.reading + 1}: "
        yield "Finding", f"{about}{finding.message}"
    rules = evaluation.protocol
    yield "Rules", f"{rules.id}, version {rules.version}, {rules.digest}; engine {evaluation.engine_version}"
    yield "Caution", " ".join(evaluation.cautions)


def _row(reading_set: ReadingSet, reading: Reading, outcome: ReadingOutcome) -> tuple[str, ...]:
    failed = reading.systolic_mmhg is None or reading.diastolic_mmhg is None
    return (
        str(outcome.index + 1),
        reading.taken_at.isoformat(timespec="seconds"),
        "failed" if failed else f"{reading.systolic_mmhg:g}/{reading.diastolic_mmhg:g}",
        NOT_RECORDED if reading.pulse_per_min is None else f"{reading.pulse_per_min:g}",
        _words(reading.site),
        _words(reading.position),
        reading.method or NOT_RECORDED,
        _cuff(reading.cuff or reading_set.cuff),
        _words(reading.rhythm),
        "yes" if outcome.reason is None else f"no: {_words(outcome.reason)}",
    )


def _label(category: Category) -> str:
    if category.category is None:
        return "none"
    because = ", ".join(map(_words, category.provisional_because))
    return f"{category.label}; provisional because: {because}" if category.provisional else str(category.label)


def _identifier(identifier: Identifier | None) -> str:
    return NOT_RECORDED if identifier is None else f"{identifier.value} ({identifier.system})"


def _device(device: Device | None) -> str:
    if device is None:
        return NOT_RECORDED
    named = _identifier(device.identifier) if device.identifier is not None else None
    parts = [named, device.kind, device.manufacturer, device.model, device.serial_number]
    return ", ".join([*(part for part in parts if part), f"clinically validated: {_words(device.validated)}"])


def _cuff(cuff: Cuff | None) -> str:
    if cuff is None or cuff.size is None:
        return NOT_RECORDED
    return cuff.size


def _words(code: str) -> str:
    return code.replace("-", " ").replace("_", " ")
