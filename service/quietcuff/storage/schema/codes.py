"""The words that are stored as small numbers.

A word's number is its place in its list, so a list may only grow at its end.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from typing import get_args

from quietcuff.core.model.evaluation import Reason


class Codes:
    """A closed list of words, each with its number."""

    def __init__(self, *words: str) -> None:
        self.words = words
        self._numbers = {word: number for number, word in enumerate(words)}
        # The look-ups themselves and not functions around them: each stored row makes a dozen.
        self.number: Callable[[str], int] = self._numbers.__getitem__
        optional: dict[str | None, int | None] = {None: None}
        optional.update(self._numbers)
        self.optional_number: Callable[[str | None], int | None] = optional.__getitem__

    def word(self, number: int) -> str:
        return self.words[number]

    def optional_word(self, number: int | None) -> str | None:
        return None if number is None else self.words[number]

    def bits(self, words: Collection[str]) -> int:
        """Several words at once, one bit each."""
        return sum(1 << self._numbers[word] for word in set(words)) if words else 0


SETTING = Codes("office", "home", "ambulatory")
STATE = Codes("in-progress", "complete", "not-usable")
SET_STATUS = Codes("active", "voided")
CAUSE = Codes("created", "appended", "closed", "timed-out", "reopened", "corrected", "voided", "re-evaluated")
SITE = Codes("not-recorded", "left-upper-arm", "right-upper-arm", "left-wrist", "right-wrist", "left-thigh", "right-thigh")
POSITION = Codes("not-recorded", "sitting", "standing", "supine")
METHOD = Codes("oscillometric", "auscultatory")
RHYTHM = Codes("not-recorded", "regular", "irregular")
DEVICE_FLAG = Codes(
    "body-movement",
    "cuff-loose",
    "irregular-pulse",
    "pulse-too-high",
    "pulse-too-low",
    "improper-position",
    "measurement-failed",
)
REASON = Codes(*get_args(Reason))
# Cuff sizes that have a name; "other" is any other size whose range is known.
CUFF_SIZE = Codes("other", "pediatric", "small-adult", "adult", "large-adult", "extra-large-adult", "thigh")
OBSERVATION_STATUS = Codes("preliminary", "final", "amended", "corrected", "entered-in-error")
CLAIM_KIND = Codes("key", "identifier", "reading")
ACTION = Codes(
    "create-set",
    "append-readings",
    "close-set",
    "time-out-set",
    "reopen-set",
    "correct-set",
    "void-set",
    "re-evaluate-set",
    "save-subject",
    "save-device",
    "start-export",
    "read-export",
    "end-export",
    "create-group",
    "delete-group",
    "create-target",
    "change-target",
    "delete-target",
    "replay-deliveries",
    "deliver",
    "keep-payload",
    "settle-refused",
    "delete-set",
    "delete-subject",
    "delete-payload",
    "hold-subject",
    "release-subject",
    "read",
    "search",
    "create-key",
    "revoke-key",
    "create-client",
    "change-client",
    "revoke-client",
    "change-settings",
    "run-command",
)
PAYLOAD_KIND = Codes("gatt", "hl7v2", "fhir")
OUTCOME = Codes("done", "refused")
EXPORT_STATE = Codes("waiting", "running", "done", "failed", "ended")
FILE_PURPOSE = Codes("output", "error", "deleted")
TARGET_KIND = Codes("fhir", "webhook")
TARGET_STATE = Codes("active", "paused", "disabled")
