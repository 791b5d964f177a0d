"""The certainty of labels as it is answered: whole sittings in, every figure and every ground out."""

from __future__ import annotations

import copy
from datetime import date, datetime, timedelta
from functools import cache
from typing import Any

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from core.golden import evaluate_body
from core.recordings import ambulatory_body, by_hours, home_body, home_series, recording
from quietcuff.core.certainty.certainty import judge_visits
from quietcuff.core.model.evaluation import Certainty, Evaluation
from quietcuff.core.model.history import HistorySitting
from quietcuff.core.model.readings import Facts, Intake, ReadingSet
from quietcuff.core.over_visits.history import Remembered, make_history, remember
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.core.sitting.person import describe_person
from quietcuff.rules.catalog import load_rulebook

LEFT, RIGHT = "left-upper-arm", "right-upper-arm"
START = datetime.fromisoformat("2026-05-04T09:00:00+02:00")


@cache
def loaded() -> Rulebook:
    return load_rulebook()


@pytest.fixture(scope="module")
def rulebook() -> Rulebook:
    return loaded()


def body(*readings: tuple[float, float] | tuple[float, float, str], start: datetime = START, **more: Any) -> dict[str, Any]:
    """A follow-up of an untreated person of 51 years, one reading a minute; a third word names another site."""
    subject = {
        "identifier": {"system": "urn:example:certainty", "value": "p"},
        "birth_date": "1975-01-15",
        "antihypertensive_treatment": "no",
    }
    return {
        "subject": subject | more.pop("subject", {}),
        "setting": "office",
        "visit": "follow-up",
        "guidelines": ["esc-2024"],
        "readings": [
            {
                "taken_at": (start + timedelta(minutes=place)).isoformat(),
                "systolic_mmhg": systolic,
                "diastolic_mmhg": diastolic,
                "site": site[0] if site else LEFT,
                "position": "sitting",
                "method": "oscillometric",
            }
            for place, (systolic, diastolic, *site) in enumerate(readings)
        ],
    } | more


def earlier(
    systolic: float, diastolic: float, day: str = "2026-04-01", *, readings: int = 2, rule: str = "last-two", **more: Any
) -> dict[str, Any]:
    return {
        "taken_from": f"{day}T09:00:00+02:00",
        "setting": "office",
        "site": LEFT,
        "systolic_mmhg": systolic,
        "diastolic_mmhg": diastolic,
        "readings_counted": readings,
        "value_rule": rule,
        "provisional_because": ["single-sitting"],
    } | more


def history(*sittings: dict[str, Any], **more: Any) -> dict[str, Any]:
    return {"as_of": START.isoformat(), "sittings": list(sittings)} | more


def only(evaluation: Evaluation) -> Certainty:
    (entry,) = evaluation.certainty
    return entry


def reached(entry: Certainty) -> list[tuple[float, float]]:
    return [(row.at_or_above, row.at_or_above_flat) for row in entry.rows[1:]]


def grounds(entry: Certainty) -> dict[str, tuple[str, str]]:
    return {ground.code: (ground.entry, ground.basis) for ground in entry.assumptions}


def codes(evaluation: Evaluation) -> list[str]:
    return [finding.code for finding in evaluation.findings]


# The normal distributions of the check table, as a tenant's own priors; nobody of that age is taken to vary as older people do.
OF_40_TO_59 = {
    "prior": {
        "systolic_mmhg": 125.4,
        "systolic_sd_mmhg": 15.9,
        "diastolic_mmhg": 76.8,
        "diastolic_sd_mmhg": 9.9,
        "correlation": 0.69,
    }
}
OF_18_TO_39 = {
    "prior": {
        "systolic_mmhg": 114.4,
        "systolic_sd_mmhg": 9.6,
        "diastolic_mmhg": 69.4,
        "diastolic_sd_mmhg": 9.6,
        "correlation": 0.69,
    }
}
YOUNGER = {"birth_date": "1985-01-15"}


def test_a_value_below_both_limits_is_more_likely_than_not_above_one_of_them(rulebook: Rulebook) -> None:
    """The check table through the whole core: 138/88, by itself 0.5419 to be at or above 140/90, with that prior 0.3539."""
    evaluation = evaluate_body(body((138, 88), (138, 88), subject=YOUNGER, intake=OF_40_TO_59), rulebook)
    entry = only(evaluation)
    assert entry.rows[-1].category == "hypertension"
    assert reached(entry)[-1] == (0.3539, 0.5419)
    assert (entry.decisive.category, entry.decisive.systolic, entry.decisive.diastolic) == ("hypertension", 0.2868, 0.1689)
    assert entry.interval_95.systolic_mmhg == pytest.approx((135.9286 - 1.96 * 7.2342, 135.9286 + 1.96 * 7.2342), abs=1e-3)
    assert (entry.prior, entry.visits_used, entry.settled) == ("tenant", 1, False)
    assert "prior-decides" in codes(evaluation)


def test_two_visits_are_weighed_together(rulebook: Rulebook) -> None:
    """The check table: 145/90 of two readings, then 139/86 of three: 0.6778 flat, 0.5516 with the prior."""
    past = history(earlier(145, 90))
    sent = body(*[(139, 86)] * 3, protocol="office-canada-2025", history=past, subject=YOUNGER, intake=OF_40_TO_59)
    entry = only(evaluate_body(sent, rulebook))
    assert reached(entry)[-1] == (0.5516, 0.6778)
    assert entry.visits_used == 2


def test_another_prior_gives_another_chance(rulebook: Rulebook) -> None:
    """The check table: 137/85 with the normal distribution of 18 to 39 years, limit 130/80: 0.6795."""
    young = body((137, 85), (137, 85), subject={"birth_date": "1995"}, guidelines=["aha-acc-2017"], intake=OF_18_TO_39)
    entry = only(evaluate_body(young, rulebook))
    assert next(row.at_or_above for row in entry.rows if row.category == "stage-1") == 0.6795


TREATED = {"antihypertensive_treatment": "yes"}
UNRECORDED = {"antihypertensive_treatment": "not-recorded"}


@pytest.mark.parametrize(
    ("subject", "because"),
    [
        (TREATED, "known-or-treated"),
        ({"known_hypertension": "yes"}, "known-or-treated"),
        (TREATED | UNRECORDED | {"known_hypertension": "yes"}, "known-or-treated"),
        (UNRECORDED, "treatment-not-recorded"),
        (UNRECORDED | {"known_hypertension": "no"}, "treatment-not-recorded"),
    ],
    ids=["treated", "known", "known, treatment not recorded", "not recorded", "not known, treatment not recorded"],
)
def test_the_high_of_the_treated_and_of_those_nobody_knows_of_is_not_talked_down(
    rulebook: Rulebook, subject: dict[str, str], because: str
) -> None:
    """170/84 at 31 years: with the normal prior of before 0.23 in a treated person, by the measurements alone 1.00."""
    evaluation = evaluate_body(body((170, 84), (170, 84), subject={"birth_date": "1995-01-15"} | subject), rulebook)
    entry = only(evaluation)
    assert entry.prior == "none" and grounds(entry)["no-prior"] == (because, "choice")
    assert reached(entry)[-1][0] > 0.99 and reached(entry)[-1][0] == reached(entry)[-1][1]
    assert rulebook.wording.certainty[f"no-prior-{because}"] in entry.statement


def test_where_treatment_is_not_recorded_the_prior_holds_below_the_range_of_hypertension(rulebook: Rulebook) -> None:
    """Of every guideline chosen: 134/78 is high under aha-acc-2025, which has hypertension from 130/80."""
    young = {"birth_date": "1995-01-15"} | UNRECORDED
    lower = only(evaluate_body(body((134, 78), (134, 78), subject=young), rulebook))
    assert lower.prior == "survey-2017-18"
    both = evaluate_body(body((134, 78), (134, 78), subject=young, guidelines=["esc-2024", "aha-acc-2025"]), rulebook)
    assert {entry.prior for entry in both.certainty} == {"none"}


def test_a_tenants_prior_is_of_the_treated_only_where_it_says_so(rulebook: Rulebook) -> None:
    treated = body((150, 92), (150, 92), subject=TREATED, intake=OF_40_TO_59)
    assert only(evaluate_body(treated, rulebook)).prior == "none"
    of_all = {"prior": OF_40_TO_59["prior"] | {"includes_treated": True}}
    assert only(evaluate_body(treated | {"intake": of_all}, rulebook)).prior == "tenant"
    unknown = body((150, 92), (150, 92), subject=UNRECORDED, intake=OF_40_TO_59)
    assert only(evaluate_body(unknown, rulebook)).prior == "tenant"


def test_a_tenant_may_have_parts_and_visits_of_its_own(rulebook: Rulebook) -> None:
    """Two equal halves are the whole; visits that vary less leave less open: 1.96 of the root of 5² and 10.7584."""
    whole = OF_40_TO_59["prior"]
    halves = {"prior": whole | {"parts": [whole | {"share": 0.5}] * 2}}
    sent = body((138, 88), (138, 88), subject=YOUNGER)
    assert reached(only(evaluate_body(sent | {"intake": halves}, rulebook)))[-1] == (0.3539, 0.5419)
    steady = {"prior": whole | {"visits": {"systolic_sd_mmhg": 5, "diastolic_sd_mmhg": 3, "correlation": 0.6}}}
    entry = only(evaluate_body(sent | {"intake": steady}, rulebook))
    low, high = entry.interval_95.systolic_mmhg
    expected = 1.96 * (1 / 15.9**2 + 1 / (25 + 10.7584)) ** -0.5
    assert (high - low) / 2 < 1.96 * 7.2342 and (high - low) / 2 == pytest.approx(expected, rel=0.02)


@pytest.mark.parametrize("guidelines", [["esc-2024"], ["aha-acc-2025"], ["nice-2019", "esh-2023"]], ids=" ".join)
def test_no_birthday_moves_a_chance_by_more_than_two_hundredths(rulebook: Rulebook, guidelines: list[str]) -> None:
    """Every birthday from 18 to 80, pressures from low to severe, with wide and with narrow pulse pressures."""
    pressures = [(118, 62), (128, 74), (136, 84), (140, 84), (146, 76), (150, 88), (150, 96), (160, 84), (160, 100), (174, 92)]
    for systolic, diastolic in pressures:
        before: dict[tuple[str, str], tuple[float, float]] = {}
        for age in range(18, 82):
            subject = {"birth_date": f"{2026 - age}-01-15"}
            sent = body((systolic, diastolic), (systolic, diastolic), subject=subject, guidelines=guidelines)
            now = {
                (entry.guideline, row.category): (row.at_or_above, row.at_or_above_flat)
                for entry in evaluate_body(sent, rulebook).certainty
                for row in entry.rows
            }
            for place, chances in before.items():
                assert now[place] == pytest.approx(chances, abs=0.02), (age, systolic, diastolic, place)
            before = now
        assert before


def test_a_young_persons_prior_has_a_tail(rulebook: Rulebook) -> None:
    """Measured 140, 150 and 160, untreated: the systolic is usually 140 or more with these chances, at 20 to 39 years.

    Source of the bounds: the survey's own people, deconvolved, bootstrap intervals: 0.15 to 0.31, 0.46 to 0.79, 0.80 to 0.98.
    """
    bounds = {(140, 84): (0.15, 0.31), (150, 88): (0.46, 0.79), (160, 92): (0.80, 0.98)}
    for age in (20, 25, 31, 35, 39):
        for value, (low, high) in bounds.items():
            sent = body(value, value, subject={"birth_date": f"{2026 - age}-01-15"}, guidelines=["nice-2019"])
            entry = only(evaluate_body(sent, rulebook))
            assert entry.prior == "survey-2017-18"
            known = {"prior": OF_18_TO_39["prior"]}
            assert low <= entry.rows[1].at_or_above and entry.decisive.systolic <= high, (age, value)
            normal = only(evaluate_body(sent | {"intake": known}, rulebook))
            assert normal.rows[1].at_or_above < entry.rows[1].at_or_above


def test_what_the_prior_alone_would_settle_is_not_settled(rulebook: Rulebook) -> None:
    """136/84 at 31 years: 0.92 to be below 140/90 with the prior, by the measurements alone less than two thirds."""
    entry = only(evaluate_body(body((136, 84), (136, 84), subject={"birth_date": "1995"}, guidelines=["nice-2019"]), rulebook))
    assert entry.label_probability >= 0.9 > entry.label_probability_flat
    assert not entry.settled


def test_what_would_not_hold_were_visits_to_vary_more_is_not_settled(rulebook: Rulebook) -> None:
    """154/70 without a prior: 0.95 with visits that vary by 7.5, 0.84 with 13.5."""
    entry = only(evaluate_body(body((154, 70), (154, 70), intake={"without_prior": True}), rulebook))
    assert entry.label_probability == entry.label_probability_flat > 0.94
    assert not entry.settled
    further = only(evaluate_body(body((160, 70), (160, 70), intake={"without_prior": True}), rulebook))
    assert further.settled


def test_the_chance_of_a_label_is_the_difference_of_nested_rows(rulebook: Rulebook) -> None:
    entry = only(evaluate_body(body((134, 78), (134, 78), guidelines=["aha-acc-2025"]), rulebook))
    by_category = {row.category: row for row in entry.rows}
    assert [row.category for row in entry.rows] == ["normal", "elevated", "stage-1", "stage-2", "severe"]
    assert entry.rows[0].at_or_above == entry.rows[0].at_or_above_flat == 1
    expected = by_category["stage-1"].at_or_above - by_category["stage-2"].at_or_above
    assert entry.label_probability == pytest.approx(expected, abs=1.01e-4)
    assert entry.label_probability_flat == pytest.approx(
        by_category["stage-1"].at_or_above_flat - by_category["stage-2"].at_or_above_flat, abs=1.01e-4
    )
    chances = [row.at_or_above for row in entry.rows]
    assert chances == sorted(chances, reverse=True)


def test_one_entry_for_each_label_in_the_order_asked_for(rulebook: Rulebook) -> None:
    asked = ["nice-2019", "aap-2017", "aha-acc-2025", "esc-2024"]
    evaluation = evaluate_body(body((150, 95), (150, 95), guidelines=asked), rulebook)
    assert [entry.guideline for entry in evaluation.certainty] == ["nice-2019", "aha-acc-2025", "esc-2024"]


@pytest.mark.parametrize(
    "changes",
    [
        {"readings": body((150, 95))["readings"]},
        {"closed": False, "readings": body((150, 95))["readings"]},
        {"context": {"care": "inpatient"}},
        {"subject": {"birth_date": "2015-01-15"}, "guidelines": ["esc-2024"]},
        {"setting": "home"},
    ],
    ids=["no result", "in progress", "inpatient", "not for this person", "one home sitting"],
)
def test_without_a_label_there_is_no_certainty(rulebook: Rulebook, changes: dict[str, Any]) -> None:
    sent = body((150, 95), (150, 95))
    evaluation = evaluate_body(sent | changes | {"subject": sent["subject"] | changes.get("subject", {})}, rulebook)
    assert evaluation.certainty == []


def test_a_severe_label_in_a_ward_has_no_certainty(rulebook: Rulebook) -> None:
    evaluation = evaluate_body(
        body((190, 125), (190, 125), guidelines=["aha-acc-2025"], context={"care": "inpatient"}), rulebook
    )
    assert evaluation.categories[0].category == "severe"
    assert evaluation.certainty == []


def test_what_is_clear_is_settled_and_needs_nothing_more(rulebook: Rulebook) -> None:
    entry = only(evaluate_body(body((172, 104), (172, 104)), rulebook))
    assert entry.settled and entry.label_probability >= 0.9
    assert (entry.more_readings_now, entry.visits_if_mean_holds, entry.reason) == (0, 0, None)


def test_more_readings_now_settle_what_is_just_short_of_it(rulebook: Rulebook) -> None:
    """At 157.6/70 without a prior and with visits that vary as much as they may the chance is just below 0.9; more readings of
    the same mean bring it to 0.9, and no fewer."""
    intake = {"without_prior": True}
    entry = only(evaluate_body(body((157.6, 70), (157.6, 70), subject=YOUNGER, intake=intake), rulebook))
    assert not entry.settled
    assert entry.more_readings_now is not None and entry.reason is None
    count = 2 + entry.more_readings_now
    sure = evaluate_body(body(*[(157.6, 70)] * count, protocol="office-unattended", subject=YOUNGER, intake=intake), rulebook)
    short = evaluate_body(
        body(*[(157.6, 70)] * (count - 1), protocol="office-unattended", subject=YOUNGER, intake=intake), rulebook
    )
    assert only(sure).settled and not only(short).settled


def test_further_visits_settle_what_more_readings_do_not(rulebook: Rulebook) -> None:
    flat = {"without_prior": True}
    entry = only(evaluate_body(body((146, 80), (146, 80), intake=flat), rulebook))
    assert (entry.more_readings_now, entry.reason) == (None, "visit-variation-dominates")
    further = entry.visits_if_mean_holds
    assert further is not None and 1 < further <= 10

    def after(count: int) -> Certainty:
        past = [earlier(146, 80, f"2026-04-{1 + place:02d}") for place in range(count)]
        return only(evaluate_body(body((146, 80), (146, 80), intake=flat, history=history(*past)), rulebook))

    assert after(further).settled and after(further).visits_used == further + 1
    assert not after(further - 1).settled


def test_on_the_limit_nothing_settles_it(rulebook: Rulebook) -> None:
    entry = only(evaluate_body(body((140, 80), (140, 80), intake={"without_prior": True}), rulebook))
    assert (entry.more_readings_now, entry.visits_if_mean_holds) == (None, None)
    assert entry.reason == "too-close-to-call"
    assert [after.visits for after in entry.chance_settled_after] == [1, 2, 4]
    # One visit like the first settles 0.2 without caution; were visits to vary by 13.5, their mean would have to be 17.8 away.
    assert 0 < entry.chance_settled_after[0].chance < 0.1
    assert [after.chance for after in entry.chance_settled_after] == sorted(
        after.chance for after in entry.chance_settled_after
    )


def test_where_the_prior_changes_the_likelier_label_it_is_told(rulebook: Rulebook) -> None:
    """144 from one visit: without a prior likelier than not at or above 140, with N(125, 15²) not."""
    prior = {
        "systolic_mmhg": 125,
        "systolic_sd_mmhg": 15,
        "diastolic_mmhg": 75,
        "diastolic_sd_mmhg": 10,
        "correlation": 0.6,
    }
    evaluation = evaluate_body(body((144, 76), (144, 76), intake={"prior": prior}), rulebook)
    entry = only(evaluation)
    with_prior, flat = reached(entry)[-1]
    assert with_prior < 0.5 < flat
    finding = next(finding for finding in evaluation.findings if finding.code == "prior-decides")
    assert finding.severity == "info" and "esc-2024" in finding.message
    assert (entry.prior, grounds(entry)["prior"]) == ("tenant", ("tenant", "choice"))
    assert "prior-decides" not in codes(evaluate_body(body((170, 100), (170, 100)), rulebook))


@pytest.mark.parametrize(
    ("changes", "because"),
    [
        ({"intake": {"without_prior": True}}, "without-prior"),
        ({"subject": {"birth_date": None}}, "age-not-recorded"),
        ({"subject": {"birth_date": "2011"}, "guidelines": ["aap-2017"]}, "no-survey-of-this-age"),
        (
            {"subject": {"birth_date": "1995", "sex": "female", "pregnancy": "pregnant"}, "guidelines": ["acog-2020"]},
            "expecting",
        ),
    ],
    ids=["the tenant wants none", "no age", "a youth", "in pregnancy"],
)
def test_without_a_prior_both_chances_are_the_same_and_why_is_told(
    rulebook: Rulebook, changes: dict[str, Any], because: str
) -> None:
    sent = body((138, 84), (138, 84), (138, 84))
    sent = sent | changes | {"subject": sent["subject"] | changes.get("subject", {})}
    entry = only(evaluate_body(sent, rulebook))
    assert entry.prior == "none"
    assert grounds(entry)["no-prior"] == (because, "choice")
    assert all(with_prior == flat for with_prior, flat in reached(entry))
    assert entry.label_probability == entry.label_probability_flat


@pytest.mark.parametrize(
    ("subject", "names"),
    [
        ({"birth_date": "1985-01-15"}, ["office-untreated"]),
        ({"birth_date": "1960-01-15"}, ["office-untreated", "office-treated-or-older"]),
        ({"birth_date": "1936-01-15"}, ["office-treated-or-older"]),
        ({"birth_date": "1985-01-15", "antihypertensive_treatment": "yes"}, ["office-treated-or-older"]),
        ({"birth_date": "1985-01-15", "known_hypertension": "yes"}, ["office-treated-or-older"]),
    ],
    ids=["41", "66", "90", "treated", "known"],
)
def test_visits_of_the_treated_and_the_old_vary_more(rulebook: Rulebook, subject: dict[str, Any], names: list[str]) -> None:
    entry = only(evaluate_body(body((138, 88), (138, 88), subject=subject), rulebook))
    assert [it.entry for it in entry.assumptions if it.code == "between-visits"] == names
    assert ("older" in grounds(entry)) == (len(names) == 2)


def test_where_no_source_stands_behind_a_figure_it_says_assumed(rulebook: Rulebook) -> None:
    irregular = evaluate_body(body(*[(190, 110)] * 3, subject={"known_irregular_rhythm": "yes"}), rulebook)
    entry = only(irregular)
    assert ("irregular", "assumed") in [(ground.entry, ground.basis) for ground in entry.assumptions]
    youth = body((128, 76), (128, 76), (128, 76), subject={"birth_date": "2011"}, guidelines=["aap-2017"])
    assert grounds(only(evaluate_body(youth, rulebook)))["variability-of-adults"] == ("under-18", "assumed")
    every = [ground for ground in entry.assumptions if ground.basis in ("published", "computed")]
    assert every and all(ground.source for ground in every)


def test_one_sitting_in_irregular_rhythm_settles_nothing(rulebook: Rulebook) -> None:
    subject = {"known_irregular_rhythm": "yes"}
    high = body(*[(190, 112)] * 3, subject=subject)
    entry = only(evaluate_body(high, rulebook))
    assert entry.label_probability > 0.9
    assert not entry.settled
    assert (entry.more_readings_now, entry.reason) == (None, "one-irregular-sitting")
    past = earlier(190, 112, readings=3, rule="all", provisional_because=["single-sitting", "irregular-rhythm"])
    assert only(evaluate_body(high | {"history": history(past)}, rulebook)).settled


@pytest.mark.parametrize(
    "left_out",
    [
        {"site": RIGHT},
        {"site": None},
        {"setting": "home", "readings_counted": 12, "days": 3},
        {"attendance": "unattended"},
        {"care": "inpatient"},
        {"position": "standing"},
        {"provisional_because": ["single-sitting", "pain"]},
        {"provisional_because": ["single-sitting", "device-wrist"]},
        {"provisional_because": ["talking"]},
        {"provisional_because": ["no-category"]},
        {"taken_from": "2025-11-04T09:00:00+01:00"},
        {"taken_from": "2026-05-04T10:00:00+02:00"},
    ],
    ids=lambda changes: "-".join(f"{value}" for value in changes.values()),
)
def test_an_earlier_sitting_that_measured_something_else_does_not_count(rulebook: Rulebook, left_out: dict[str, Any]) -> None:
    alone = only(evaluate_body(body((138, 88), (138, 88)), rulebook))
    beside = only(
        evaluate_body(body((138, 88), (138, 88), history=history(earlier(170, 100, "2026-04-01") | left_out)), rulebook)
    )
    assert beside == alone


def test_the_window_is_180_days_and_starts_anew_with_the_treatment(rulebook: Rulebook) -> None:
    last_day = (date(2026, 5, 4) - timedelta(days=180)).isoformat()

    def used(past: dict[str, Any], **more: Any) -> int:
        return only(evaluate_body(body((138, 88), (138, 88), history=past, **more), rulebook)).visits_used

    assert used(history(earlier(140, 90, last_day))) == 2
    assert used(history(earlier(140, 90, "2026-04-01"), treatment_changed_on="2026-04-02")) == 1
    assert used(history(earlier(140, 90, "2026-04-02"), treatment_changed_on="2026-04-02")) == 2
    changed = {"treatment_changed_on": "2026-04-02"}
    assert used(history(earlier(140, 90, "2026-04-01")), subject=changed) == 1


def test_an_earlier_sitting_of_the_same_day_is_no_second_visit(rulebook: Rulebook) -> None:
    past = earlier(138, 88) | {"taken_from": "2026-05-04T08:00:00+02:00"}
    same_day = only(evaluate_body(body((138, 88), (138, 88), history=history(past)), rulebook))
    other_day = only(evaluate_body(body((138, 88), (138, 88), history=history(earlier(138, 88))), rulebook))
    assert (same_day.visits_used, other_day.visits_used) == (1, 2)
    width = [entry.interval_95.systolic_mmhg[1] - entry.interval_95.systolic_mmhg[0] for entry in (same_day, other_day)]
    assert width[0] > width[1]


def test_the_day_is_that_of_the_readings_own_clock(rulebook: Rulebook) -> None:
    """23:30 of the day before by its own clock, though the same day by another."""
    past = earlier(138, 88) | {"taken_from": "2026-05-03T23:30:00-05:00"}
    assert only(evaluate_body(body((138, 88), (138, 88), history=history(past)), rulebook)).visits_used == 2


def flat_mean(rulebook: Rulebook, sent: dict[str, Any]) -> tuple[float, float]:
    """The value that a sitting is weighed with: without a prior the middle of its interval."""
    entry = only(evaluate_body(sent | {"intake": {"without_prior": True}}, rulebook))
    systolic, diastolic = entry.interval_95.systolic_mmhg, entry.interval_95.diastolic_mmhg
    return (systolic[0] + systolic[1]) / 2, (diastolic[0] + diastolic[1]) / 2


def half_width(rulebook: Rulebook, sent: dict[str, Any]) -> float:
    low, high = only(evaluate_body(sent | {"intake": {"without_prior": True}}, rulebook)).interval_95.systolic_mmhg
    return (high - low) / 2


def test_a_first_reading_dropped_for_its_value_is_made_up_for(rulebook: Rulebook) -> None:
    """160/90 is dropped; 144/84 and 140/82 count: their mean and 2.4 more, with 1 mmHg² more of variance."""
    dropped = body((160, 90), (144, 84), (140, 82))
    assert flat_mean(rulebook, dropped) == pytest.approx((144.4, 85.4), abs=1e-4)
    plain = body((144, 84), (140, 82))
    assert flat_mean(rulebook, plain) == pytest.approx((142, 83), abs=1e-4)
    z = 1.959964
    added = (half_width(rulebook, dropped) / z) ** 2 - (half_width(rulebook, plain) / z) ** 2
    assert added == pytest.approx(1, abs=1e-3)
    entry = only(evaluate_body(dropped, rulebook))
    assert grounds(entry)["value-correction"] == ("first-dropped", "choice")
    assert "value-correction" not in grounds(only(evaluate_body(plain, rulebook)))


def test_the_correction_is_shared_by_more_readings(rulebook: Rulebook) -> None:
    """160 dropped, then 142 and 128 differ, so 130 is taken: (142 + 128 + 130)/3 and 2/3 of 2.4."""
    assert flat_mean(rulebook, body((160, 80), (142, 80), (128, 80), (130, 80)))[0] == pytest.approx(400 / 3 + 1.6, abs=1e-4)


def test_where_the_second_is_much_higher_all_that_were_compared_are_weighed(rulebook: Rulebook) -> None:
    """130, then 144, so 138 is taken and the last two count; asking for it looked at the values, so all three are weighed, the
    one between the others less."""
    sent = body((130, 80), (144, 80), (138, 80))
    result = evaluate_body(sent, rulebook).result
    assert result is not None and result.systolic_mmhg == 141
    assert flat_mean(rulebook, sent)[0] == pytest.approx((130 + 0.72 * 144 + 138) / 2.72, abs=1e-4)


def test_the_lower_of_two_is_weighed_as_the_mean_of_both(rulebook: Rulebook) -> None:
    sent = body((148, 92), (142, 88), protocol="office-nice-2019", guidelines=["nice-2019"])
    result = evaluate_body(sent, rulebook).result
    assert result is not None and (result.systolic_mmhg, result.readings_counted) == (142, 1)
    assert flat_mean(rulebook, sent) == pytest.approx((145, 90), abs=1e-4)
    two = body((145, 90), (145, 90))
    assert half_width(rulebook, sent) == pytest.approx(half_width(rulebook, two), abs=1e-4)


def test_a_stable_pair_is_weighed_as_two_readings(rulebook: Rulebook) -> None:
    sent = body((150, 90), (142, 88), (140, 86), protocol="office-jsh-2019", guidelines=["jsh-2019"])
    assert flat_mean(rulebook, sent) == pytest.approx((141, 87), abs=1e-4)


def test_the_reading_that_chose_the_arm_is_left_out(rulebook: Rulebook) -> None:
    """Left 142, right 150: right is the higher arm and 150 chose it. With 148 after it, 148 is weighed alone; with 148 and 144,
    their mean, which the chooser does not touch."""
    closed_early = body((142, 84, LEFT), (150, 88, RIGHT), (148, 86, RIGHT), visit="first")
    result = evaluate_body(closed_early, rulebook).result
    assert result is not None and (result.systolic_mmhg, result.readings_counted) == (149, 2)
    assert flat_mean(rulebook, closed_early) == pytest.approx((148, 86), abs=1e-4)
    one = body((148, 86), protocol="office-ish-2020", guidelines=["ish-2020"])
    assert evaluate_body(one, rulebook).result is None
    whole = body((142, 84, LEFT), (150, 88, RIGHT), (148, 86, RIGHT), (144, 84, RIGHT), visit="first")
    assert flat_mean(rulebook, whole) == pytest.approx((146, 85), abs=1e-4)
    two = body((146, 85), (146, 85))
    assert half_width(rulebook, whole) == pytest.approx(half_width(rulebook, two), abs=1e-4)
    assert half_width(rulebook, closed_early) > half_width(rulebook, two)


def test_an_arm_that_earlier_sittings_chose_loses_no_reading(rulebook: Rulebook) -> None:
    pairs = [{"day": "2026-01-10", "systolic_difference_mmhg": 8, "diastolic_difference_mmhg": 4}]
    sent = body((142, 84, LEFT), (150, 88, RIGHT), (148, 86, RIGHT), history=history(pairs=pairs))
    assert flat_mean(rulebook, sent) == pytest.approx((149, 87), abs=1e-4)


def chain(rulebook: Rulebook, *bodies: dict[str, Any]) -> tuple[list[Remembered], Evaluation]:
    """Sittings one after the other, each evaluated with what the ones before left."""
    left: list[Remembered] = []
    evaluation: Evaluation | None = None
    for sent in bodies:
        reading_set = msgspec.convert(sent, ReadingSet)
        snapshot = make_history(left, reading_set.readings[0].taken_at, None)
        evaluation = evaluate_body(sent | {"history": msgspec.to_builtins(snapshot)}, rulebook)
        left.append(remember(reading_set, evaluation, rulebook))
    assert evaluation is not None
    return left, evaluation


@pytest.mark.parametrize(
    "sent",
    [
        body((160, 90), (144, 84), (140, 82)),
        body((130, 80), (144, 80), (137, 80)),
        body((148, 92), (142, 88), protocol="office-nice-2019", guidelines=["nice-2019"]),
        body((142, 84, LEFT), (150, 88, RIGHT), (148, 86, RIGHT), visit="first"),
        body((142, 84, LEFT), (150, 88, RIGHT), (130, 86, RIGHT), (144, 84, RIGHT), (140, 82, RIGHT), visit="first"),
        body((150, 90), (142, 88), (140, 86), protocol="office-jsh-2019", guidelines=["jsh-2019"]),
    ],
    ids=["dropped", "rising", "lower of two", "chosen arm", "chosen arm and more", "stable pair"],
)
def test_what_is_remembered_weighs_the_same_as_what_was_answered(rulebook: Rulebook, sent: dict[str, Any]) -> None:
    """Weighed again from what is remembered, a sitting gives the certainty that it was answered with, but for what is lost by
    remembering pressures to two decimals."""
    flat = sent | {"intake": {"without_prior": True}}
    reading_set, evaluation = msgspec.convert(flat, ReadingSet), evaluate_body(flat, rulebook)
    left = remember(reading_set, evaluation, rulebook).sitting
    assert left is not None
    person = describe_person(reading_set.subject, START.date(), rulebook.limits)
    again = judge_visits([left], evaluation.categories, person, reading_set.intake, rulebook)
    for entry, answered in zip(again.certainty, evaluation.certainty, strict=True):
        assert grounds(entry) == grounds(answered)
        assert sum(reached(entry), start=()) == pytest.approx(sum(reached(answered), start=()), abs=4e-4)
        assert entry.interval_95.systolic_mmhg == pytest.approx(answered.interval_95.systolic_mmhg, abs=0.006)
        assert entry.interval_95.diastolic_mmhg == pytest.approx(answered.interval_95.diastolic_mmhg, abs=0.006)


def without_bias(entries: list[Certainty]) -> list[Certainty]:
    return [msgspec.structs.replace(entry, bias_not_included=[]) for entry in entries]


def test_a_chain_of_sittings_is_weighed_as_its_remembered_visits(rulebook: Rulebook) -> None:
    days = [START + timedelta(days=30 * place) for place in range(4)]
    values = [(139, 84), (147, 88), (141, 85), (150, 91)]
    left, evaluation = chain(rulebook, *[body(value, value, start=day) for value, day in zip(values, days, strict=True)])
    entry = only(evaluation)
    assert entry.visits_used == 4
    facts = Facts(birth_date="1975-01-15", antihypertensive_treatment="no")
    person = describe_person(facts, days[-1].date(), rulebook.limits)
    sittings = [each.sitting for each in left if each.sitting is not None]
    again = judge_visits(sittings, evaluation.categories, person, None, rulebook)
    assert without_bias(again.certainty) == without_bias([entry])


def test_visits_that_vary_more_than_expected_are_told_and_widen_the_interval(rulebook: Rulebook) -> None:
    def entry(*systolics: float) -> tuple[Evaluation, float]:
        past = [earlier(value, 80, f"2026-04-{1 + place:02d}") for place, value in enumerate(systolics)]
        evaluation = evaluate_body(body((140, 80), (140, 80), history=history(*past)), rulebook)
        low, high = only(evaluation).interval_95.systolic_mmhg
        return evaluation, high - low

    wild, wide = entry(115, 170, 118, 160)
    steady, narrow = entry(139, 142, 138, 141)
    assert wide > narrow
    told = next(finding for finding in wild.findings if finding.code == "visits-vary")
    assert "systolic" in told.message and "diastolic" not in told.message
    assert "visits-vary" not in codes(steady)
    three, _ = entry(115, 170)
    assert "visits-vary" not in codes(three)


def test_what_shifts_the_measurement_is_named_and_in_no_number(rulebook: Rulebook) -> None:
    quiet = body((150, 92), (150, 92), context={"rest_minutes": 5, "talking": "no", "pain": "no"})
    loud = body((150, 92), (150, 92), context={"rest_minutes": 1, "talking": "yes", "pain": "yes"})
    named = only(evaluate_body(loud, rulebook))
    assert {"talking", "rest-too-short", "pain"} <= set(named.bias_not_included)
    assert without_bias([named]) == without_bias([only(evaluate_body(quiet, rulebook))])
    wrist = copy.deepcopy(quiet)
    for reading in wrist["readings"]:
        reading["site"] = "left-wrist"
    wrist["device"] = {"kind": "automatic", "site": "wrist", "validated": "yes"}
    assert "device-wrist" in only(evaluate_body(wrist, rulebook)).bias_not_included


def test_it_speaks_of_the_usual_pressure_in_this_arm_measured_this_way(rulebook: Rulebook) -> None:
    entry = only(evaluate_body(body((138, 88), (138, 88), subject={"birth_date": "1995-01-15"}), rulebook))
    usual = "Usual office pressure in this arm, measured this way. "
    assert entry.statement == (
        f"{usual}The chance that either pressure is at or above 140/90 is {100 * reached(entry)[-1][0]:.0f} %, "
        "given what is known of people beforehand (US survey 2017–18, at 31 years). By these measurements alone it is 54 %."
    )
    alone = only(evaluate_body(body((138, 88), (138, 88), subject=YOUNGER, intake={"without_prior": True}), rulebook))
    assert alone.statement == (
        f"{usual}By these measurements alone the chance that either pressure is at or above 140/90 is 54 %. "
        "Reason: no prior is wanted here."
    )
    tenant = only(evaluate_body(body((138, 88), (138, 88), subject=YOUNGER, intake=OF_40_TO_59), rulebook))
    assert "35 %, given what is known of people beforehand (this clinic's own people)" in tenant.statement
    clear = only(evaluate_body(body((190, 112), (190, 112), guidelines=["esc-2024"]), rulebook))
    low = only(evaluate_body(body((104, 62), (104, 62), guidelines=["nice-2019"]), rulebook))
    assert " is >99 %" in clear.statement and "100 %" not in clear.statement
    assert "<1 %" in low.statement and " 0 %" not in low.statement
    said = " ".join(rulebook.wording.certainty.values()).lower()
    said += " ".join(rulebook.wording.finding[code].message.lower() for code in ("prior-decides", "visits-vary"))
    assert not any(word in said for word in ("disease", "has hypertension", "diagnos"))


def test_a_home_series_is_one_visit(rulebook: Rulebook) -> None:
    week = evaluate_body(home_body(home_series(7, lambda moment: (136, 84))), rulebook)
    entry = only(week)
    assert grounds(entry)["no-prior"] == ("not-office", "choice")
    assert (entry.visits_used, entry.more_readings_now) == (1, None)
    assert entry.interval_95.systolic_mmhg == pytest.approx((136 - 1.96 * 6.8, 136 + 1.96 * 6.8), abs=2e-3)
    assert next(row for row in entry.rows if row.category == "hypertension").at_or_above == pytest.approx(0.6367, abs=1e-4)
    assert "home pressure" in entry.statement
    assert "fewer-days" not in grounds(entry)
    short = only(evaluate_body(home_body(home_series(4, lambda moment: (136, 84))), rulebook))
    assert grounds(short)["fewer-days"] == ("series", "assumed")
    wide = short.interval_95.systolic_mmhg
    assert (wide[1] - wide[0]) / 2 == pytest.approx(1.96 * 6.8 * 1.3**0.5, abs=2e-3)


def test_two_home_series_are_two_visits(rulebook: Rulebook) -> None:
    first = home_body(home_series(7, lambda moment: (136, 84)))
    second = home_body(home_series(7, lambda moment: (136, 84), start=datetime.fromisoformat("2026-06-01T00:00:00+02:00")))
    _, evaluation = chain(rulebook, first, second)
    assert only(evaluation).visits_used == 2


def test_a_recording_is_weighed_by_its_day(rulebook: Rulebook) -> None:
    """138/86 by day: 5.5 and 4.9 per cent of it, against the daytime limits; not where another part decided the label."""
    asked = ["nice-2019", "aha-acc-2025"]
    evaluation = evaluate_body(ambulatory_body(recording(by_hours((138, 86), (118, 68))), guidelines=asked), rulebook)
    assert [entry.guideline for entry in evaluation.certainty] == asked
    entry = evaluation.certainty[0]
    assert entry.interval_95.systolic_mmhg == pytest.approx((138 - 1.96 * 7.59, 138 + 1.96 * 7.59), abs=2e-3)
    assert grounds(entry)["between-visits"] == ("ambulatory-day", "published")
    assert "daytime ambulatory" in entry.statement
    by_night = evaluate_body(ambulatory_body(recording(by_hours((122, 74), (128, 76))), guidelines=["esh-2023"]), rulebook)
    assert by_night.categories[0].category == "hypertension"
    assert by_night.certainty == []


def test_two_recordings_are_two_visits(rulebook: Rulebook) -> None:
    pressures = by_hours((138, 86), (118, 68))
    later = datetime.fromisoformat("2026-06-01T09:00:00+02:00")
    sent = [ambulatory_body(recording(pressures, **more), guidelines=["nice-2019"]) for more in ({}, {"start": later})]
    _, evaluation = chain(rulebook, *sent)
    assert only(evaluation).visits_used == 2


def test_an_unconfirmed_severe_label_is_judged_by_its_row(rulebook: Rulebook) -> None:
    subject = {"birth_date": "1995", "sex": "female", "pregnancy": "pregnant"}
    evaluation = evaluate_body(body((168, 104), subject=subject, guidelines=["acog-2020"]), rulebook)
    entry = only(evaluation)
    assert evaluation.categories[0].category == "severe-unconfirmed"
    assert entry.label_probability == entry.rows[-1].at_or_above
    assert entry.decisive.category == "severe"


@given(
    systolic=st.integers(90, 200),
    difference=st.integers(25, 90),
    birth=st.sampled_from(["2003", "1985", "1970", "1950", None]),
    past=st.lists(st.tuples(st.integers(95, 190), st.integers(45, 115)), max_size=6),
)
@settings(max_examples=150, deadline=None)
def test_every_certainty_hangs_together(systolic: int, difference: int, birth: str | None, past: list[tuple[int, int]]) -> None:
    rulebook = loaded()
    diastolic = max(systolic - difference, 30)
    visits = [earlier(*value, day=f"2026-04-{1 + place:02d}") for place, value in enumerate(past)]
    sent = body(
        (systolic, diastolic),
        (systolic, diastolic),
        subject={"birth_date": birth},
        guidelines=["aha-acc-2025", "esc-2024", "esh-2023"],
        history=history(*visits),
    )
    evaluation = evaluate_body(sent, rulebook)
    for entry in evaluation.certainty:
        chances = [row.at_or_above for row in entry.rows]
        assert chances[0] == 1 and chances == sorted(chances, reverse=True)
        assert all(0 <= row.at_or_above <= 1 and 0 <= row.at_or_above_flat <= 1 for row in entry.rows)
        assert 0 <= entry.label_probability <= 1
        if entry.settled:
            assert min(entry.label_probability, entry.label_probability_flat) >= 0.9
        assert (entry.reason is None) == (entry.more_readings_now is not None)
        if entry.visits_if_mean_holds is None:
            assert entry.reason == "too-close-to-call"
        plain, device = entry.interval_95, entry.with_device_95
        assert device.systolic_mmhg[0] < plain.systolic_mmhg[0] < plain.systolic_mmhg[1] < device.systolic_mmhg[1]
        decisive = next(row for row in entry.rows if row.category == entry.decisive.category).at_or_above
        single = (entry.decisive.systolic, entry.decisive.diastolic)
        # Each is rounded to four decimals.
        assert max(single) - 2e-4 <= decisive <= min(1, sum(single)) + 2e-4


def test_the_snapshot_says_how_each_value_was_made(rulebook: Rulebook) -> None:
    sent = body((160, 90), (144, 84), (140, 83), context={"care": "ordinary"})
    left = remember(msgspec.convert(sent, ReadingSet), evaluate_body(sent, rulebook), rulebook).sitting
    assert left == HistorySitting(
        taken_from=START + timedelta(minutes=1),
        setting="office",
        site=LEFT,
        systolic_mmhg=142,
        diastolic_mmhg=83.5,
        readings_counted=2,
        value_rule="first-dropped",
        provisional_because=["single-sitting"],
    )


def test_an_intake_holds_one_prior_and_refuses_what_cannot_be(rulebook: Rulebook) -> None:
    fields = {"systolic_mmhg": 140, "systolic_sd_mmhg": 18, "diastolic_mmhg": 80, "diastolic_sd_mmhg": 11}
    assert msgspec.convert({"prior": fields | {"correlation": 0.5}}, Intake).prior is not None
    for wrong in ({"correlation": 0.95}, {"correlation": 0.5, "systolic_sd_mmhg": 0}):
        with pytest.raises(msgspec.ValidationError):
            msgspec.convert({"prior": fields | wrong}, Intake)
