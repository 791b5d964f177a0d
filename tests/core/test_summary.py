"""One person over many sittings: values by setting, labels with their certainty, patterns, and the next step.

Expected values are worked out by hand from the rules of docs/decisions.md; "common practice, no published source" where nothing
else is named.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from typing import Any

import msgspec
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from core.recordings import SUBJECT, ambulatory_body, by_hours, home_body, home_series, reading, recording
from quietcuff.api.examples import example
from quietcuff.core.evaluate import evaluate
from quietcuff.core.model.readings import Facts, ReadingSet
from quietcuff.core.over_visits.pooling import CurrentSitting
from quietcuff.core.over_visits.result import Summary
from quietcuff.core.summarise import summarise
from quietcuff.rules.catalog import load_rulebook

RULEBOOK = load_rulebook()
TODAY = datetime(2026, 6, 1, 8, tzinfo=UTC)
MIDNIGHT = datetime.fromisoformat("2026-06-01T00:00:00+02:00")
FACTS = Facts(birth_date="1975-01-15", sex="female")
Pressures = tuple[float, float]


def days_ago(days: int) -> datetime:
    return MIDNIGHT - timedelta(days=days)


def store(body: dict[str, Any], name: str, *, status: str = "active") -> CurrentSitting:
    reading_set = msgspec.convert(body, ReadingSet)
    evaluation = evaluate(reading_set, None, RULEBOOK)
    return msgspec.convert(
        {"set_id": name, "status": status, "closed": reading_set.closed, "reading_set": reading_set, "evaluation": evaluation},
        CurrentSitting,
    )


def numbered(*bodies: dict[str, Any]) -> list[CurrentSitting]:
    return [store(body, f"s{place}") for place, body in enumerate(bodies)]


def office(days: int, *values: Pressures, **more: Any) -> dict[str, Any]:
    """An office visit, at nine, with a reading every two minutes; two equal ones where one value is given."""
    values = values if len(values) > 1 else values * 2
    rows = [reading(days_ago(days) + timedelta(hours=9, minutes=2 * place), value) for place, value in enumerate(values)]
    return {"subject": SUBJECT, "visit": "follow-up", "guidelines": ["esh-2023"], "readings": rows} | more


def single(at: datetime, value: Pressures, *, times: int = 2, **more: Any) -> dict[str, Any]:
    """One home sitting posted alone."""
    rows = [reading(at + timedelta(minutes=2 * place), value) for place in range(times)]
    return home_body(rows, protocol="home-sitting") | more


def singles(first: int, days: int, pressures: Callable[[int], Pressures]) -> list[dict[str, Any]]:
    """Two sittings of two a day from ``first`` days ago on."""
    return [single(days_ago(first - day) + timedelta(hours=hour), pressures(day)) for day in range(days) for hour in (8, 20)]


def week(first: int, value: Pressures) -> list[dict[str, Any]]:
    return singles(first, 7, lambda _: value)


def day_and_night(days: int, day: Pressures, night: Pressures, **more: Any) -> dict[str, Any]:
    return ambulatory_body(recording(by_hours(day, night), start=days_ago(days) + timedelta(hours=9)), **more)


def summary_of(*bodies: dict[str, Any], facts: Facts = FACTS, guidelines: list[str] | None = None) -> Summary:
    return summarise("person", facts, numbered(*bodies), TODAY, RULEBOOK, guidelines)


def test_single_home_sittings_make_a_series_without_their_first_day() -> None:
    """The first day, 150/95, is left out; 24 readings of 136/86 on six days are left. Source: [HBPM18] for day and minimum."""
    summary = summary_of(*singles(10, 7, lambda day: (150, 95) if day == 0 else (136, 86)))
    home = summary.pooled.home
    assert home is not None
    assert (home.systolic_mmhg, home.diastolic_mmhg, home.readings) == (136, 86, 24)
    assert (home.days, home.days_dropped, home.made_of, len(home.sets)) == (6, 1, "single-sittings", 14)
    assert home.protocol.id == "home-seven-day"
    # 135/85 at home is the limit of esh-2023. Source: [ISH20, AFP21].
    assert [entry.category for entry in home.categories] == ["hypertension"]
    assert [entry.guideline for entry in home.certainty] == ["esh-2023"]
    assert summary.sittings.counted == 14 and summary.sittings.left_out == []
    assert summary.pooled.office is None and summary.categories[0].category is None
    assert [(entry.setting, entry.because) for entry in summary.pooled.lacking] == [
        ("office", ["none-stored"]),
        ("ambulatory", ["none-stored"]),
    ]
    assert summary.next_step.action == "repeat-another-day"


@pytest.mark.parametrize("days", [4, 5, 7])
def test_a_series_of_single_sittings_is_what_the_same_readings_sent_together_are(days: int) -> None:
    def value(at: datetime) -> Pressures:
        return 128 + at.day % 5 + at.hour % 7, 80 + at.day % 3

    readings = home_series(days, value, start=days_ago(12))
    apart = [home_body(readings[place : place + 2], protocol="home-sitting") for place in range(0, len(readings), 2)]
    whole, made = summary_of(home_body(readings)).pooled.home, summary_of(*apart).pooled.home
    assert whole is not None and made is not None
    assert (whole.made_of, made.made_of) == ("whole-series", "single-sittings")
    assert msgspec.structs.replace(made, made_of=whole.made_of, sets=whole.sets) == whole


def test_too_few_home_sittings_say_what_they_lack_and_that_the_series_goes_on() -> None:
    summary = summary_of(*singles(5, 3, lambda _: (136, 86)))
    assert summary.pooled.home is None
    lacking = next(entry for entry in summary.pooled.lacking if entry.setting == "home")
    assert lacking.because == ["too-few-readings", "too-few-days"]
    assert lacking.message is not None and "8 readings on 2 days, 12 on 3 are needed" in lacking.message
    assert {entry.because for entry in summary.sittings.left_out} == {"home-readings-too-few"}
    assert (summary.next_step.action, summary.next_step.reason) == (
        "measure-out-of-office",
        RULEBOOK.wording.step["home-series"],
    )


def test_the_newest_valid_series_rules_whatever_it_is_made_of() -> None:
    early, late = week(60, (150, 92)), home_body(home_series(7, lambda _: (130, 80), start=days_ago(20)))
    both = summary_of(*early, late).pooled.home
    assert both is not None and (both.systolic_mmhg, both.made_of, both.sets) == (130, "whole-series", ["s14"])
    newer = summary_of(late, *week(9, (126, 78))).pooled.home
    assert newer is not None and (newer.systolic_mmhg, newer.made_of) == (126, "single-sittings")
    alone = summary_of(*early, single(days_ago(3), (120, 70)))
    assert alone.pooled.home is not None and alone.pooled.home.systolic_mmhg == 150
    assert [(left.set, left.because) for left in alone.sittings.left_out] == [("s14", "not-part-of-series")]


def test_a_home_sitting_in_pain_or_in_other_than_ordinary_care_is_not_in_the_series() -> None:
    good = week(10, (136, 86))
    summary = summary_of(
        *good,
        single(days_ago(4) + timedelta(hours=12), (160, 95), context={"pain": "yes"}),
        single(days_ago(4) + timedelta(hours=13), (160, 95), times=1, context={"anxiety_or_stress": "yes"}),
        single(days_ago(4) + timedelta(hours=14), (160, 95), context={"care": "emergency"}),
    )
    assert summary.pooled.home is not None and summary.pooled.home.systolic_mmhg == 136
    assert {left.set: left.because for left in summary.sittings.left_out} == {
        "s14": "pain",
        "s15": "anxiety-or-stress",
        "s16": "care-not-ordinary",
    }


def test_the_newest_valid_recording_rules_with_its_parts() -> None:
    """138/86 by day and 120/72 by night: both high under esh-2023 (135/85, 120/70). Source: [ISH20, AFP21]."""
    summary = summary_of(
        day_and_night(30, (120, 70), (100, 60)),
        day_and_night(10, (138, 86), (120, 72)),
        ambulatory_body(recording(by_hours((118, 70), (100, 60)), start=days_ago(3) + timedelta(hours=9), hours=5)),
    )
    found = summary.pooled.ambulatory
    assert found is not None and found.day is not None and found.night is not None and found.hours_24 is not None
    assert (found.set, found.day.systolic_mmhg, found.night.systolic_mmhg) == ("s1", 138, 120)
    assert found.systolic_mmhg == found.hours_24.systolic_mmhg
    assert [entry.category for entry in found.categories] == ["hypertension"]
    assert {part.part: part.category for part in found.parts} == {
        "hours-24": "hypertension",
        "day": "hypertension",
        "night": "hypertension",
    }
    assert [entry.guideline for entry in found.certainty] == ["esh-2023"]
    assert {left.set: left.because for left in summary.sittings.left_out} == {"s0": "newer-recording-rules", "s2": "not-usable"}


def test_a_recording_that_is_not_valid_says_why_there_is_none() -> None:
    short = ambulatory_body(recording(by_hours((118, 70), (100, 60)), start=days_ago(3) + timedelta(hours=9), hours=5))
    summary = summary_of(short)
    lacking = next(entry for entry in summary.pooled.lacking if entry.setting == "ambulatory")
    assert summary.pooled.ambulatory is None and lacking.because == ["too-few-readings"]
    assert lacking.message is not None and "needed" in lacking.message


@pytest.mark.parametrize(
    ("at_office", "outside", "code", "action"),
    [
        ((146, 92), (128, 78), "white-coat-pattern", "none"),
        ((132, 82), (140, 88), "masked-pattern", "measure-out-of-office"),
        ((146, 92), (140, 88), "sustained-pattern", "none"),
        ((132, 82), (128, 78), None, "none"),
    ],
)
def test_office_and_home_together_show_a_pattern(
    at_office: Pressures, outside: Pressures, code: str | None, action: str
) -> None:
    """Limits of esh-2023: 140/90 in the office, 135/85 at home. Source: [ESH21] for the patterns, [ISH20] for the limits."""
    summary = summary_of(office(30, at_office), office(20, at_office), *week(12, outside))
    assert [pattern.code for pattern in summary.patterns] == ([] if code is None else [code])
    assert [finding.code for finding in summary.findings if finding.code.endswith("-pattern")] == (
        [] if code is None else [code]
    )
    assert summary.next_step.action == action
    assert summary.next_step.reason == RULEBOOK.wording.step[code or "none"]
    assert summary.confirm_by is None


def test_a_recording_joins_the_pattern_and_any_high_part_makes_it_masked() -> None:
    normal = [office(30, (130, 82)), office(20, (130, 82))]
    summary = summary_of(*normal, *week(16, (126, 78)), day_and_night(5, (128, 80), (122, 68)))
    assert [(pattern.code, pattern.parts) for pattern in summary.patterns] == [("masked-pattern", ["night"])]


def test_no_pattern_from_one_office_day_nor_from_values_too_far_apart() -> None:
    """Ninety days is the project's own choice."""
    one_day = summary_of(office(20, (146, 92)), *week(12, (128, 78)))
    assert one_day.patterns == []
    assert (one_day.next_step.action, one_day.next_step.reason) == (
        "repeat-another-day",
        RULEBOOK.wording.step["second-office-day"],
    )
    assert one_day.confirm_by is not None and one_day.confirm_by.way == "office"
    for gap, patterns in ((90, ["white-coat-pattern"]), (91, [])):
        ends = 5 + gap
        far = summary_of(office(20, (146, 92)), office(5, (146, 92)), *week(ends + 6, (128, 78)))
        assert [pattern.code for pattern in far.patterns] == patterns, gap
    assert far.next_step.action == "measure-out-of-office"


def test_on_treatment_patterns_are_uncontrolled_and_the_target_comes_first() -> None:
    treated = Facts(birth_date="1975-01-15", sex="female", antihypertensive_treatment="yes")
    summary = summary_of(office(30, (130, 82)), office(20, (130, 82)), *week(12, (140, 88)), facts=treated)
    assert [(pattern.code, "uncontrolled" in pattern.label) for pattern in summary.patterns] == [("masked-pattern", True)]
    assert summary.next_step.reason == RULEBOOK.wording.step["compare-with-target"]


def test_each_guideline_has_its_own_pattern() -> None:
    """132/82 in the office and 131/81 at home: high under aha-acc-2025 on both sides, under esh-2023 on neither."""
    summary = summary_of(
        office(30, (132, 82)),
        office(20, (132, 82)),
        *week(12, (131, 81)),
        guidelines=["aha-acc-2025", "esh-2023", "canada-2025"],
    )
    assert [(pattern.guideline, pattern.code) for pattern in summary.patterns] == [("aha-acc-2025", "sustained-pattern")]


def test_certainty_is_of_both_visits_together() -> None:
    """145/90 of two readings, then 139/86 of three: with a normal prior 0.551604 at or above 140/90, without 0.677750.

    Source: the check table of the certainty model, by quadrature.
    """
    prior = {"systolic_mmhg": 125.4, "systolic_sd_mmhg": 15.9, "diastolic_mmhg": 76.8, "diastolic_sd_mmhg": 9.9}
    asked = {
        "protocol": "office-aha-acc-2025",
        "guidelines": ["aha-acc-2025"],
        "intake": {"prior": prior | {"correlation": 0.69}},
        "subject": SUBJECT | {"birth_date": "1985-01-15"},
    }
    younger = Facts(birth_date="1985-01-15")
    summary = summary_of(office(40, (145, 90), **asked), office(20, *[(139, 86)] * 3, **asked), facts=younger)
    entry = summary.certainty[0]
    assert entry.visits_used == 2 and entry.prior == "tenant"
    reached = next(row for row in entry.rows if row.category == "stage-2")
    assert (reached.at_or_above, reached.at_or_above_flat) == (0.5516, 0.6778)
    assert (summary.pooled.office.systolic_mmhg if summary.pooled.office else None) == 142
    assert [entry.category for entry in summary.categories] == ["stage-2"]
    told = next((finding for finding in summary.findings if finding.code == "prior-decides"), None)
    assert told is not None or not any((row.at_or_above - 0.5) * (row.at_or_above_flat - 0.5) < 0 for row in entry.rows)


def test_sounds_heard_down_to_zero_leave_only_what_the_systolic_earns_over_visits() -> None:
    """A diastolic of 38 by auscultation is too low, so it can give no reassuring label. Source: [PRACTICE, DECISION]."""

    def heard(days: int, systolic: float) -> dict[str, Any]:
        body = office(days, (systolic, 38))
        return body | {"readings": [each | {"method": "auscultatory"} for each in body["readings"]]}

    low = summary_of(heard(20, 118), heard(10, 118))
    assert low.pooled.office is not None and [entry.category for entry in low.categories] == [None]
    (entry,) = summary_of(heard(20, 146), heard(10, 146)).categories
    assert (entry.category, entry.provisional_because) == ("grade-1", ["use-phase-four"])


BOY = {"identifier": SUBJECT["identifier"], "birth_date": "2018-03-01", "sex": "male"}


def child(days: int, value: Pressures, height_cm: float | None = 127.9) -> dict[str, Any]:
    """A boy of eight at the median height for his age, 127.9 cm."""
    facts = BOY if height_cm is None else BOY | {"height_cm": height_cm}
    return office(days, value, value, value, subject=facts, guidelines=["fourth-report-2004"])


def test_a_childs_pooled_value_goes_by_percentiles_and_needs_three_days() -> None:
    """For a boy of eight at median height the 95th systolic percentile is 116.6, the 99th and 5 mmHg 128.9; three occasions.

    Source: [FR04-APP-B, FR04].
    """
    facts = Facts(birth_date="2018-03-01", sex="male")
    two = summary_of(child(30, (118, 70)), child(20, (119, 70)), facts=facts)
    assert [(entry.category, entry.provisional_because) for entry in two.categories] == [("stage-1", ["too-few-visits"])]
    assert two.certainty[0].bias_not_included == []
    three = summary_of(child(30, (118, 70)), child(20, (119, 70)), child(10, (117, 70)), facts=facts)
    entry = three.categories[0]
    assert (entry.category, entry.provisional, entry.decided_by) == ("stage-1", False, "systolic")
    assert three.percentile is not None and three.percentile.reference == "nhbpep-2004-pressure"
    assert 95 < three.percentile.systolic < 98
    assert [each.guideline for each in three.certainty] == ["fourth-report-2004"]
    assert "variability-of-adults" in {each.code for each in three.certainty[0].assumptions}
    assert (three.next_step.action, three.next_step.reason) == ("none", RULEBOOK.wording.step["review-over-visits"])


def test_a_child_without_height_has_a_value_and_no_category_and_is_told_why() -> None:
    summary = summary_of(child(20, (118, 70), None), facts=Facts(birth_date="2018-03-01", sex="male"))
    assert summary.pooled.office is not None and summary.percentile is None
    assert [entry.category for entry in summary.categories] == [None]
    assert next(each.because for each in summary.pooled.lacking if each.setting == "office") == ["height-not-recorded"]
    assert "height-not-recorded" in {finding.code for finding in summary.findings}


def test_without_any_value_the_newest_set_says_what_is_next() -> None:
    # One reading alone gives no result; with a value that is not high nothing is due, whatever the newest set lacked.
    alone = summary_of(office(1, (120, 78), (120, 78), closed=True, readings=[reading(days_ago(1), (120, 78))]))
    assert alone.pooled.office is None and alone.next_step.action == "repeat-another-day"
    beside = summary_of(office(1, (120, 78), readings=[reading(days_ago(1), (120, 78))]), office(5, (118, 74)))
    assert beside.pooled.office is not None and beside.next_step.action == "none"


def test_severe_in_pregnancy_over_visits_stays_unconfirmed_until_it_is_confirmed() -> None:
    facts = Facts(birth_date="1996-01-15", sex="female", pregnancy="pregnant")
    subject = SUBJECT | {"birth_date": "1996-01-15", "pregnancy": "pregnant"}

    def visit(days: int, value: Pressures) -> dict[str, Any]:
        return office(days, value, value, value, subject=subject, guidelines=["acog-2020"])

    high = summary_of(visit(10, (150, 92)), visit(5, (150, 92)), facts=facts)
    assert [entry.category for entry in high.categories] == ["hypertension"]
    assert (high.next_step.action, high.next_step.reason) == ("same-day-review", RULEBOOK.wording.step["expecting-raised"])
    severe = summary_of(visit(5, (164, 100)), facts=facts)
    assert [entry.category for entry in severe.categories] == ["severe"]
    assert severe.next_step.action == "urgent-assessment"


def test_what_presses_in_the_newest_set_comes_first() -> None:
    summary = summary_of(office(30, (130, 82)), office(20, (130, 82)), *week(12, (128, 78)), office(1, (204, 112), (202, 110)))
    assert summary.safety.level == "same-day"
    assert summary.next_step.action in ("ask-symptoms", "same-day-review")


def stock() -> list[CurrentSitting]:
    """Sets of every kind, each as it is when it is stored."""
    bodies = [
        *(office(days, value) for days, value in ((40, (146, 92)), (22, (139, 88)), (3, (141, 90)))),
        office(15, (150, 90), context={"pain": "yes"}),
        *singles(14, 5, lambda day: (130 + day, 82)),
        home_body(home_series(5, lambda _: (137, 84), start=days_ago(50))),
        day_and_night(11, (138, 86), (120, 72), guidelines=["esh-2023", "aha-acc-2025"]),
        day_and_night(33, (128, 80), (110, 66)),
        single(days_ago(2), (128, 80), times=1),
    ]
    return numbered(*bodies)


STOCK = stock()


@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.permutations(STOCK), st.integers(0, len(STOCK)), st.sets(st.sampled_from([each.set_id for each in STOCK])))
def test_order_of_arrival_changes_nothing_and_what_is_voided_never_counts(
    order: list[CurrentSitting], taken: int, voided: set[str]
) -> None:
    sent = [
        msgspec.structs.replace(sitting, status="voided" if sitting.set_id in voided else "active") for sitting in order[:taken]
    ]
    summary = summarise("person", FACTS, sent, TODAY, RULEBOOK)
    in_order = sorted(sent, key=lambda sitting: sitting.set_id)
    assert summarise("person", FACTS, in_order, TODAY, RULEBOOK) == summary
    never = [sitting for sitting in sent if sitting.status == "active"]
    without = summarise("person", FACTS, never, TODAY, RULEBOOK)
    assert summary.sittings.counted == without.sittings.counted
    assert summary.sittings.counted + len(summary.sittings.left_out) == summary.sittings.stored == len(sent)
    assert {left.set for left in summary.sittings.left_out if left.because == "voided"} == voided & {s.set_id for s in sent}
    same = {"sittings": without.sittings, "pooled": without.pooled}
    assert msgspec.structs.replace(summary, **same) == without
    for setting in ("office", "home", "ambulatory"):
        assert getattr(summary.pooled, setting) == getattr(without.pooled, setting)


def test_attended_and_unattended_values_are_not_pooled() -> None:
    """Values of a person alone in the room are lower. Source: [ROE19]."""
    alone = office(10, (132, 80), (132, 80), (132, 80), attendance="unattended", protocol="office-unattended")
    summary = summary_of(office(30, (146, 92)), alone, office(5, (144, 90)))
    assert summary.pooled.office is not None and summary.pooled.office.systolic_mmhg == 145
    assert [(left.set, left.because) for left in summary.sittings.left_out] == [("s1", "other-attendance")]
    assert summary.certainty[0].visits_used == 2


def test_automated_readings_in_irregular_rhythm_leave_the_pooled_label_provisional() -> None:
    """Common practice: automated values are less certain then. Source: [BIHS19]."""
    irregular = {"context": {"pulse_palpated": "irregular"}}
    summary = summary_of(office(30, *[(146, 92)] * 3, **irregular), office(20, (146, 92)))
    assert [entry.provisional_because for entry in summary.categories] == [["irregular-rhythm"]]


NOT_VALIDATED = {"device": {"kind": "automatic", "site": "upper-arm", "validated": "no"}}


def test_what_a_device_without_validation_measured_is_in_no_pooled_value() -> None:
    at_home = [body | NOT_VALIDATED for body in week(12, (128, 78))]
    summary = summary_of(office(30, (166, 99), **NOT_VALIDATED), office(20, (146, 92)), *at_home)
    assert summary.pooled.office is not None and summary.pooled.office.systolic_mmhg == 146
    assert summary.pooled.home is None and summary.patterns == []
    assert {left.because for left in summary.sittings.left_out} == {"device-not-validated"}
    home = next(each for each in summary.pooled.lacking if each.setting == "home")
    assert home.because == ["device-not-validated"]


def test_the_window_begins_at_the_last_change_of_treatment() -> None:
    changed = Facts(birth_date="1975-01-15", treatment_changed_on=date(2026, 5, 20))
    summary = summary_of(office(40, (150, 92)), office(5, (130, 80)), facts=changed)
    assert summary.window.because == "since-treatment-change"
    assert summary.pooled.office is not None and summary.pooled.office.systolic_mmhg == 130
    assert [left.because for left in summary.sittings.left_out] == ["outside-window"]


def white_coat() -> Summary:
    """Two visits at 146/92 and a week at home at 128/78."""
    stored = [
        store(body, name)
        for body, name in (
            (office(30, (146, 92)), "019e7431-9f80-7cda-ae6c-acc0e2b83dda"),
            (office(20, (146, 92)), "019ea7b1-8780-7cda-b3a1-0f6c1e0d9b52"),
            (home_body(home_series(7, lambda _: (128, 78), start=days_ago(12))), "019ed0e5-2b00-7cda-9d0e-5a7b60c1e4f8"),
        )
    ]
    return summarise("cda41017-1d9a-8818-bb1a-da6d8d866445", FACTS, stored, TODAY, RULEBOOK)


def test_the_documented_example_is_what_such_a_person_is_answered() -> None:
    assert msgspec.json.decode(msgspec.json.encode(white_coat())) == example("summary")
