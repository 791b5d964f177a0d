"""The stored numbers: every word that can come in has one, and none has moved."""

from __future__ import annotations

from typing import get_args

import pytest

from quietcuff.core.model import evaluation, readings
from quietcuff.core.record.sitting_version import ObservationStatus
from quietcuff.storage.schema import codes


@pytest.mark.parametrize(
    ("stored", "words"),
    [
        (codes.SETTING, readings.Setting),
        (codes.SITE, readings.Site),
        (codes.POSITION, readings.Position),
        (codes.METHOD, readings.Method),
        (codes.RHYTHM, readings.Rhythm),
        (codes.DEVICE_FLAG, readings.DeviceFlag),
        (codes.STATE, evaluation.State),
        (codes.REASON, evaluation.Reason),
        (codes.OBSERVATION_STATUS, ObservationStatus),
    ],
)
def test_every_word_has_a_number(stored: codes.Codes, words: object) -> None:
    assert set(stored.words) == set(get_args(words))
    assert [stored.word(stored.number(word)) for word in stored.words] == list(stored.words)


def test_numbers_that_are_stored_stay() -> None:
    assert codes.SITE.number("right-upper-arm") == 2
    assert codes.POSITION.number("sitting") == 1
    assert " ".join(codes.REASON.words) == (
        "pending other-arm restricted-arm first-discarded earlier-than-last-two other-of-last-two other-position other-method "
        "device-error implausible wrong-cuff too-soon too-few not-part-of-series set-blocked voided"
    )
    assert codes.OBSERVATION_STATUS.number("entered-in-error") == 4
    assert codes.CAUSE.number("re-evaluated") == 7
    assert codes.ACTION.number("save-device") == 9


def test_flags_are_bits() -> None:
    flags = ["body-movement", "irregular-pulse", "measurement-failed"]
    assert codes.DEVICE_FLAG.bits(flags) == 0b1000101
    assert codes.DEVICE_FLAG.bits([]) == 0
