"""Conditions of a reading set beyond its shape: names that are in the rulebook, and one sitting at a time."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import timedelta
from itertools import pairwise

from msgspec import UNSET

from quietcuff.core.model.errors import Fault, NotAcceptable
from quietcuff.core.model.readings import Identifier, ReadingSet, opened_at
from quietcuff.core.rulebook.remembered import remembered_alone
from quietcuff.core.rulebook.rulebook import Limits, Rulebook
from quietcuff.core.sitting.attempts import in_order
from quietcuff.core.sitting.person import earliest_birth_day


def check_acceptable(reading_set: ReadingSet, rulebook: Rulebook) -> None:
    """Refuse a set that no evaluation could be made of.

    Raises:
        NotAcceptable: with every fault, each with its place and what would be accepted.
    """
    faults = faults_of_meaning(reading_set, rulebook)
    if not reading_set.readings and opened_at(reading_set) is None:
        detail = "The moment the set came in, where there is no reading: age and protocol are of a day."
        faults.append(Fault(pointer="/intake/received_at", code="missing", detail=detail))
    if faults:
        raise NotAcceptable(faults)


def faults_of_meaning(reading_set: ReadingSet, rulebook: Rulebook) -> list[Fault]:
    """Every reason why no evaluation could be made of a set."""
    if is_plain(reading_set, rulebook):
        return name_faults(reading_set, rulebook)
    return (
        empty_faults(reading_set)
        + identifier_faults(reading_set)
        + name_faults(reading_set, rulebook)
        + pressure_faults(reading_set)
        + birth_faults(reading_set)
        + sleep_faults(reading_set)
        + sitting_faults(reading_set, rulebook)
    )


def is_plain(reading_set: ReadingSet, rulebook: Rulebook) -> bool:
    """True where one pass over the readings shows that nothing but a name can be wrong, as it is with most sets.

    They have no names of their own and both pressures, and are in order, of one local day and within one sitting.
    """
    readings, born = reading_set.readings, reading_set.subject.birth_date
    if not readings or reading_set.sleep:
        return False
    before = first = readings[0].taken_at
    day = first.day
    for reading in readings:
        at = reading.taken_at
        # Within some hours, which is asked last, the same day of a month is the same day.
        if reading.voided or reading.identifier is not UNSET or at < before or at.day != day:
            return False
        if reading.systolic_mmhg is None or reading.diastolic_mmhg is None:
            return False
        before = at
    within = before - first <= longest_sitting(rulebook.limits)
    return within and (born is None or first.date() >= earliest_birth_day(born))


def read_longest(limits: Limits) -> timedelta:
    """The time within which the next reading belongs to the same sitting."""
    return timedelta(hours=limits.sitting_over_hours)


longest_sitting = remembered_alone(read_longest)


def empty_faults(reading_set: ReadingSet) -> list[Fault]:
    """Fault of a closed set without readings.

    An open set may be empty, which is how a sitting is prepared. Only the service closes an empty set: after a time, or because
    it was voided.
    """
    intake = reading_set.intake
    by_service = intake is not None and (intake.closed_by_timeout or "set-voided" in intake.changes)
    if reading_set.readings or not reading_set.closed or by_service:
        return []
    return [Fault(pointer="/readings", code="too-few", detail="At least 1 in a closed set; none only with closed false.")]


def identifier_faults(reading_set: ReadingSet) -> list[Fault]:
    """Readings that carry the identifier of an earlier one."""
    met: set[tuple[str, str]] = set()
    faults = []
    for place, reading in enumerate(reading_set.readings):
        if not isinstance(reading.identifier, Identifier):
            continue
        name = (reading.identifier.system, reading.identifier.value)
        if name in met:
            detail = "An identifier of its own for each reading."
            faults.append(Fault(pointer=f"/readings/{place}/identifier", code="named-twice", detail=detail))
        met.add(name)
    return faults


def name_faults(reading_set: ReadingSet, rulebook: Rulebook) -> list[Fault]:
    """Protocols and guidelines that are not in the rulebook, and settings without a protocol."""
    faults = []
    if reading_set.protocol is not None:
        protocol = rulebook.protocols.get(reading_set.protocol)
        if protocol is None:
            faults.append(unknown("/protocol", rulebook.protocols))
        elif reading_set.setting not in protocol.settings:
            accepted = ", ".join(protocol.settings)
            faults.append(Fault(pointer="/setting", code="not-for-this-protocol", detail=f"This protocol is for: {accepted}."))
    asked = reading_set.guidelines or []
    for place, name in enumerate(asked):
        if name not in rulebook.guidelines:
            faults.append(unknown(f"/guidelines/{place}", rulebook.guidelines))
        elif name in asked[:place]:
            faults.append(Fault(pointer=f"/guidelines/{place}", code="named-twice", detail="Each guideline once."))
    preferred = reading_set.intake.default_guidelines if reading_set.intake is not None else None
    for place, name in enumerate(preferred or []):
        if name not in rulebook.guidelines:
            faults.append(unknown(f"/intake/default_guidelines/{place}", rulebook.guidelines))
    return faults


def unknown(pointer: str, known: Iterable[str]) -> Fault:
    """A name that is not in the rulebook, with those that are."""
    return Fault(pointer=pointer, code="unknown-code", detail=f"Accepted: {', '.join(sorted(known))}.")


def pressure_faults(reading_set: ReadingSet) -> list[Fault]:
    """Faults of one pressure without the other: neither a reading nor a failed attempt."""
    return [
        Fault(
            pointer=f"/readings/{place}/{'systolic' if reading.systolic_mmhg is None else 'diastolic'}_mmhg",
            code="one-pressure-missing",
            detail="Both pressures, or neither for a failed attempt.",
        )
        for place, reading in enumerate(reading_set.readings)
        if not reading.voided and (reading.systolic_mmhg is None) != (reading.diastolic_mmhg is None)
    ]


def birth_faults(reading_set: ReadingSet) -> list[Fault]:
    """A birth after the first reading."""
    birth_date = reading_set.subject.birth_date
    if birth_date is None:
        return []
    born = earliest_birth_day(birth_date)
    if not any(reading.taken_at.date() < born for reading in reading_set.readings if not reading.voided):
        return []
    return [Fault(pointer="/subject/birth_date", code="after-the-readings", detail="A day not after the readings.")]


def sleep_faults(reading_set: ReadingSet) -> list[Fault]:
    """A waking that is not after falling asleep, or a day and more later."""
    longest = timedelta(days=1)
    return [
        Fault(pointer=f"/sleep/{place}/awake_at", code="wrong-order", detail="After asleep_at, by less than a day.")
        for place, period in enumerate(reading_set.sleep)
        if not timedelta(0) < period.awake_at - period.asleep_at < longest
    ]


def sitting_faults(reading_set: ReadingSet, rulebook: Rulebook) -> list[Fault]:
    """In the office: more than four hours between neighbours, or another local day, is another sitting.

    Source: [DECISION].
    """
    if reading_set.setting != "office" or not reading_set.readings:
        return []
    times = [reading.taken_at for reading in reading_set.readings]
    longest = longest_sitting(rulebook.limits)
    # The whole span first: a set that is within it needs no sorting.
    if max(times) - min(times) <= longest and len({time.date() for time in times}) == 1:
        return []
    kept = [(index, reading) for index, reading in in_order(reading_set.readings) if not reading.voided]
    hours = rulebook.limits.sitting_over_hours
    detail = f"One sitting: within {hours} hours of the reading before and on its local day; else a new set."
    return [
        Fault(pointer=f"/readings/{index}/taken_at", code="sitting-over", detail=detail)
        for (_, before), (index, reading) in pairwise(kept)
        if reading.taken_at - before.taken_at > longest or reading.taken_at.date() != before.taken_at.date()
    ]
