"""People and devices: what the registries know fills what a sitting leaves blank, and the other way round."""

from __future__ import annotations

from typing import Any
from uuid import UUID

import msgspec
import pytest

from application.clinic import Body, Clinic, reading, sitting, told
from quietcuff import application
from quietcuff.core.evaluate import evaluate
from quietcuff.core.model.changes import SubjectChange
from quietcuff.core.model.errors import NotAcceptable, NotFound, VersionStale
from quietcuff.core.model.readings import Identifier, ReadingSet
from quietcuff.core.model.registry import RegisteredDevice

PERSON = {"identifier": {"system": "urn:example:mrn", "value": "p-0001"}}
NAME = {"identifier": {"system": "urn:example:device", "value": "SN-0007"}}
DEVICE = {
    **NAME,
    "manufacturer": "Example Instruments",
    "model": "Model A",
    "serial_number": "0007",
    "kind": "automatic",
    "site": "upper-arm",
    "validated": "yes",
    "validated_for": ["adults", "pregnancy"],
    "validation_evidence": [
        {"standard": "ISO 81060-2:2018", "population_groups": ["adults", "pregnancy"], "report": "example report 7"}
    ],
    "cuffs": [{"size": "adult", "range_cm": [22, 32]}, {"size": "large", "range_cm": [32, 42]}],
    "last_accuracy_check": "2026-01-10",
    "accuracy_check_interval_months": 24,
    "time_zone": "Europe/Vienna",
    "clock_drift_seconds": 3600,
    "users": [{"user_id": 2, "subject": {"system": "urn:example:mrn", "value": "p-0002"}}],
}


async def save(clinic: Clinic, if_match: Any = None, **facts: Any) -> application.Record:
    change = msgspec.convert({**PERSON, **facts}, SubjectChange)
    return await application.save_subject(clinic.desk, clinic.caller, change, if_match=if_match)


async def register(clinic: Clinic, document: Body = DEVICE, if_match: Any = None) -> application.Record:
    known = msgspec.convert(document, RegisteredDevice)
    return await application.save_device(clinic.desk, clinic.caller, known, if_match=if_match)


def body(record: application.Record) -> Body:
    found: Body = msgspec.json.decode(record.body)
    return found


async def test_a_person_is_registered_and_found(clinic: Clinic) -> None:
    record = await save(clinic, birth_date="1971-01", sex="female")
    said = body(record)
    assert (record.created, record.version, said["version"], said["id"]) == (True, 1, 1, record.id)
    assert list(said)[:5] == ["id", "version", "identifier", "birth_date", "sex"]
    assert said["birth_date"] == "1971-01"
    assert said["history"] == {
        "as_of": "2026-05-04T07:03:31.120000Z", "pairs": [], "treatment_changed_on": None, "sittings": []
    }  # fmt: skip
    identifier = Identifier(system="urn:example:mrn", value="p-0001")
    assert await application.find_subject(clinic.desk, clinic.caller, identifier) == record.id
    assert (await application.read_subject(clinic.desk, clinic.caller, record.id)).body == record.body


async def test_absent_keeps_and_null_clears(clinic: Clinic) -> None:
    await save(clinic, birth_date="1971-01-15", sex="female", known_hypertension="yes", height_cm=170)
    record = await save(clinic, sex=None, known_hypertension=None, arm_circumference_cm=31.5)
    said = body(record)
    assert (record.created, record.version) == (False, 2)
    names = ("birth_date", "sex", "known_hypertension", "height_cm", "arm_circumference_cm")
    assert [said[name] for name in names] == ["1971-01-15", None, "not-recorded", 170, 31.5]


async def test_saying_the_same_again_is_no_new_version(clinic: Clinic) -> None:
    first = await save(clinic, sex="female")
    again = await save(clinic, sex="female")
    assert (again.body, again.created) == (first.body, False)
    assert await clinic.count("trail") == 1


@pytest.mark.parametrize(("if_match", "is_right"), [("*", True), (frozenset([1]), True), (frozenset([2]), False)])
async def test_a_change_may_name_its_version(clinic: Clinic, if_match: Any, is_right: bool) -> None:
    await save(clinic, sex="female")
    if is_right:
        assert (await save(clinic, if_match, sex="male")).version == 2
    else:
        with pytest.raises(VersionStale) as stale:
            await save(clinic, if_match, sex="male")
        assert stale.value.newest == 1


async def test_a_version_of_nobody_is_stale(clinic: Clinic) -> None:
    for if_match in ("*", frozenset([1])):
        with pytest.raises(VersionStale):
            await save(clinic, if_match, sex="male")
    assert await clinic.count("subject") == 0


async def test_nobody_is_not_found(clinic: Clinic) -> None:
    with pytest.raises(NotFound):
        await application.find_subject(clinic.desk, clinic.caller, Identifier(system="urn:x", value="y"))
    for text in ("cda41017-1d9a-8818-bb1a-da6d8d866445", "p-0001"):
        with pytest.raises(NotFound):
            await application.read_subject(clinic.desk, clinic.caller, text)


async def test_blank_facts_are_filled_and_shown_filled(clinic: Clinic) -> None:
    restriction = {"arm": "left", "reason": "dialysis-access", "until": None}
    await save(clinic, birth_date="1971-01-15", known_hypertension="yes", arm_restrictions=[restriction])
    subject = {**PERSON, "sex": "female", "treatment_changed_on": "2026-04-01"}
    stored = told(await clinic.receive(sitting(subject=subject)))
    said = stored["reading_set"]["subject"]
    assert (said["birth_date"], said["known_hypertension"], said["sex"]) == ("1971-01-15", "yes", "female")
    assert said["arm_restrictions"] == [restriction]
    assert stored["reading_set"]["intake"]["facts_differ"] == []
    assert stored["reading_set"]["history"]["treatment_changed_on"] == "2026-04-01"


async def test_the_registry_learns_what_it_did_not_know(clinic: Clinic) -> None:
    record = await save(clinic, birth_date="1971-01-15")
    await clinic.receive(sitting(subject={**PERSON, "birth_date": "1962-03-04", "sex": "female"}))
    known = body(await application.read_subject(clinic.desk, clinic.caller, record.id))
    assert (known["version"], known["birth_date"], known["sex"]) == (2, "1971-01-15", "female")
    await clinic.receive(sitting(subject={**PERSON, "sex": "female"}))
    assert (await application.read_subject(clinic.desk, clinic.caller, record.id)).version == 2


async def test_a_differing_fact_stays_in_the_set_and_is_told(clinic: Clinic) -> None:
    await save(clinic, birth_date="1971-01-15", height_cm=170)
    stored = told(await clinic.receive(sitting(subject={**PERSON, "birth_date": "1962-03-04", "height_cm": 171})))
    assert stored["reading_set"]["subject"]["birth_date"] == "1962-03-04"
    assert stored["reading_set"]["intake"]["facts_differ"] == ["birth_date", "height_cm"]
    assert "subject-facts-differ" in [finding["code"] for finding in stored["evaluation"]["findings"]]


async def test_a_sitting_registers_its_person(clinic: Clinic) -> None:
    stored = told(await clinic.receive(sitting()))
    known = body(await application.read_subject(clinic.desk, clinic.caller, stored["subject_id"]))
    assert (known["birth_date"], known["identifier"]) == ("1971-01-15", PERSON["identifier"])
    clinic.clock.move(minutes=1)
    assert (await save(clinic)).created is False


async def test_the_history_answered_can_be_pasted_into_a_dry_run(clinic: Clinic) -> None:
    stored = told(await clinic.receive(sitting()))
    clinic.clock.move(days=1)
    known = body(await application.read_subject(clinic.desk, clinic.caller, stored["subject_id"]))
    assert [one["systolic_mmhg"] for one in known["history"]["sittings"]] == [145]


async def test_a_device_is_registered_whole(clinic: Clinic) -> None:
    record = await register(clinic)
    assert (record.created, record.version) == (True, 1)
    assert body(record) == {"id": record.id, "version": 1, **DEVICE}
    assert (await application.read_device(clinic.desk, clinic.caller, record.id)).body == record.body
    again = await register(clinic)
    assert (again.body, again.created) == (record.body, False)
    replaced = body(await register(clinic, {**NAME, "kind": "automatic"}))
    assert (replaced["version"], replaced["manufacturer"], replaced["cuffs"]) == (2, None, [])
    with pytest.raises(VersionStale):
        await register(clinic, if_match=frozenset([1]))


async def test_a_zone_that_is_not_there_is_refused(clinic: Clinic) -> None:
    for zone in ("Nowhere/Town", "../../etc/passwd", "/etc/localtime"):
        with pytest.raises(NotAcceptable) as refused:
            await register(clinic, {**DEVICE, "time_zone": zone})
        assert [(fault.pointer, fault.code) for fault in refused.value.faults] == [("/time_zone", "unknown-code")]


async def test_what_the_registry_knows_of_the_device_is_filled_in(clinic: Clinic) -> None:
    await register(clinic)
    cuff = {"size": "large", "mark_within_range": "yes"}
    stored = told(await clinic.receive(sitting(device={**NAME, "model": "Model B"}, cuff=cuff)))["reading_set"]
    names = ("manufacturer", "model", "kind", "site", "validated")
    assert [stored["device"][name] for name in names] == ["Example Instruments", "Model B", "automatic", "upper-arm", "yes"]
    assert stored["cuff"] == {"size": "large", "range_cm": [32, 42], "mark_within_range": "yes"}
    assert stored["intake"]["device_registered"] == "yes"


async def test_the_rules_use_what_the_registry_knows_and_the_set_shows_it(clinic: Clinic) -> None:
    study = {"standard": "ISO 81060-2:2018", "population_groups": ["children"]}
    known = {**DEVICE, "validated": "not-recorded", "validated_for": ["adults"], "validation_evidence": [study]}
    await register(clinic, {**known, "last_accuracy_check": "2024-05-03"})
    pregnant = {**PERSON, "birth_date": "1991-01-15", "sex": "female", "pregnancy": "pregnant"}
    answer = await clinic.receive(sitting(subject=pregnant, device=NAME))
    stored = told(answer)
    device = stored["reading_set"]["device"]
    # A study that it passed makes a device validated, for that study's groups too.
    assert (device["validated"], device["validated_for"]) == ("yes", ["adults", "children"])
    names = ("last_accuracy_check", "accuracy_check_interval_months", "clock_drift_seconds")
    assert [device[name] for name in names] == ["2024-05-03", 24, 3600]
    codes = {finding["code"] for finding in stored["evaluation"]["findings"]}
    assert {"device-not-validated-for-group", "accuracy-check-overdue", "device-clock-off"} <= codes
    # What the registry says later changes nothing of what is stored: the set alone gives the same evaluation again.
    await register(clinic, {**DEVICE, "validated_for": ["pregnancy"]})
    again = msgspec.convert(stored["reading_set"], ReadingSet)
    assert msgspec.json.encode(evaluate(again, again.history, clinic.desk.rulebook)) in answer.body


async def test_what_a_set_says_of_its_device_stands_above_the_registry(clinic: Clinic) -> None:
    await register(clinic)
    device = {**NAME, "validated": "no", "validated_for": ["children"], "clock_drift_seconds": 0}
    said = told(await clinic.receive(sitting(device=device)))["reading_set"]["device"]
    assert (said["validated"], said["validated_for"], said["clock_drift_seconds"]) == ("no", ["children"], 0)
    assert said["last_accuracy_check"] == "2026-01-10"


async def test_each_readings_own_device_is_looked_up(clinic: Clinic) -> None:
    await register(clinic)
    other = {"identifier": {"system": "urn:example:device", "value": "SN-0008"}}
    readings = [reading(0, device=NAME), reading(1.2, device=other), reading(2.4)]
    stored = told(await clinic.receive(sitting(readings, device=None, closed=False)))["reading_set"]
    assert [one["device"] and one["device"]["kind"] for one in stored["readings"]] == ["automatic", None, None]
    assert stored["intake"]["device_registered"] == "no"
    rows = await clinic.rows("SELECT device_id FROM reading ORDER BY reading_index")
    assert rows[0] != rows[1]
    assert rows[2] == (None,)


async def test_a_device_that_is_not_registered_is_taken_as_described(clinic: Clinic) -> None:
    described = {**NAME, "kind": "automatic", "site": "upper-arm", "validated": "yes", "model": "Model C"}
    stored = told(await clinic.receive(sitting(device=described)))
    assert stored["reading_set"]["device"]["model"] == "Model C"
    assert "device-not-registered" in [finding["code"] for finding in stored["evaluation"]["findings"]]
    await clinic.receive(sitting(device=described))
    assert await clinic.count("device") == 1
    record = await register(clinic)
    assert (record.created, record.version) == (True, 2)


async def test_a_device_that_was_only_seen_is_not_registered(clinic: Clinic) -> None:
    await clinic.receive(sitting(device=NAME))
    [(seen,)] = await clinic.rows("SELECT device_id FROM device")
    device_id = UUID(bytes=seen) if isinstance(seen, bytes) else seen
    with pytest.raises(NotFound):
        await application.read_device(clinic.desk, clinic.caller, str(device_id))


async def test_a_device_without_identifier_is_nobodys(clinic: Clinic) -> None:
    stored = told(await clinic.receive(sitting(device={"kind": "automatic", "site": "upper-arm"})))
    assert stored["reading_set"]["intake"]["device_registered"] == "not-recorded"
    assert await clinic.count("device") == 0
