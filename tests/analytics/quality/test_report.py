"""The report: planted faults come first, clean clinics get a clean bill, and every figure is what a plain count gives."""

from __future__ import annotations

from datetime import date
from functools import cache

import msgspec
import polars as pl
import pyarrow as pa
import pytest

from outside.planted_clinics import FAULTS, PLANTED, Clinic, Plan, called
from quietcuff.analytics.quality.page import quality_page
from quietcuff.analytics.quality.report import report_on
from quietcuff.analytics.quality.shapes import Figure, Filters, Report
from quietcuff.analytics.quality.words import MOST_WORDS, QualityRules, load_quality_rules
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.rules.catalog import load_rulebook

CLINICS_A_FAULT, CLEAN_CLINICS = 4, 12


@cache
def rules() -> tuple[QualityRules, Rulebook]:
    book = load_rulebook()
    return load_quality_rules(book), book


def report(sets: pa.Table, readings: pa.Table, **filters: object) -> Report:
    return report_on(sets, readings, Filters(**filters), *rules())


def figures(made: Report) -> dict[str, Figure]:
    return {figure.code: figure for section in made.sections for figure in section.figures}


@pytest.mark.parametrize("fault", FAULTS)
def test_a_planted_fault_comes_first(fault: str) -> None:
    for seed in range(500, 500 + CLINICS_A_FAULT):
        made = report(*Clinic(PLANTED[fault], seed).tables())
        assert called(made)[:1] == [fault]
        assert made.things[0].what in made.summary and made.things[0].how in made.summary
        assert made.things[0].worth.unit == "labels" and made.things[0].worth.a_year > 5


def test_a_fault_of_one_observer_is_told_of_that_observer() -> None:
    made = report(*Clinic(PLANTED["rounded"], 11).tables())
    assert made.things[0].observers == ["N1"] and "Observer N1" in made.summary[1]


def test_the_system_of_a_code_is_not_shown_on_the_page() -> None:
    sets, readings = Clinic(PLANTED["rounded"], 11).tables()
    names = pa.array([f"urn:example:staff|{name}" for name in sets["observer"].to_pylist()])
    sets = sets.set_column(sets.column_names.index("observer"), "observer", names)
    made = report(sets, readings, by="observer")
    assert made.things[0].observers == ["urn:example:staff|N1"] and made.summary[1].startswith("Observer N1:")
    assert "urn:example" not in quality_page(made, rules()[0])


def test_clean_clinics_get_a_clean_bill() -> None:
    blamed = [called(report(*Clinic(Plan(), seed).tables())) for seed in range(500, 500 + CLEAN_CLINICS)]
    assert sum(map(bool, blamed)) <= 1
    made = report(*Clinic(Plan(), 500).tables())
    assert made.summary[0] == "Nothing stands out: these 2,000 sittings look well measured."


def test_two_faults_stand_in_the_order_of_their_worth() -> None:
    made = report(*Clinic(Plan(fault="rest-too-short+second-arm", strength=0.8), 7).tables())
    assert sorted(called(made)) == ["rest-too-short", "second-arm"]
    assert made.things[0].worth.a_year >= made.things[1].worth.a_year


def test_sentences_are_short() -> None:
    for fault in FAULTS:
        made = report(*Clinic(PLANTED[fault], 3).tables())
        assert all(len(sentence.split()) <= MOST_WORDS for sentence in made.summary)


@cache
def clinic() -> tuple[pa.Table, pa.Table]:
    return Clinic(Plan(), 42).tables()


def test_shares_are_what_polars_counts() -> None:
    sets, readings = (pl.from_arrow(table) for table in clinic())
    assert isinstance(sets, pl.DataFrame) and isinstance(readings, pl.DataFrame)
    made = figures(report(*clinic()))
    talked = sets["talking"].drop_nulls()
    assert (made["talking"].eligible, made["talking"].count) == (len(talked), talked.sum())
    assert made["talking"].not_recorded == sets["talking"].null_count() > 0
    first = sets.filter(pl.col("visit") == "first")
    assert (made["both-arms"].eligible, made["both-arms"].count) == (len(first), (first["arms_measured"] == "both").sum())
    rest = sets["rest_seconds"].drop_nulls()
    assert (made["rest-too-short"].eligible, made["rest-too-short"].count) == (len(rest), (rest < 300).sum())
    short = readings.filter(pl.col("seconds_since_previous") < 60)["set_id"].n_unique()
    assert made["interval-too-short"].count == short
    assert made["interval"].value == readings["seconds_since_previous"].median()
    assert made["zeros-systolic"].count == (readings["systolic_mmhg"] % 10 == 0).sum()
    beside = readings.sort("set_id", "place").with_columns(
        same=(pl.col("set_id") == pl.col("set_id").shift())
        & (pl.col("systolic_mmhg") == pl.col("systolic_mmhg").shift())
        & (pl.col("diastolic_mmhg") == pl.col("diastolic_mmhg").shift())
    )
    assert made["identical-neighbours"].count == beside["same"].sum()


def test_people_who_were_not_seen_again_are_those_a_plain_loop_finds() -> None:
    sets = clinic()[0]
    made = figures(report(*clinic()))["unconfirmed-overdue"]
    rows = sets.select(["person_key", "local_date", "confirm_by"]).to_pylist()
    as_of = max(row["local_date"] for row in rows)
    visits: dict[str, list[dict[str, date]]] = {}
    for row in rows:
        visits.setdefault(row["person_key"], []).append(row)
    eligible = counted = 0
    for own in visits.values():
        first = min((row for row in own if row["confirm_by"]), key=lambda row: row["local_date"], default=None)
        if first is not None and first["confirm_by"] < as_of:
            eligible += 1
            counted += all(row["local_date"] <= first["local_date"] for row in own)
    assert (made.eligible, made.count) == (eligible, counted)


def test_filters_leave_only_what_they_name() -> None:
    sets, readings = clinic()
    days = sorted(sets["local_date"].to_pylist())
    made = report(sets, readings, observer="N2", since=days[300], until=days[1500])
    rows = [
        row
        for row in sets.select(["observer", "local_date"]).to_pylist()
        if row["observer"] == "N2" and days[300] <= row["local_date"] <= days[1500]
    ]
    assert made.sittings == len(rows) and made.first_day is not None and made.first_day >= days[300]
    assert report(sets, readings, observer="nobody").sittings == 0


def test_the_parts_of_a_split_add_up() -> None:
    made = report(*clinic(), by="observer")
    names = [group.name for group in made.groups]
    assert names == sorted(names) == [f"N{number}" for number in range(1, 7)]
    assert sum(group.sittings for group in made.groups) == made.sittings
    parts = [figure for group in made.groups for figure in group.figures if figure.code == "talking"]
    assert sum(figure.count or 0 for figure in parts) == figures(made)["talking"].count


def test_the_fit_of_a_cuff_is_told_by_its_range_or_size_where_the_table_is_silent() -> None:
    sets, readings = clinic()
    arms = sets["arm_circumference_cm"].to_pylist()
    known = [arm for arm in arms if arm is not None]
    bare = sets.drop_columns(["cuff_fit"])
    ranged = bare.append_column("cuff_low_cm", pa.array([27] * len(arms))).append_column(
        "cuff_high_cm", pa.array([34] * len(arms))
    )
    sized = bare.append_column("cuff", pa.array(["adult"] * len(arms)))
    for table in (ranged, sized):
        made = figures(report(table, readings))
        assert (made["cuff-too-small"].eligible, made["cuff-too-small"].not_recorded) == (len(known), len(arms) - len(known))
        assert made["cuff-too-small"].count == sum(arm > 34 for arm in known)
        assert made["cuff-too-large"].count == sum(arm < 27 for arm in known)


def test_figures_of_fewer_than_ten_are_withheld() -> None:
    sets, readings = clinic()
    made = figures(report(sets.slice(0, 12).drop_columns(["talking"]), readings))
    assert made["talking"].withheld and made["talking"].not_recorded == 12
    first = made["both-arms"]
    assert first.withheld == (first.eligible < 10) and (first.value is None) == first.withheld
    assert report(sets.slice(0, 9), readings).summary == ["There are only 9 sittings: too few to judge the measuring."]


def test_the_order_of_rows_and_missing_columns_change_nothing() -> None:
    sets, readings = clinic()
    shuffled = readings.take(pa.array(list(reversed(range(len(readings))))))
    assert msgspec.json.encode(report(sets, shuffled)) == msgspec.json.encode(report(sets, readings))
    least = report(sets.select(["set_id", "local_date"]), readings.select(["set_id", "systolic_mmhg", "diastolic_mmhg"]))
    assert least.sittings == 2000 and least.things == []
    assert all(len(sentence.split()) <= MOST_WORDS for sentence in least.summary) and "and others" in least.summary[1]


def test_the_same_tables_give_the_same_bytes_and_a_page() -> None:
    one, other = (report(*clinic(), by="location") for _ in range(2))
    assert msgspec.json.encode(one) == msgspec.json.encode(other)
    assert msgspec.json.decode(msgspec.json.encode(one), type=Report) == one
    page = quality_page(one, rules()[0])
    assert page == quality_page(other, rules()[0])
    assert "http" not in page and "<script" not in page and "not a medical device" in page


def test_odd_tables_give_a_report_and_a_page() -> None:
    """No pressure at all, no reading at all, no observer, one day, a home only, one device: each with every split."""
    sets, readings = clinic()
    failed = {name: pa.nulls(len(readings), pa.float64()) for name in ("systolic_mmhg", "diastolic_mmhg")}
    bare = sets.drop_columns(["systolic_mmhg", "diastolic_mmhg", "systolic_mean_mmhg", "diastolic_mean_mmhg"])
    day = sets["local_date"][0]
    cases = [
        (bare, pa.table({name: failed.get(name, readings[name]) for name in readings.column_names})),
        (bare, readings.slice(0, 0)),
        (sets.drop_columns(["observer", "person_key"]), readings),
        (sets.set_column(2, "local_date", pa.array([day] * len(sets))), readings),
        (sets.set_column(sets.column_names.index("setting"), "setting", pa.array(["home"] * len(sets))), readings),
        (sets.slice(0, 10), readings),
    ]
    assert sets.column_names[2] == "local_date"
    for table, some in cases:
        for by in ("observer", "location", "device", "protocol", "setting"):
            made = report(table, some, by=by)
            assert made.sittings == len(table) and "<h1>" in quality_page(made, rules()[0])
            assert b"NaN" not in msgspec.json.encode(made) and made.summary


def test_words_from_outside_are_escaped() -> None:
    sets, readings = Clinic(PLANTED["rounded"], 11).tables()
    names = pa.array([f"<b>{name}&" for name in sets["observer"].to_pylist()])
    sets = sets.set_column(sets.column_names.index("observer"), "observer", names)
    page = quality_page(report(sets, readings, by="observer"), rules()[0])
    assert "<b>" not in page and "&lt;b&gt;N1&amp;" in page


def test_known_hypertension_is_asked_of_people_and_not_of_sittings() -> None:
    """Twelve people with two sittings on one day: four say yes in one, four say no in one, of four nobody knows."""
    said = [True, False, None] * 4
    sets = pa.table(
        {
            "set_id": [f"s{number}" for number in range(24)],
            "person_key": [f"p{number % 12}" for number in range(24)],
            "local_date": pa.array([date(2026, 5, 4)] * 24),
            "setting": ["office"] * 24,
            "known_hypertension": pa.array([None] * 12 + said, pa.bool_()),
        }
    )
    readings = pa.table(
        {
            "set_id": sets["set_id"],
            "place": [1] * 24,
            "systolic_mmhg": [130.0] * 24,
            "diastolic_mmhg": [80.0] * 24,
        }
    )
    made = figures(report(sets, readings))["control-measure"]
    assert (made.eligible, made.not_recorded) == (4, 4)
