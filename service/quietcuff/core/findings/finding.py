"""Findings with their words: severity, message, size of the expected error, and sources."""

from __future__ import annotations

from quietcuff.core.model.evaluation import ExpectedError, Finding
from quietcuff.core.rulebook.remembered import remembered
from quietcuff.core.rulebook.rulebook import Effect, Rulebook


def find(rulebook: Rulebook, code: str, reading: int | None = None, **words: str | int) -> Finding:
    """The finding with a code, about the whole sitting or the reading at a place, with its words filled in."""
    known = finding_of_code(rulebook, code)
    if reading is None and not words:
        return known
    return Finding(
        code=code,
        severity=known.severity,
        reading=reading,
        expected_error=known.expected_error,
        source=known.source,
        message=known.message.format(**words) if words else known.message,
    )


def make_finding(rulebook: Rulebook, code: str) -> Finding:
    """The finding with a code about the whole sitting, its words not filled in."""
    wording = rulebook.wording.finding[code]
    effect = rulebook.effects.get(code)
    source = wording.source
    if effect is not None:
        source = source + [key for key in effect.source if key not in source]
    return Finding(
        code=code,
        severity=wording.severity,
        reading=None,
        expected_error=expected_error(effect),
        source=source,
        message=wording.message,
    )


finding_of_code = remembered(make_finding)


def expected_error(effect: Effect | None) -> ExpectedError | None:
    """The published size of an effect, where there is one."""
    if effect is None or (effect.systolic_mmhg is None and effect.diastolic_mmhg is None):
        return None
    return ExpectedError(direction=effect.direction, systolic_mmhg=effect.systolic_mmhg, diastolic_mmhg=effect.diastolic_mmhg)
