"""The morning as requests: each event becomes one request, and each answer is compared with the expected one."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime, time, timedelta
from typing import Any, Protocol

import msgspec

from quietcuff.core.model.evaluation import Evaluation, Step
from quietcuff.demo.gateway import ChangeAnswer
from quietcuff.demo.scenario import (
    Answered,
    Closed,
    Corrected,
    DemoVisit,
    Earlier,
    Event,
    ExpectedEnd,
    Morning,
    Retried,
    Taken,
)

SYSTEM = "urn:example:quietcuff-demo"


class ClinicDesk(Protocol):
    """The operations that the clinic needs of its gateway."""

    def open_set(self, reading_set: dict[str, Any], retry_key: str) -> ChangeAnswer: ...

    def append(self, last: ChangeAnswer, arrived: dict[str, Any], retry_key: str) -> ChangeAnswer: ...

    def correct(self, last: ChangeAnswer, correction: dict[str, Any], retry_key: str) -> ChangeAnswer: ...

    def send_again(self) -> ChangeAnswer: ...


class PlayedMoment(msgspec.Struct, frozen=True, kw_only=True):
    """One event: the step asked for before it, the answer to it, and the faults of that answer."""

    event: Event
    asked: Step | None
    safety_before: str
    answer: ChangeAnswer
    mishaps: list[str]


class VisitSender:
    """Sends the events of one visit, in order."""

    def __init__(self, desk: ClinicDesk, morning: Morning, number: int, noon: datetime) -> None:
        self.desk = desk
        self.morning = morning
        self.number = number
        self.visit = morning.visits[number - 1]
        self.noon = noon
        self.requests = 0
        self.last: ChangeAnswer | None = None

    def send_earlier(self, earlier: Earlier) -> ChangeAnswer:
        """Send a whole sitting of some weeks ago, so that the service knows this person's history."""
        day = (self.noon - timedelta(days=earlier.days_before)).date()
        readings = [
            self.reading(day, plus(earlier.at, 70 * place), arm, (systolic, diastolic))
            for place, (arm, systolic, diastolic) in enumerate(earlier.readings)
        ]
        body = self.opening(readings, earlier.visit, "earlier") | {"closed": True}
        return self.desk.open_set(body, self.retry_key())

    def send(self, event: Event) -> ChangeAnswer:
        """Send one event."""
        match event:
            case Retried():
                return self.desk.send_again()
            case Taken():
                return self.send_reading(event)
            case Answered(context=context):
                return self.append({"context": context})
            case Corrected(reason=reason, changes=changes):
                return self.desk.correct(self.known(), {"reason": reason, "changes": changes}, self.retry_key())
            case Closed():
                return self.append({"closed": True})

    def send_reading(self, event: Taken) -> ChangeAnswer:
        """Open the sitting with its first reading; append every other one as it is taken."""
        reading = self.reading(self.noon.date(), event.at, event.arm, event.pressures)
        reading |= {"pulse_per_min": event.pulse, "method": event.method, "device_flags": event.flags}
        if event.method == "auscultatory":
            reading["device"] = {"kind": "auscultatory", "site": "upper-arm"}
        if event.with_cuff is not None:
            reading["cuff"] = event.with_cuff
        if self.last is None:
            return self.desk.open_set(self.opening([reading], self.visit.visit, "today"), self.retry_key())
        return self.append({"readings": [reading]})

    def append(self, arrived: dict[str, Any]) -> ChangeAnswer:
        return self.desk.append(self.known(), arrived, self.retry_key())

    def opening(self, readings: list[dict[str, Any]], visit: str, which: str) -> dict[str, Any]:
        """The first request of a sitting: the person, the preparation, the device and cuff, and the readings so far."""
        return {
            "identifier": {"system": f"{SYSTEM}:visit", "value": f"{self.number:02}-{which}"},
            "subject": {
                "identifier": {"system": f"{SYSTEM}:person", "value": f"p-{self.number:02}"},
                "birth_date": birth_date(self.visit.age, self.noon.date()).isoformat(),
                "sex": self.visit.sex,
                **self.visit.facts,
            },
            "visit": visit,
            "context": self.morning.context,
            "device": {"identifier": self.morning.device["identifier"]},
            "cuff": self.visit.cuff or self.morning.cuff,
            "closed": False,
            "readings": readings,
        }

    def reading(self, day: date, at: time, arm: str, pressures: tuple[int, int]) -> dict[str, Any]:
        taken_at = datetime.combine(day, at, self.noon.tzinfo)
        return {
            "taken_at": taken_at.isoformat(),
            "systolic_mmhg": pressures[0],
            "diastolic_mmhg": pressures[1],
            "site": f"{arm}-upper-arm",
            "position": "sitting",
            "method": "oscillometric",
        }

    def known(self) -> ChangeAnswer:
        """The last answer, whose version the next change must name."""
        if self.last is None:
            raise ValueError("a visit begins with a reading")
        return self.last

    def retry_key(self) -> str:
        """A new key for each request, by which a retry is recognised."""
        self.requests += 1
        return f"demo-{self.number:02}-{self.requests}"


def play(desk: ClinicDesk, morning: Morning, number: int, noon: datetime) -> Iterator[PlayedMoment]:
    """Play visit ``number`` of the morning, event by event."""
    sender = VisitSender(desk, morning, number, noon)
    if sender.visit.earlier is not None:
        sender.send_earlier(sender.visit.earlier)
    for event in sender.visit.events:
        before = sender.last
        sender.last = sender.send(event)
        known = None if before is None else before.envelope.evaluation
        yield PlayedMoment(
            event=event,
            asked=None if known is None else known.next_step,
            safety_before="none" if known is None else known.safety.level,
            answer=sender.last,
            mishaps=compare_step(event, before, sender.last),
        )


def compare_step(event: Event, before: ChangeAnswer | None, answer: ChangeAnswer) -> list[str]:
    """The differences between an answer and the expected answer to an event."""
    evaluation = answer.envelope.evaluation
    step = evaluation.next_step
    facts: list[tuple[str, object, object]] = [
        ("next step", event.next, step.action),
        ("safety", event.safety, evaluation.safety.level),
        ("replayed", isinstance(event, Retried), answer.replayed),
    ]
    if event.site is not None:
        facts.append(("site", event.site, step.site))
    if event.cuff is not None:
        facts.append(("cuff", event.cuff, step.cuff))
    if isinstance(event, Retried):
        facts.append(("the answer told again", before and before.envelope, answer.envelope))
    return mishaps_of(facts)


def compare_end(expected: ExpectedEnd, evaluation: Evaluation) -> list[str]:
    """The differences between the end of a visit and its expected end."""
    result = evaluation.result
    reported = None if result is None else (result.systolic_mmhg, result.diastolic_mmhg)
    facts: list[tuple[str, object, object]] = [
        ("state", expected.state, evaluation.state),
        ("safety", expected.safety, evaluation.safety.level),
        ("result", expected.reported, reported),
        ("readings", expected.reasons, [outcome.reason or "counts" for outcome in evaluation.readings]),
    ]
    if expected.categories is not None:
        facts.append(("categories", expected.categories, [entry.category for entry in evaluation.categories]))
    if expected.provisional_because is not None:
        reasons = evaluation.categories[0].provisional_because if evaluation.categories else []
        facts.append(("provisional", sorted(expected.provisional_because), sorted(reasons)))
    found = {finding.code for finding in evaluation.findings}
    facts += [(f"finding {code}", True, code in found) for code in expected.findings]
    return mishaps_of(facts)


def mishaps_of(facts: list[tuple[str, object, object]]) -> list[str]:
    """A sentence for each fact that is not as expected."""
    return [f"{name}: {shown_request(found)}, not {shown_request(due)}" for name, due, found in facts if due != found]


def shown_request(value: object) -> str:
    return value if isinstance(value, str) else msgspec.json.encode(value).decode()


def plus(at: time, seconds: int) -> time:
    """A time of day some seconds later."""
    return (datetime.combine(date(2000, 1, 1), at) + timedelta(seconds=seconds)).time()


def birth_date(age: int, day: date) -> date:
    """A birth date for that age: the last birthday was a hundred days ago."""
    birthday = day - timedelta(days=100)
    # Every month has 28 days, so the date exists in any year.
    return birthday.replace(year=birthday.year - age, day=min(birthday.day, 28))


def wall(visit: DemoVisit) -> time:
    """The time at which a visit begins, by the clinic's clock."""
    return next(event.at for event in visit.events if isinstance(event, Taken))
