"""The remarks that a reader of the record must see, in plain words. Free text that callers sent is never among them."""

from __future__ import annotations

from functools import lru_cache

from quietcuff.core.model.evaluation import Category, Evaluation
from quietcuff.core.model.readings import ReadingSet
from quietcuff.fhir.model.ready import ENCODER
from quietcuff.fhir.model.resources import Annotation

NOT_USED = {
    "other-arm": "Not used in the mean: other arm.",
    "restricted-arm": "Not used in the mean: this arm must not be used.",
    "first-discarded": "Not used in the mean: first reading, much higher than the next.",
    "earlier-than-last-two": "Not used in the mean: earlier than the last two.",
    "other-of-last-two": "Not used in the mean: the other of the last two.",
    "other-position": "Not used in the mean: other body position.",
    "other-method": "Not used in the mean: other method of measuring.",
    "device-error": "Not used in the mean: the device reported an error.",
    "implausible": "Implausible, not used in the mean.",
    "wrong-cuff": "Not used in the mean: wrong cuff.",
    "too-soon": "Not used in the mean: too soon after the one before.",
    "too-few": "No mean: too few readings.",
    "not-part-of-series": "Not used in the mean: not part of the series.",
    "set-blocked": "No mean: nothing in this sitting can be used.",
}
IRREGULAR = "The pulse was irregular."
SETTING = {"home": "Taken at home.", "ambulatory": "Taken by a monitor worn during ordinary life."}
SEVERITIES_SHOWN = ("warning", "blocks")


def reading_notes(reason: str | None, rhythm: str, setting_note: str | None) -> list[Annotation] | None:
    """Remarks on one reading: why it does not count, an irregular pulse, and where it was taken.

    A reading whose use is not decided yet, or that is voided, has no remark about its use.
    """
    return remarks([NOT_USED.get(reason or ""), IRREGULAR if rhythm == "irregular" else None, setting_note])


def setting_note(reading_set: ReadingSet) -> str | None:
    """The setting of the sitting in words; None for an attended sitting in the office, the ordinary case."""
    unattended = "Nobody else was in the room." if reading_set.attendance == "unattended" else None
    parts = [part for part in (SETTING.get(reading_set.setting), unattended) if part]
    return " ".join(parts) or None


def mean_notes(setting_note: str | None, evaluation: Evaluation) -> bytes:
    """The line for the record, what must not wait, where it was taken, and every warning, each once, in JSON."""
    found = [remark(text) for text in (evaluation.record_line, evaluation.safety.text) if text]
    if setting_note is not None:
        found.append(common_remark(setting_note, None))
    found += [common_remark(one.message, one.reading) for one in evaluation.findings if one.severity in SEVERITIES_SHOWN]
    return b',"note":[%b]' % b",".join(dict.fromkeys(found)) if found else b""


def remark(text: str) -> bytes:
    return b'{"text":%b}' % ENCODER.encode(text)


@lru_cache(maxsize=1024)
def common_remark(text: str, reading: int | None) -> bytes:
    """A text that comes with many sittings; of a reading, with its number from one, as in the line for the record."""
    return remark(text if reading is None else f"Reading {reading + 1}: {text}")


def category_text(category: Category) -> str:
    """The label with its guideline and edition of the table, such as "Stage 2 range (aha-acc-2025), provisional: single
    sitting"."""
    text = f"{category.label or category.category} ({category.guideline})"
    if not category.provisional:
        return text
    reasons = ", ".join(code.replace("-", " ") for code in category.provisional_because)
    return f"{text}, provisional: {reasons}" if reasons else f"{text}, provisional"


def remarks(texts: list[str | None]) -> list[Annotation] | None:
    """The texts as remarks, each once; None when there are none, for FHIR forbids an empty list."""
    return [Annotation(text=text) for text in dict.fromkeys(texts) if text] or None
