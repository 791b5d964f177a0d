"""The safety layer: computed before anything is selected, present in every state, never averaged away.

Acute symptoms first, then severe readings (confirmed, not yet confirmed, not confirmed), then low ones.
"""

from __future__ import annotations

from datetime import datetime, timedelta

import msgspec

from quietcuff.core.attempts import Attempt
from quietcuff.core.outcome import Action, Level, Safety
from quietcuff.core.person import low_systolic
from quietcuff.core.readings import Site
from quietcuff.core.rules import Edge
from quietcuff.core.sitting import Sitting
from quietcuff.core.trouble import gave_up_for

ARMS: tuple[Site, ...] = ("left-upper-arm", "right-upper-arm")


class SafetyStep(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """What safety asks for next; it wins over the plan's own step. ``wording`` names the sentence."""

    action: Action
    wording: str
    site: Site | None = None
    not_before: datetime | None = None
    not_after: datetime | None = None


CANNOT_CONFIRM = SafetyStep(action="same-day-review", wording="cannot-confirm")


class Watch(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """What the safety layer saw. ``findings`` are codes with the place of their reading, or None; ``severe`` the places of
    severe readings."""

    safety: Safety
    step: SafetyStep | None
    findings: list[tuple[str, int | None]]
    severe: frozenset[int]
    confirmed: bool


class Severe(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """One arm's severe readings: the last of them, whether a later valid one confirms, how many valid later ones do not."""

    site: Site | None
    last: Attempt
    first: Attempt
    confirmed: bool
    persistent: bool
    stood_down: int


def watch(sitting: Sitting) -> Watch:
    """The safety layer of one sitting. Source: [PRACTICE], in pregnancy and after birth [ACOG222, ACOG767]."""
    edge = severe_edge(sitting)
    severe = [attempt for attempt in sitting.attempts if is_severe(attempt, edge)]
    arms = [describe_severe(sitting, site, severe) for site in watched_sites(sitting, severe)]
    findings: list[tuple[str, int | None]] = [("severe-reading", attempt.index) for attempt in severe]
    findings += [("low-reading", attempt.index) for attempt in low_readings(sitting)]
    confirmed = any(arm.confirmed for arm in arms)
    open_arms = [arm for arm in arms if not arm.confirmed and arm.stood_down < 2]
    if confirmed:
        findings.append(("severe-confirmed", None))
    elif severe and not open_arms:
        findings.append(("severe-not-confirmed", None))
    if sitting.person.expecting and any(arm.persistent for arm in arms):
        findings.append(("severe-persistent", None))
    symptoms = sitting.reading_set.context.acute_symptoms
    ask = ["acute_symptoms"] if symptoms == "not-recorded" else []
    places = sorted(attempt.index for attempt in severe)
    if symptoms == "yes":
        findings.insert(0, ("acute-symptoms", None))
        step = SafetyStep(action="urgent-assessment", wording="urgent-assessment")
        return told(sitting, "urgent", "acute-symptoms", places, [], step, findings, confirmed)
    if confirmed:
        level, text, step = judge_confirmed(sitting, bool(ask))
        return told(sitting, level, text, places, ask, step, findings, confirmed)
    if open_arms and not can_repeat(sitting):
        review = SafetyStep(action="ask-symptoms", wording="ask-symptoms") if ask else CANNOT_CONFIRM
        return told(sitting, "same-day", "severe-cannot-confirm", places, ask, review, findings, confirmed)
    if open_arms:
        return told(sitting, "confirm", "severe-reading", places, ask, confirm_step(sitting, open_arms), findings, confirmed)
    if severe:
        asking = SafetyStep(action="ask-symptoms", wording="ask-symptoms") if ask else None
        return told(sitting, "ask", "severe-not-confirmed", places, ask, asking, findings, confirmed)
    return watch_ordinary(sitting, ask, findings)


def can_repeat(sitting: Sitting) -> bool:
    """Whether a reading may still be asked for: there is an arm to use, and an open sitting has not had its ten readings, nor
    been given up."""
    enough = not sitting.reading_set.closed and len(sitting.valid) >= sitting.limits.most_readings_asked
    return not enough and gave_up_for(sitting) is None and any(sitting.person.may_use(arm) for arm in ARMS)


def severe_edge(sitting: Sitting) -> Edge:
    """180/110, or 160/110 in pregnancy and the weeks after birth."""
    return sitting.limits.severe_expecting if sitting.person.expecting else sitting.limits.severe


def is_severe(attempt: Attempt, edge: Edge) -> bool:
    """Whether a reading is severe, valid or not: over-range and wrong-cuff ones too, but not pressures that are swapped.

    Nothing is rounded before the trigger: 179.99 is below 180. A mean is rounded, so that 159.5 twice is reported as 160 and
    labelled so, though no reading reached the limit. Source: [DECISION].
    """
    return (
        attempt.fault != "voided"
        and attempt.has_pressures
        and attempt.systolic > attempt.diastolic
        and (attempt.systolic >= 100 * edge.systolic_mmhg or attempt.diastolic >= 100 * edge.diastolic_mmhg)
    )


def low_readings(sitting: Sitting) -> list[Attempt]:
    """The valid readings with a systolic that is low at this age."""
    limit = 100 * low_systolic(sitting.person, sitting.limits)
    return [attempt for attempt in sitting.attempts if attempt.sound and attempt.systolic < limit]


def watched_sites(sitting: Sitting, severe: list[Attempt]) -> list[Site | None]:
    """The arms in which severe readings must be confirmed; None stands for any site, where no arm is known."""
    sites = dict.fromkeys(usable_site(sitting, attempt.site) for attempt in severe)
    return sorted(sites, key=lambda site: site or "")


def describe_severe(sitting: Sitting, site: Site | None, severe: list[Attempt]) -> Severe:
    """What became of one arm's severe readings. A reading too soon may confirm, but not stand down."""
    here = [attempt for attempt in severe if usable_site(sitting, attempt.site) == site]
    last = here[-1]
    later_valid = [attempt for attempt in here[1:] if attempt.sound]
    apart = timedelta(minutes=sitting.limits.severe_persistent_minutes)
    interval = timedelta(seconds=sitting.protocol.interval_seconds)
    position = sitting.attempts.index(last)
    stood_down = sum(
        attempt.sound and site in (None, attempt.site) and not attempt.too_soon and attempt.taken_at - last.taken_at >= interval
        for attempt in sitting.attempts[position + 1 :]
    )
    return Severe(
        site=site,
        last=last,
        first=here[0],
        confirmed=bool(later_valid),
        persistent=any(attempt.taken_at - here[0].taken_at >= apart for attempt in later_valid),
        stood_down=stood_down,
    )


def judge_confirmed(sitting: Sitting, asks: bool) -> tuple[Level, str, SafetyStep]:
    """Confirmed severe readings: urgent in pregnancy and after birth, else ask about symptoms, else review today."""
    if sitting.person.expecting:
        return "urgent", "severe-expecting", SafetyStep(action="urgent-assessment", wording="urgent-expecting")
    if asks:
        return "same-day", "severe-confirmed", SafetyStep(action="ask-symptoms", wording="ask-symptoms")
    return "same-day", "severe-confirmed", SafetyStep(action="same-day-review", wording="same-day-review")


def confirm_step(sitting: Sitting, open_arms: list[Severe]) -> SafetyStep:
    """Repeat now in the arm that still waits, the latest first; the other arm where that one must not be used."""
    arm = max(open_arms, key=lambda arm: (-arm.stood_down, arm.last.taken_at, arm.site or ""))
    limits = sitting.limits
    since, minutes = (
        (arm.first, limits.confirm_severe_expecting_within_minutes)
        if sitting.person.expecting
        else (arm.last, limits.confirm_severe_within_minutes)
    )
    not_before = sitting.not_before
    not_after = since.taken_at + timedelta(minutes=minutes)
    return SafetyStep(
        action="confirm-now",
        wording="confirm-once-more" if arm.stood_down else "confirm-now",
        site=arm.site,
        not_before=not_before,
        not_after=not_after if not_before is None else max(not_before, not_after),
    )


def usable_site(sitting: Sitting, site: Site) -> Site | None:
    """The arm, or the other one where it must not be used, or None where neither may be or no arm is known."""
    if site not in ARMS:
        return None
    return next((arm for arm in (site, *ARMS) if sitting.person.may_use(arm)), None)


def watch_ordinary(sitting: Sitting, ask: list[str], findings: list[tuple[str, int | None]]) -> Watch:
    """No severe reading: low readings, and pressures that would be severe if the person were pregnant."""
    low = low_readings(sitting)
    if low:
        places = sorted(attempt.index for attempt in low)
        step, settled = judge_low(sitting, low, bool(ask))
        level: Level = "none" if settled or not ask else "ask"
        return told(sitting, level, "low-reading", places, [] if settled else ask, step, findings, False)
    edge = sitting.limits.severe_expecting
    high = (
        [attempt.index for attempt in sitting.attempts if is_severe(attempt, edge)] if sitting.person.may_be_expecting else []
    )
    if high:
        return told(sitting, "ask", "ask-pregnancy", sorted(high), ["pregnancy"], None, findings, False)
    return told(sitting, "none", None, [], [], None, findings, False)


def judge_low(sitting: Sitting, low: list[Attempt], asks: bool) -> tuple[SafetyStep | None, bool]:
    """A low reading is repeated once in its arm, or anywhere where that is not known; low again, symptoms are asked; a later
    ordinary one settles it."""
    last = low[-1]
    anywhere = last.site == "not-recorded"
    here = [attempt for attempt in sitting.attempts if attempt.sound and (anywhere or attempt.site == last.site)]
    position = here.index(last)
    if position + 1 < len(here):
        return None, True
    repeated = any(earlier in low for earlier in here[:position])
    if not repeated and not sitting.reading_set.closed and can_repeat(sitting):
        return SafetyStep(
            action="take-reading",
            wording="repeat-low",
            site=last.site if not anywhere and sitting.person.may_use(last.site) else None,
            not_before=sitting.not_before,
        ), False
    return (SafetyStep(action="ask-symptoms", wording="ask-symptoms") if asks else None), False


def told(
    sitting: Sitting,
    level: Level,
    text: str | None,
    places: list[int],
    ask: list[str],
    step: SafetyStep | None,
    findings: list[tuple[str, int | None]],
    confirmed: bool,
) -> Watch:
    """The watch with its sentence looked up."""
    severe = frozenset(index for code, index in findings if code == "severe-reading" and index is not None)
    words = sitting.rulebook.wording.safety
    told_text = None if text is None or level == "none" else words[text]
    safety = Safety(level=level, readings=places if level != "none" else [], ask=ask, text=told_text)
    return Watch(safety=safety, step=step, findings=findings, severe=severe, confirmed=confirmed)
