"""The line for the record: one sentence that a person can copy into the note."""

from __future__ import annotations

from quietcuff.core.arms import OTHER, Comparison
from quietcuff.core.outcome import Result
from quietcuff.core.selection import Selection
from quietcuff.core.sitting import Sitting

POSITIONS = {"sitting": "seated", "standing": "standing", "supine": "lying", "not-recorded": "position not recorded"}
VISITS = {"first": "first visit", "follow-up": "follow-up", "not-recorded": "visit not recorded"}


def record_line(sitting: Sitting, comparison: Comparison, selection: Selection, result: Result | None) -> str | None:
    """The sentence for the note; None while the sitting is in progress.

    Example: 145/90, right arm (higher by 8), seated, adult cuff, mean of readings 3 and 4 of 4, 72/min; first visit.
    """
    if selection.state == "in-progress":
        return None
    if result is None:
        return f"No usable result: {', '.join(selection.blocked_by)}; {VISITS[sitting.chosen.visit]}."
    parts = [
        f"{result.systolic_mmhg}/{result.diastolic_mmhg}",
        describe_site(comparison, result),
        POSITIONS[result.position],
        describe_cuff(sitting, selection),
        describe_counted(sitting, selection),
    ]
    if result.pulse_per_min is not None:
        parts.append(f"{result.pulse_per_min}/min")
    return f"{', '.join(part for part in parts if part)}; {VISITS[sitting.chosen.visit]}."


def describe_site(comparison: Comparison, result: Result) -> str:
    """The arm, and by how much it is the higher one where both were measured."""
    if result.site == "not-recorded":
        return "site not recorded"
    side, _, part = result.site.partition("-")
    name = f"{side} arm" if result.site in OTHER else f"{side} {part}"
    systolic = comparison.systolic_difference_mmhg
    if systolic is None or result.site not in OTHER:
        return name
    if systolic == 0:
        return f"{name} (arms equal)"
    signed = systolic if result.site.startswith("right") else -systolic
    return f"{name} ({'higher' if signed >= 0 else 'lower'} by {abs(signed):g})"


def describe_cuff(sitting: Sitting, selection: Selection) -> str:
    """The size of the cuff as it was named, where it was."""
    cuff = selection.counted[0].reading.cuff or sitting.reading_set.cuff
    if cuff is None or cuff.size is None:
        return "cuff not recorded"
    return cuff.size if cuff.size.lower().endswith("cuff") else f"{cuff.size} cuff"


def describe_counted(sitting: Sitting, selection: Selection) -> str:
    """Which readings count, by their places from 1 in the order of time, and of how many."""
    order = [attempt.index for attempt in sitting.attempts if attempt.fault != "voided"]
    places = [str(order.index(attempt.index) + 1) for attempt in selection.counted]
    if len(places) == 1:
        kind = "lower reading, reading" if sitting.protocol.counts == "lower-of-last-two" else "reading"
        return f"{kind} {places[0]} of {len(order)}"
    return f"mean of readings {', '.join(places[:-1])} and {places[-1]} of {len(order)}"
