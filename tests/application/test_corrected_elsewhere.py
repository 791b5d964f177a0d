"""Corrections by HL7 v2 and FHIR of a reading that another sender brought: of that reading, or refused with its set named.

Never a second reading, and never dropped in silence. On both databases.
"""

from __future__ import annotations

from typing import Any

import msgspec
import pytest

from application.clinic import Clinic
from application.test_all_formats import DEVICES, PEOPLE, named
from application.test_measured_once import LOCAL, body, send, value
from quietcuff.application.payloads.hl7v2 import receive_hl7v2
from quietcuff.application.payloads.repeats import ReceivedSets
from quietcuff.core.model.errors import Fault, NotAcceptable
from quietcuff.storage.schema.codes import OBSERVATION_STATUS

LOINC = "http://loinc.org"
TAKEN_BACK = "entered-in-error"


async def gateway(clinic: Clinic, *systolics: int, cuff: str = "SN-1") -> ReceivedSets:
    """Values of nine o'clock by a gateway."""
    said = {"subject": named(PEOPLE, "p-1"), "device": named(DEVICES, cuff), "received_at": f"{LOCAL.isoformat()}Z"}
    return await send(clinic, body(*(value(one, LOCAL) for one in systolics), **said))


async def fhir(clinic: Clinic, status: str, systolic: int, *, key: str = "f-1", cuff: str | None = "SN-1") -> ReceivedSets:
    """One blood pressure of nine o'clock by a system that calls it by its own key."""

    def part(code: str, number: int) -> dict[str, Any]:
        unit = {"value": number, "unit": "mmHg", "system": "http://unitsofmeasure.org", "code": "mm[Hg]"}
        return {"code": {"coding": [{"system": LOINC, "code": code}]}, "valueQuantity": unit}

    said = {
        "resourceType": "Observation",
        "status": status,
        "identifier": [{"system": "urn:example:observation", "value": key}],
        "code": {"coding": [{"system": LOINC, "code": "85354-9"}]},
        "subject": named(PEOPLE, "p-1"),
        "effectiveDateTime": "2026-05-04T09:00:00+00:00",
        "component": [part("8480-6", systolic), part("8462-4", 80)],
        **({} if cuff is None else {"device": named(DEVICES, cuff)}),
    }
    return await send(clinic, msgspec.json.encode(said), kind="fhir")


async def refused_fhir(clinic: Clinic, status: str, systolic: int, **how: Any) -> Fault:
    """The one fault of an Observation that is refused whole."""
    with pytest.raises(NotAcceptable) as caught:
        await fhir(clinic, status, systolic, **how)
    (fault,) = caught.value.faults
    return fault


async def hl7(clinic: Clinic, status: str, systolic: int, *, order: str = "OBS-1", cuff: str | None = "SN-1") -> list[str]:
    """The same as a report; the codes of its answers, and of what was refused in it."""
    of_device = "" if cuff is None else f"||||{cuff}^^2.999.7^ISO"
    rows = [
        f"OBX|{row}|NM|{code}^^LN|1|{number}|mm[Hg]|||||{status}|||20260504090000+0000{of_device}"
        for row, code, number in ((1, "8480-6", systolic), (2, "8462-4", 80))
    ]
    head = r"MSH|^~\&|PAD|WESTWING|CUFFHUB|REGION7|20260504090200+0000||ORU^R01^ORU_R01|W-1|P|2.5.1|||AL|NE"
    people = ["PID|1||p-1^^^&2.999.41&ISO^MR", f"OBR|1||{order}|85354-9^^LN|||20260504090000+0000"]
    told = await receive_hl7v2(clinic.desk, clinic.caller, "\r".join([head, *people, *rows, ""]).encode())
    lines = [line.split("|") for answer in told.answers for line in answer.decode().split("\r")]
    return [line[1] for line in lines if line[0] == "MSA"] + [line[5].split("^")[0] for line in lines if line[0] == "ERR"]


async def readings(clinic: Clinic) -> list[tuple[int, int | None, bool]]:
    """Systolic pressure and pulse of each reading, and whether it stands."""
    rows = await clinic.rows("SELECT systolic, pulse, status FROM reading ORDER BY systolic")
    return [(systolic // 100, pulse, OBSERVATION_STATUS.word(status) != TAKEN_BACK) for systolic, pulse, status in rows]


@pytest.mark.parametrize("status", ["corrected", "amended"])
async def test_by_fhir_of_the_one_reading_of_that_device_and_moment(clinic: Clinic, status: str) -> None:
    await gateway(clinic, 142)
    received = await fhir(clinic, status, 148)
    assert (received.changed, received.refused) == (1, []) and await readings(clinic) == [(148, None, True)]
    # Again, and what was said before it, change nothing and make nothing.
    for again in (
        await fhir(clinic, status, 148),
        await fhir(clinic, "final", 142),
        await fhir(clinic, "final", 148, key="f-2"),
    ):
        assert (again.changed, again.replayed, again.refused) == (0, 1, [])
    assert (await gateway(clinic, 142)).replayed == 1
    assert await readings(clinic) == [(148, None, True)]


async def test_by_hl7_of_the_one_reading_of_that_device_and_moment(clinic: Clinic) -> None:
    await gateway(clinic, 142)
    assert await hl7(clinic, "C", 148) == ["CA"] and await readings(clinic) == [(148, None, True)]
    assert await hl7(clinic, "C", 148) == ["CA"] and await hl7(clinic, "F", 142) == ["CA"]
    assert await readings(clinic) == [(148, None, True)]


@pytest.mark.parametrize("status", ["D", "W"])
async def test_what_hl7_takes_back_is_taken_back_where_its_device_and_moment_tell_it(clinic: Clinic, status: str) -> None:
    await gateway(clinic, 142)
    assert await hl7(clinic, status, 142, cuff=None) == ["CE", "reading-elsewhere"], "of which device, nobody says"
    assert await hl7(clinic, status, 142, cuff="SN-2") == ["CE", "no-such-reading"]
    assert await readings(clinic) == [(142, None, True)]
    for _ in range(2):
        assert await hl7(clinic, status, 142) == ["CA"] and await readings(clinic) == [(142, None, False)]


async def test_what_fhir_takes_back_under_a_key_that_is_not_known_is_refused(clinic: Clinic) -> None:
    """There the key alone says what is meant."""
    assert await hl7(clinic, "F", 142) == ["CA"]
    assert (await refused_fhir(clinic, "entered-in-error", 142)).code == "no-such-reading"
    assert await readings(clinic) == [(142, None, True)]


async def test_of_a_reading_whose_device_nobody_named_it_is_refused_and_names_the_set(clinic: Clinic) -> None:
    stored = await fhir(clinic, "final", 142, cuff=None)
    (set_id,) = [answer.set_id for answer in stored.sets]
    part = await refused_fhir(clinic, "corrected", 148, key="f-2", cuff=None)
    assert part.code == "reading-elsewhere" and set_id in part.detail
    assert await hl7(clinic, "C", 148, cuff=None) == ["CE", "reading-elsewhere"]
    assert await hl7(clinic, "D", 148, cuff=None) == ["CE", "reading-elsewhere"]
    assert await readings(clinic) == [(142, None, True)]
    assert await clinic.count("refused_payload") == 3


async def test_of_two_that_may_be_meant_it_is_refused(clinic: Clinic) -> None:
    """One device told two values of one moment: which of them is corrected, its sender does not say."""
    await gateway(clinic, 142, 151)
    assert (await refused_fhir(clinic, "corrected", 148)).code == "reading-elsewhere"
    assert await hl7(clinic, "C", 148) == ["CE", "reading-elsewhere"]
    assert [one for one, _, _ in await readings(clinic)] == [142, 151]
    # That which has the same pressures is meant: nothing is to change.
    assert (await fhir(clinic, "corrected", 151)).replayed == 1
    assert [one for one, _, _ in await readings(clinic)] == [142, 151]


async def test_what_a_correction_does_not_speak_of_stays_as_its_sender_said_it(clinic: Clinic) -> None:
    await gateway(clinic, 142)
    rows = await clinic.rows("SELECT site FROM reading")
    await fhir(clinic, "corrected", 148)
    assert await clinic.rows("SELECT site FROM reading") == rows and rows[0][0] != 0


async def test_another_device_or_moment_is_another_reading(clinic: Clinic) -> None:
    await gateway(clinic, 142)
    assert (await fhir(clinic, "corrected", 148, cuff="SN-2")).changed == 1
    assert [one for one, _, _ in await readings(clinic)] == [142, 148]
