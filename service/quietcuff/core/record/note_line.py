"""The line for the record: one sentence that a person can copy into the note."""

from __future__ import annotations

from quietcuff.core.labels.judgement import Judgement
from quietcuff.core.model.evaluation import Result
from quietcuff.core.rulebook.remembered import remembered
from quietcuff.core.rulebook.rulebook import Wording
from quietcuff.core.safety.safety import SafetyResult, is_low
from quietcuff.core.sitting.arms import OTHER, Comparison
from quietcuff.core.sitting.attempts import METHOD_OF
from quietcuff.core.sitting.selection import Selection
from quietcuff.core.sitting.sitting import Sitting

POSITIONS = {"sitting": "seated", "standing": "standing", "supine": "lying", "not-recorded": "position not recorded"}
VISITS = {"first": "first visit", "follow-up": "follow-up", "not-recorded": "visit not recorded"}
METHODS = {"oscillometric": "oscillometric", "auscultatory": "auscultated"}


def qualified_line(sitting: Sitting, comparison: Comparison, judged: Judgement, seen: SafetyResult) -> str | None:
    """The line for any kind of sitting with its qualifications; None while the sitting is in progress."""
    if judged.selection.state == "in-progress":
        return None
    line = judged.line or record_line(sitting, comparison, judged.selection, judged.result)
    return f"{line} {qualify(sitting, judged, seen)}"


def qualify(sitting: Sitting, judged: Judgement, seen: SafetyResult) -> str:
    """Qualifications of the line: method, symptoms, rhythm, severity, doubt, readings left out.

    Without them the line would read like an ordinary result.
    """
    said = []
    if sitting.reading_set.context.acute_symptoms == "yes":
        said.append("acute symptoms")
    if sitting.irregular:
        said.append("irregular pulse")
    if seen.severe:
        number = "1 severe reading" if len(seen.severe) == 1 else f"{len(seen.severe)} severe readings"
        said.append(f"{number}, highest {describe_highest(sitting, seen)}")
    if is_low(seen):
        said.append("low")
    return qualification_of(
        sitting.rulebook.wording,
        frozenset(map(METHOD_OF, judged.selection.counted)),
        tuple(said),
        frozenset([code for label in judged.categories for code in label.provisional_because]),
        # A voided reading is as if it had never been sent; the record sheet still shows it.
        tuple([each.reason for each in judged.selection.outcomes if each.reason is not None and each.reason != "voided"]),
    )


def put_in_words(
    wording: Wording, methods: frozenset[str], found: tuple[str, ...], because: frozenset[str], left_out: tuple[str, ...]
) -> str:
    """The qualifications as one sentence."""
    said = [" and ".join(sorted({METHODS.get(method, "method not recorded") for method in methods}))] if methods else []
    said += found
    if because:
        said.append(f"provisional ({', '.join(map(wording.reason_in_words, sorted(because)))})")
    if left_out:
        told = [f"{left_out.count(code)} {wording.reason_in_words(code)}" for code in sorted(set(left_out))]
        said.append(f"not counted: {', '.join(told)}")
    text = "; ".join(said) or "No reading counts"
    return f"{text[0].upper()}{text[1:]}."


# What is said beside the numbers comes again from sitting to sitting.
qualification_of = remembered(put_in_words)


def describe_highest(sitting: Sitting, seen: SafetyResult) -> str:
    """The highest systolic and the highest diastolic among the severe readings, which may be of two readings."""
    severe = [attempt for attempt in sitting.attempts if attempt.index in seen.severe]
    return f"{max(each.systolic for each in severe) / 100:g}/{max(each.diastolic for each in severe) / 100:g}"


def record_line(sitting: Sitting, comparison: Comparison, selection: Selection, result: Result | None) -> str:
    """The sentence for the note of a sitting that is done.

    Example: 145/90, right arm (higher by 8), seated, adult cuff, mean of readings 3 and 4 of 4, 72/min; first visit.
    """
    if result is None:
        blocked = ", ".join(map(sitting.rulebook.wording.reason_in_words, selection.blocked_by))
        return f"No usable result: {blocked}; {VISITS[sitting.chosen.visit]}."
    site, position = describe_site(comparison, result), POSITIONS[result.position]
    cuff, counted = describe_cuff(sitting, selection), describe_counted(sitting, selection)
    pulse = "" if result.pulse_per_min is None else f", {result.pulse_per_min}/min"
    pressure = f"{result.systolic_mmhg}/{result.diastolic_mmhg}"
    return f"{pressure}, {site}, {position}, {cuff}, {counted}{pulse}; {VISITS[sitting.chosen.visit]}."


def describe_site(comparison: Comparison, result: Result) -> str:
    """The arm, and by how much it is the higher or lower one where both were measured."""
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
    """The counted readings, by their places from 1 in order of time, and how many there are."""
    order = sitting.made
    places = [str(order.index(attempt) + 1) for attempt in selection.counted]
    if len(places) == 1:
        kind = "lower reading, reading" if sitting.protocol.counts == "lower-of-last-two" else "reading"
        return f"{kind} {places[0]} of {len(order)}"
    return f"mean of readings {', '.join(places[:-1])} and {places[-1]} of {len(order)}"
