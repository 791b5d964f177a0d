"""Which Observations move when a sitting changes, and what their status becomes."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import msgspec
import pytest

from bodies import changed
from fhir_r4.generated import generated_sets
from fhir_r4.profiles import faults_of
from fhir_r4.rendered import STORED_AT, first_stands, observations, stored
from quietcuff.core.evaluate import evaluate
from quietcuff.core.model.changes import Append, Correction, apply_append, apply_correction
from quietcuff.core.model.readings import ReadingSet
from quietcuff.core.record.resource_states import ResourceStates, next_stands
from quietcuff.core.record.sitting_version import SittingVersion
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.rules.catalog import load_rulebook

FIRST_VISIT: dict[str, Any] = {
    "subject": {"identifier": {"system": "urn:example:mrn", "value": "p-0001"}, "birth_date": "1971-01-15"},
    "visit": "first",
    "guidelines": ["aha-acc-2025"],
    "readings": [
        {
            "taken_at": f"2026-05-04T09:0{minute}:00+02:00",
            "systolic_mmhg": systolic,
            "diastolic_mmhg": diastolic,
            "pulse_per_min": 72,
            "site": site,
            "position": "sitting",
            "method": "oscillometric",
        }
        for minute, systolic, diastolic, site in [
            (0, 142, 88, "left-upper-arm"),
            (2, 150, 92, "right-upper-arm"),
            (4, 146, 90, "right-upper-arm"),
            (6, 144, 90, "right-upper-arm"),
        ]
    ],
}


class Case:
    """A sitting that changes step by step, with where its Observations stand."""

    def __init__(self, body: dict[str, Any], rulebook: Rulebook) -> None:
        self._rulebook = rulebook
        self.version, self.at = 1, STORED_AT
        self.sitting = self._stored(msgspec.convert(body, ReadingSet))
        self.stands = first_stands(self.sitting, self.at)
        self._shown = {1: self.sitting}

    def append(self, **fields: Any) -> set[str]:
        """Names of what moved."""
        return self._become(apply_append(self.sitting.reading_set, msgspec.convert(fields, Append)).reading_set)

    def correct(self, *changes: dict[str, Any]) -> set[str]:
        correction = msgspec.convert({"reason": "typing error", "changes": list(changes)}, Correction)
        applied = apply_correction(self.sitting.reading_set, correction)
        return self._become(applied.reading_set, is_voided=applied.voids_set)

    def reopen(self) -> set[str]:
        return self._become(msgspec.structs.replace(self.sitting.reading_set, closed=False))

    def statuses(self) -> dict[str, str]:
        found = {name: stand.status for name, stand in self.stands.places.items()}
        return found | ({"mean": self.stands.mean.stand.status} if self.stands.mean else {})

    def rendered(self) -> list[dict[str, Any]]:
        shown = self._shown[self.stands.mean.from_version] if self.stands.mean else None
        return [msgspec.json.decode(msgspec.json.encode(one)) for one in observations(self.sitting, self.stands, shown)]

    def _stored(self, reading_set: ReadingSet, *, is_voided: bool = False) -> SittingVersion:
        return stored(reading_set, evaluate(reading_set, None, self._rulebook), is_voided=is_voided)

    def _become(self, reading_set: ReadingSet, *, is_voided: bool = False) -> set[str]:
        before, old = self.sitting, self.stands
        self.version, self.at = self.version + 1, self.at + timedelta(seconds=1)
        self.sitting = self._shown[self.version] = self._stored(reading_set, is_voided=is_voided)
        shown = self._shown[old.mean.from_version] if old.mean else None
        self.stands = next_stands(old, before, shown, self.sitting, version=self.version, at=self.at)
        check_step(old, self.stands)
        return moved_between(old, self.stands)


def check_step(old: ResourceStates, new: ResourceStates) -> None:
    """A version moves by one together with its time, or not at all; nothing disappears."""
    for name, stand in old.places.items():
        now = new.places[name]
        assert now == stand or (now.version == stand.version + 1 and now.updated_at > stand.updated_at)
    assert (old.mean is None) or (new.mean is not None)


def moved_between(old: ResourceStates, new: ResourceStates) -> set[str]:
    moved = {name for name, stand in new.places.items() if old.places.get(name) != stand}
    old_mean, new_mean = old.mean and old.mean.stand, new.mean and new.mean.stand
    return moved | ({"mean"} if old_mean != new_mean else set())


@pytest.fixture(scope="module")
def rulebook() -> Rulebook:
    return load_rulebook()


def test_a_closed_sitting_is_final_at_once(rulebook: Rulebook) -> None:
    case = Case(FIRST_VISIT, rulebook)
    assert set(case.statuses()) == {"r0", "p0", "r1", "p1", "r2", "p2", "r3", "p3", "mean"}
    assert set(case.statuses().values()) == {"final"}


def test_correcting_a_pressure_moves_that_reading_and_the_mean_only(rulebook: Rulebook) -> None:
    case = Case(FIRST_VISIT, rulebook)
    moved = case.correct({"change": "amend-reading", "index": 2, "set": {"systolic_mmhg": 148}})
    assert moved == {"r2", "mean"}
    assert case.statuses()["r2"] == case.statuses()["mean"] == "corrected"
    assert case.stands.mean is not None
    assert (case.stands.mean.stand.version, case.stands.mean.from_version) == (2, 2)


def test_correcting_a_pulse_moves_the_pulse(rulebook: Rulebook) -> None:
    case = Case(FIRST_VISIT, rulebook)
    moved = case.correct({"change": "amend-reading", "index": 0, "set": {"pulse_per_min": 81}})
    assert moved == {"p0"}
    assert case.statuses()["p0"] == "corrected"


def test_a_new_site_amends_what_was_measured_right(rulebook: Rulebook) -> None:
    case = Case(FIRST_VISIT, rulebook)
    moved = case.correct({"change": "amend-reading", "index": 0, "set": {"method": "auscultatory"}})
    assert "r0" in moved
    assert case.statuses()["r0"] == "amended"


def test_corrected_stays_corrected(rulebook: Rulebook) -> None:
    case = Case(FIRST_VISIT, rulebook)
    case.correct({"change": "amend-reading", "index": 0, "set": {"systolic_mmhg": 141}})
    case.correct({"change": "amend-reading", "index": 0, "set": {"method": "auscultatory"}})
    assert case.statuses()["r0"] == "corrected"


def test_a_label_that_changes_amends_the_mean_alone(rulebook: Rulebook) -> None:
    case = Case(FIRST_VISIT, rulebook)
    moved = case.correct({"change": "amend-set", "set": {"guidelines": ["esc-2024"]}})
    assert moved == {"mean"}
    assert case.statuses()["mean"] == "amended"


def test_a_voided_reading_is_in_error_with_its_pulse_and_keeps_its_values(rulebook: Rulebook) -> None:
    case = Case(FIRST_VISIT, rulebook)
    moved = case.correct({"change": "void-reading", "index": 0})
    assert {"r0", "p0"} <= moved
    assert case.statuses()["r0"] == case.statuses()["p0"] == "entered-in-error"
    r0 = case.rendered()[0]
    assert [part["valueQuantity"]["value"] for part in r0["component"]] == [142, 88]


def test_a_voided_set_is_in_error_throughout_and_its_mean_keeps_its_values(rulebook: Rulebook) -> None:
    case = Case(FIRST_VISIT, rulebook)
    moved = case.correct({"change": "void-set"})
    assert moved == set(case.statuses())
    assert set(case.statuses().values()) == {"entered-in-error"}
    mean = case.rendered()[-1]
    assert [part["valueQuantity"]["value"] for part in mean["component"]] == [145, 90, 2]


def test_a_result_that_is_gone_is_corrected_to_none_and_may_come_back(rulebook: Rulebook) -> None:
    case = Case(FIRST_VISIT, rulebook)
    failed = {"systolic_mmhg": None, "diastolic_mmhg": None}
    case.correct(*({"change": "amend-reading", "index": index, "set": failed} for index in (1, 2, 3)))
    assert case.statuses()["mean"] == "corrected"
    assert "valueQuantity" not in case.rendered()[-1]["component"][0]
    back = {"systolic_mmhg": 152, "diastolic_mmhg": 94}
    case.correct(*({"change": "amend-reading", "index": index, "set": back} for index in (2, 3)))
    assert case.statuses()["mean"] == "corrected"
    assert case.rendered()[-1]["component"][0]["valueQuantity"]["value"] == 152


def test_an_open_sitting_has_final_readings_and_a_preliminary_mean_that_becomes_final(rulebook: Rulebook) -> None:
    opened = changed(FIRST_VISIT, "/closed", False) | {"readings": FIRST_VISIT["readings"][:3]}
    case = Case(opened, rulebook)
    assert case.statuses()["r0"] == "final"
    assert "mean" not in case.statuses()
    assert case.append(readings=FIRST_VISIT["readings"][3:], closed=False) == {"r0", "r1", "r3", "p3", "mean"}
    assert case.statuses()["mean"] == "preliminary"
    assert case.statuses()["r0"] == case.statuses()["r1"] == "amended", "the first two now say why they do not count"
    assert case.append(closed=True) == {"mean"}
    assert case.statuses()["mean"] == "final"


def mean_version(case: Case) -> int:
    assert case.stands.mean is not None
    return case.stands.mean.stand.version


def test_a_sitting_without_a_result_says_so_once_it_closes_and_goes_on_when_more_readings_bring_one(rulebook: Rulebook) -> None:
    case = Case(changed(FIRST_VISIT, "/closed", False) | {"readings": FIRST_VISIT["readings"][:2]}, rulebook)
    assert "mean" not in case.statuses(), "an open sitting may yet get a result"
    assert "mean" in case.append(closed=True)
    assert (case.statuses()["mean"], mean_version(case)) == ("final", 1)
    told = case.rendered()[-1]
    assert faults_of(told) == []
    assert "derivedFrom" not in told and "interpretation" not in told
    assert (told["effectivePeriod"]["start"], told["effectivePeriod"]["end"]) == tuple(
        one["taken_at"] for one in FIRST_VISIT["readings"][:2]
    )
    case.reopen()
    assert case.append(readings=FIRST_VISIT["readings"][2:], closed=False).isdisjoint({"mean"}), "as it was last closed"
    assert "mean" in case.append(closed=True)
    assert (case.statuses()["mean"], mean_version(case)) == ("amended", 2), "no value was wrong: there was none"
    assert [part["valueQuantity"]["value"] for part in case.rendered()[-1]["component"]] == [145, 90, 2]


def test_what_is_said_where_there_is_no_result_amends_and_a_time_corrects(rulebook: Rulebook) -> None:
    case = Case(FIRST_VISIT | {"readings": FIRST_VISIT["readings"][:2]}, rulebook)
    assert "mean" in case.correct({"change": "amend-set", "set": {"device": {"model": "Example 1"}}})
    assert (case.statuses()["mean"], mean_version(case)) == ("amended", 2)
    earlier = {"taken_at": "2026-05-04T08:59:00+02:00"}
    assert "mean" in case.correct({"change": "amend-reading", "index": 0, "set": earlier})
    assert (case.statuses()["mean"], mean_version(case)) == ("corrected", 3)


def test_a_sitting_whose_attempts_are_all_taken_back_is_in_error(rulebook: Rulebook) -> None:
    case = Case(FIRST_VISIT | {"readings": FIRST_VISIT["readings"][:1]}, rulebook)
    case.correct({"change": "void-reading", "index": 0})
    assert case.statuses() == {"r0": "entered-in-error", "p0": "entered-in-error", "mean": "entered-in-error"}
    assert faults_of(case.rendered()[-1]) == []


def test_versions_of_before_are_told_again_without_it(rulebook: Rulebook) -> None:
    """A first version without a result, and a result that went: as both were told when there was no such Observation."""
    without = stored_now(FIRST_VISIT | {"readings": FIRST_VISIT["readings"][:2]}, rulebook)
    first = next_stands(ResourceStates(), None, None, without, version=1, at=STORED_AT, tells_no_result=False)
    assert first.mean is None
    had = stored_now(FIRST_VISIT, rulebook)
    shown = first_stands(had, STORED_AT)
    gone = next_stands(shown, had, had, without, version=2, at=STORED_AT, tells_no_result=False)
    assert gone.mean is not None
    assert (gone.mean.stand.status, gone.mean.from_version) == ("entered-in-error", 1)


def stored_now(body: dict[str, Any], rulebook: Rulebook) -> SittingVersion:
    reading_set = msgspec.convert(body, ReadingSet)
    return stored(reading_set, evaluate(reading_set, None, rulebook))


def test_a_reopened_sitting_keeps_its_mean_until_it_closes_again(rulebook: Rulebook) -> None:
    case = Case(FIRST_VISIT, rulebook)
    case.reopen()
    extra = changed(FIRST_VISIT["readings"][3], "/taken_at", "2026-05-04T09:08:00+02:00") | {"systolic_mmhg": 140}
    moved = case.append(readings=[extra], closed=False)
    assert "mean" not in moved
    assert case.rendered()[-1]["component"][0]["valueQuantity"]["value"] == 145
    assert "mean" in case.append(closed=True)
    assert case.statuses()["mean"] == "corrected"
    assert case.rendered()[-1]["component"][0]["valueQuantity"]["value"] == 142


def test_a_pulse_that_is_taken_back_says_so(rulebook: Rulebook) -> None:
    case = Case(FIRST_VISIT, rulebook)
    assert case.correct({"change": "amend-reading", "index": 0, "set": {"pulse_per_min": None}}) == {"p0"}
    assert case.statuses()["p0"] == "entered-in-error"
    pulse = next(one for one in case.rendered() if one["id"].endswith("-p0"))
    assert "valueQuantity" not in pulse
    assert faults_of(pulse) == []


def test_whatever_changes_what_stands_is_sound_and_moves_only_where_it_differs(rulebook: Rulebook) -> None:
    """Each generated sitting is corrected and voided; every state of it keeps the profiles."""
    for reading_set, _ in generated_sets(11, 150, rulebook):
        body = msgspec.to_builtins(reading_set)
        case = Case(body, rulebook)
        before = {one["id"]: one for one in case.rendered()}
        usable = [index for index, reading in enumerate(reading_set.readings) if not reading.voided]
        if usable:
            amended = {"systolic_mmhg": 133.5, "diastolic_mmhg": 81}
            moved = case.correct({"change": "amend-reading", "index": usable[-1], "set": amended})
            after = {one["id"]: one for one in case.rendered()}
            differing = {key.rsplit("-", 1)[1] for key in after if said(after[key]) != said(before.get(key, {"absent": True}))}
            assert differing <= moved
        case.correct({"change": "void-set"})
        assert [fault for one in case.rendered() for fault in faults_of(one)] == []


def said(observation: dict[str, Any]) -> dict[str, Any]:
    """An Observation without its version and dates."""
    return {name: value for name, value in observation.items() if name not in ("meta", "issued")}
