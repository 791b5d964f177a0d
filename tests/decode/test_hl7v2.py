"""HL7 v2 reports: the check vectors, dialects, statuses, and that no row is ever dropped in silence."""

from __future__ import annotations

import json
import random
from collections import Counter
from decimal import Decimal
from typing import Any

import hl7
import pytest
from hypothesis import given
from hypothesis import strategies as st

from decode.hl7_messages import FOLDER, LONDON, MESSY, VECTORS, message, pair, report, row
from quietcuff.api.problem_types import FAULT_CODES
from quietcuff.core.model.errors import QuietcuffError
from quietcuff.decode.hl7v2.message import Order, PatientGroup, ReadReport, read_report
from quietcuff.decode.hl7v2.observation import ObservationRow
from quietcuff.decode.hl7v2.people import ids_of
from quietcuff.decode.hl7v2.readings import FIELDS, kinds_of
from quietcuff.decode.hl7v2.syntax import unescape
from quietcuff.decode.hl7v2.times import Moment, read_time

ACTIONS = {"store": "store", "replace": "replace", "retract": "retract", "no-value": "no_value", "pass": "pass"}


def moment_told(moment: Moment) -> dict[str, str]:
    """As the vectors tell a time."""
    millis = "milliseconds" if moment.precision == "fraction" else "seconds"
    return {"iso": moment.at.isoformat(timespec=millis), "precision": moment.precision, "zone": moment.zone}


def row_told(said: ObservationRow) -> dict[str, Any]:
    """As the vectors tell an observation. The value of one that has none is null, its time that of its order."""
    told: dict[str, Any] = {
        "set_id": said.set_id,
        "sub_id": said.sub_id,
        "measure": said.kind,
        "status": said.status,
        "action": ACTIONS[said.action],
        "value": said.values[0] if said.values else None,
    }
    if said.unit is not None:
        told["unit"] = said.unit
    if said.unit == "kPa":
        told["mmHg"] = str(said.numbers[0])
    if said.moment is not None:
        told |= {"time": moment_told(said.moment), "time_from": said.time_from}
    optional = {"flags": said.flags, "method": said.method[0], "site": said.site}
    if said.position != "not-recorded":
        optional["position"] = said.position
    return told | {name: value for name, value in optional.items() if value}


def expected_row(wanted: dict[str, Any]) -> dict[str, Any]:
    """What the vector says of an observation; of one without a value only that it has none, and of its device elsewhere."""
    left_out = {"device"} | ({"unit", "time", "time_from"} if wanted["value"] is None else set())
    return {name: value for name, value in wanted.items() if name not in left_out}


def readings_told(order: Order) -> list[dict[str, Any]]:
    """As the vectors tell readings: values as sent."""
    told = []
    for measurement in order.measurements:
        values: dict[str, Any] = {"key": measurement.key}
        for said in measurement.rows:
            values |= dict(zip(kinds_of(said), said.values or [None], strict=True))
        told.append(values)
    return told


def check_order(said: ReadReport, order: Order, wanted: dict[str, Any]) -> None:
    text = said.text
    assert (text.first(order.segment, 2) or None, text.first(order.segment, 3)) == (wanted["placer"], wanted["filler"])
    assert (text.first(order.segment, 4), text.first(order.segment, 25) or None) == (wanted["code"], wanted["status"])
    assert moment_told(read_time(text.first(order.segment, 7), LONDON.zone)) == wanted["start"]
    rows = [each for each in order.rows if each.kind != "container"]
    assert [row_told(each) for each in rows] == [expected_row(each) for each in wanted["observations"]]
    skipped = [each for each in order.rows if each.kind == "container"]
    told = [{"set_id": each.set_id, "code": each.code, "why": each.reason} for each in skipped]
    assert told == wanted["skipped"]
    assert readings_told(order) == wanted["readings"]


def check_patient(said: ReadReport, patient: PatientGroup, wanted: dict[str, Any]) -> None:
    assert patient.segment is not None
    ids = ids_of(said.text, patient.segment)
    told = [{"id": each.id, "authority": "&".join(each.authority), "type": each.kind} for each in ids]
    assert told == wanted["ids"]
    assert (patient.visit or None) == wanted.get("class")
    for order, order_wanted in zip(patient.orders, wanted["orders"], strict=True):
        check_order(said, order, order_wanted)


@pytest.mark.parametrize("name", VECTORS)
def test_the_vectors_decode_to_the_last_digit(name: str) -> None:
    """Source: check vectors of HL7 v2 reports, values binding."""
    said, wanted = read_report(VECTORS[name], LONDON), json.loads((FOLDER / f"{name}.json").read_text())
    head = said.head
    assert (head.control_id, "^".join(head.type), head.version) == (wanted["control_id"], wanted["type"], wanted["version"])
    assert (head.processing, head.charset, head.profile or None) == tuple(
        wanted[n] for n in ("processing", "charset", "profile")
    )
    assert (head.accept_ack, head.app_ack, list(head.sender)) == tuple(wanted[n] for n in ("accept_ack", "app_ack", "sender"))
    assert moment_told(read_time(head.sent, LONDON.zone)) == wanted["sent"]
    for patient, patient_wanted in zip(said.patients, wanted["patients"], strict=True):
        check_patient(said, patient, patient_wanted)
    assert said.refused == [] and said.text.warnings == []


def test_the_device_of_a_container_is_that_of_the_readings_in_it() -> None:
    """Source: vector 03, whose device is EUI-64 70B3D5FFFE5EC0DE."""
    (sitting,) = read_report(VECTORS["03-pcd01-mdc-kpa"], LONDON).sittings
    assert sitting.device is not None and sitting.device.identifier is not None
    assert sitting.device.identifier.value == "70B3D5FFFE5EC0DE"
    (keyed,) = sitting.readings
    assert (keyed.reading.systolic_mmhg, keyed.reading.diastolic_mmhg) == (138.01, 87.01)
    assert keyed.notes == ("not-verified",)


def test_every_field_is_what_another_reader_finds() -> None:
    """Source: the library hl7, on the same messages with their line ends as it wants them."""
    compared = 0
    for body in VECTORS.values():
        said, other = read_report(body, LONDON), hl7.parse(body.decode())
        for ours, theirs in zip(said.text.segments, other, strict=True):
            assert ours.name == str(theirs[0])
            for number in range(2 if ours.name == "MSH" else 1, len(theirs)):
                assert ours.field(number) == str(theirs[number]).strip(" ")
                compared += 1
    assert compared > 200


def test_a_message_of_many_faults_is_refused_row_by_row() -> None:
    """Source: invented after the faults that intake feeds are known for."""
    said = read_report(MESSY, LONDON)
    assert [(each.fate, each.reason) for each in said.rows] == [
        ("used", ""),
        ("refused", "off-scale"),
        ("refused", "unit-missing"),
        ("refused", "one-pressure-missing"),
        ("refused", "off-scale"),
        ("refused", "not-a-time"),
        ("refused", "time-skipped"),
        ("refused", "code-name-mismatch"),
        ("refused", "unknown-status"),
        ("ignored", "other-measure"),
    ]
    assert said.head.control_id == "W#17"
    (sitting,) = said.sittings
    assert sitting.subject.identifier.system == "urn:example:westwing"
    assert [(each.reading.systolic_mmhg, each.reading.diastolic_mmhg) for each in sitting.readings] == [(161, 102)]
    assert [part.place for part in said.refused][:2] == ["OBX[2]-5", "OBX[3]-6"]


@pytest.mark.parametrize("ends", ["\n", "\r\n", "\r"])
def test_line_ends_of_any_kind_are_read_alike(ends: str) -> None:
    body = VECTORS["02-set-of-three-subids"].replace(b"\r", ends.encode())
    said = read_report(body, LONDON)
    assert said.counts() == {"used": 6}
    assert said.text.warnings == ([] if ends == "\r" else ["lf-separators"])


def test_a_line_feed_within_a_field_divides_nothing() -> None:
    said = read_report(message(*pair(142, 91), "NTE|1|L|two\nlines"), LONDON)
    assert said.counts() == {"used": 2} and said.text.segments[-1].field(3) == "two\nlines"


@pytest.mark.parametrize(
    ("said", "plain"),
    [
        (r"a\T\b", "a&b"),
        (r"\F\\S\\R\\E\\T\ ", "|^~\\& "),
        (r"\E\T\E\ ".strip(), r"\T\ ".strip()),
        (r"one\.br\two", "one\ntwo"),
        (r"\H\loud\N\ ".strip(), "loud"),
        (r"\XC3A9\ ".strip(), "é"),
        (r"\XC3\\XA9\ ".strip(), "é"),
        (r"\XFF\ ".strip(), r"\XFF\ ".strip()),
        (r"\Zown\ ".strip(), r"\Zown\ ".strip()),
        (r"a\Eb", r"a\Eb"),
    ],
)
def test_escapes_are_undone_once_and_what_is_not_known_stays(said: str, plain: str) -> None:
    """Source: HL7 v2.5.1, 2.7, from memory; unknown and unclosed escapes stay: decision of this project."""
    assert unescape(said, report().text.separators, "utf-8") == plain


@pytest.mark.parametrize(
    ("charset", "encoding", "problem"),
    [
        ("", "utf-8", None),
        ("UNICODE UTF-8", "utf-8", None),
        ("8859/1", "latin-1", None),
        ("8859/15", "iso8859-15", None),
        ("UNICODE UTF-8", "latin-1", "charset"),
        ("", "latin-1", "charset"),
        ("ISO IR87", "utf-8", "charset"),
    ],
)
def test_bytes_are_read_in_the_character_set_that_is_named(charset: str, encoding: str, problem: str | None) -> None:
    pid = "PID|1||Ü-1^^^WESTWING^MR"
    body = message(*pair(142, 91), head=f"2.5.1||||||{charset}", pid=pid).decode().encode(encoding)
    said = read_report(body, LONDON)
    assert (None if said.rejected is None else said.rejected.code) == problem
    if problem is None:
        assert said.sittings[0].subject.identifier.value == "Ü-1"


@pytest.mark.parametrize(
    ("at", "iso", "notes"),
    [
        ("202603140705+0100", "2026-03-14T07:05:00+01:00", ()),
        ("20260314070509.25-0330", "2026-03-14T07:05:09.250000-03:30", ()),
        ("20260314070509Z", "2026-03-14T07:05:09+00:00", ()),
        ("20260314070509-0000", "2026-03-14T07:05:09+00:00", ()),
        ("20260714070509", "2026-07-14T07:05:09+01:00", ("clock-zone-assumed",)),
        ("20261025013000", "2026-10-25T01:30:00+01:00", ("clock-zone-assumed", "clock-hour-unclear")),
    ],
)
def test_times_keep_their_offset_or_take_the_zone_of_the_tenant(at: str, iso: str, notes: tuple[str, ...]) -> None:
    """Source: clocks in London changed at 01:00 UTC on 29 March and 25 October 2026, by the time-zone database."""
    (sitting,) = report(*pair(142, 91, at=at)).sittings
    assert sitting.readings[0].reading.taken_at.isoformat() == iso and sitting.readings[0].notes == notes


@pytest.mark.parametrize(
    ("at", "code"),
    [
        ("2026031407", "time-not-exact"),
        ("20260314", "time-not-exact"),
        ("20260329013000", "time-skipped"),
        ("20260229070500", "not-a-time"),
        ("20260314070560", "not-a-time"),
        ("20260314070509+0160", "not-a-time"),
        ("20260314070509+1500", "not-a-time"),
        ("18990314070509+0000", "not-a-time"),
        ("yesterday", "not-a-time"),
    ],
)
def test_a_time_that_cannot_be_used_refuses_its_row(at: str, code: str) -> None:
    said = report(*pair(142, 91, at=at))
    assert [each.reason for each in said.rows] == [code, code] and said.sittings == []


@pytest.mark.parametrize(
    ("status", "flags", "fate"),
    [
        ("F", "", "used"),
        ("R", "", "used"),
        ("C", "", "used"),
        ("A", "", "used"),
        ("V", "", "used"),
        ("D", "", "used"),
        ("W", "", "used"),
        ("R", "QUES", "used"),
        ("F", "H~N", "used"),
        ("P", "", "ignored: preliminary"),
        ("R", "EARLY", "ignored: preliminary"),
        ("X", "", "ignored: no-value"),
        ("X", "QUES", "ignored: no-value"),
        ("X", "NAV", "ignored: not-available"),
        ("R", "INV", "ignored: invalid"),
        ("X", "BUSY", "ignored: still-measuring"),
        ("R", "TEST", "ignored: test-data"),
        ("R", "DEMO", "ignored: test-data"),
        ("I", "", "ignored: pending"),
        ("U", "", "ignored: status-only"),
        ("F", ">", "refused"),
        ("Q", "", "refused"),
        ("", "", "refused"),
    ],
)
def test_what_a_status_and_a_flag_make_of_a_row(status: str, flags: str, fate: str) -> None:
    """Source: HL7 table 0085 and the flags of the personal health device guide; what is done with each is this project's."""
    said = report(row("sys", "142", status=status, flags=flags), row("dia", "91", status=status, flags=flags))
    assert said.counts() == {fate: 2}


def test_corrections_speak_only_of_what_they_say() -> None:
    (sitting,) = report(row("sys", "128", status="C")).sittings
    (keyed,) = sitting.readings
    assert (keyed.act, keyed.says, keyed.reading.systolic_mmhg) == ("correct", ("taken_at", "systolic_mmhg"), 128)
    (sitting,) = report(row("pulse", "", status="D")).sittings
    assert (sitting.readings[0].act, sitting.readings[0].says) == ("correct", ("pulse_per_min",))
    (sitting,) = report(row("sys", '""', status="W"), row("dia", '""', status="W")).sittings
    assert sitting.readings[0].act == "retract"


@pytest.mark.parametrize(
    ("measure", "kind", "value", "unit", "found"),
    [
        ("55284-4^BP^LN", "ST", "161/102", "mm[Hg]", (161, 102)),
        ("55284-4^BP^LN", "TX", "161 / 102 mmHg", "", (161, 102)),
        ("55284-4^BP^LN", "SN", "^161^/^102", "mmHg", (161, 102)),
        ("55284-4^BP^LN", "NA", "161^102", "mm[Hg]^^UCUM", (161, 102)),
        ("85354-9^Panel^LN", "ST", "161/102", "MMHG", (161, 102)),
        ("85354-9^Panel^LN", "ST", "161/102", "mm[Hg]^millimetres of mercury^UCUM", (161, 102)),
        ("X^local^L^55284-4^BP^LN", "ST", "161/102", "x^y^L^mm[Hg]^^UCUM", (161, 102)),
        ("55284-4^BP^LN", "ST", "21.5/13.6", "kPa", (161.26, 102.01)),
    ],
)
def test_packed_pressures_are_read_in_each_way_they_are_sent(
    measure: str, kind: str, value: str, unit: str, found: tuple[float, float]
) -> None:
    """Source: 1 mmHg is 133.322387415 Pa, so that 21.5 kPa are 161.26 mmHg."""
    (sitting,) = report(row(measure, value, kind=kind, unit=unit)).sittings
    reading = sitting.readings[0].reading
    assert (reading.systolic_mmhg, reading.diastolic_mmhg) == found


@pytest.mark.parametrize(
    ("broken", "code", "field"),
    [
        (row("sys", "142", unit=""), "unit-missing", 6),
        (row("sys", "142", unit="cm[H2O]"), "unknown-unit", 6),
        (row("sys", "142", unit="mm[Hg]^kPa^UCUM"), "unknown-unit", 6),
        (row("sys", "142", unit="266016^MDC_DIM_KILO_PASCAL^MDC"), "unknown-unit", 6),
        (row("sys", "high"), "not-a-number", 5),
        (row("sys", "1e2"), "not-a-number", 5),
        (row("sys", "142~144"), "several-values", 5),
        (row("sys", "142", kind="CE"), "value-type", 2),
        (row("sys", ">^180", kind="SN"), "off-scale", 5),
        (row("sys", ""), "missing", 5),
        (row("sys", '""'), "missing", 5),
        (row("sys", "401"), "out-of-range", 5),
        (row("sys", "-1"), "out-of-range", 5),
        (row("sys", "142.123"), "too-many-decimals", 5),
        (row("8480-6^Diastolic^LN", "142"), "code-name-mismatch", 3),
        (row("150017^MDC_PRESS_BLD_NONINV_SYS^MDC", "142"), "code-name-mismatch", 3),
        (row("150017^MDC_PRESS_BLD_SYS^MDC", "142"), "route-not-stated", 3),
        (row("96608-5^Systolic mean^LN", "142"), "mean-of-several", 3),
        (row("8480-6^Systolic", "142"), "coding-system-missing", 3),
        (row("SBP^Systolic BP^L", "142"), "unknown-code", 3),
        (row("8480-6^Systolic^LN^150022^MDC_PRESS_BLD_NONINV_DIA^MDC", "142"), "code-name-mismatch", 3),
    ],
)
def test_a_row_is_never_taken_on_a_guess(broken: str, code: str, field: int) -> None:
    said = report(broken, row("dia", "91"))
    assert said.rows[0].fault is not None and said.sittings == []
    assert (said.rows[0].fault.code, said.rows[0].fault.place) == (code, f"OBX[1]-{field}")


def test_readings_of_one_order_are_told_apart() -> None:
    said = report(*pair(142, 91, "1"), *pair(138, 88, "2"), row("pulse", "70", ""))
    assert len(said.sittings[0].readings) == 2
    early, late = "20260314070500+0000", "20260314070700+0000"
    said = report(*pair(142, 91, "", at=early), *pair(138, 88, "", at=late))
    assert [each.reading.systolic_mmhg for each in said.sittings[0].readings] == [142, 138]
    said = report(*pair(142, 91, ""), *pair(138, 88, ""))
    assert {each.reason for each in said.rows} == {"repeated-measure"} and said.sittings == []
    said = report(*pair(142, 91, ""), *pair(142, 91, ""))
    assert said.counts() == {"used": 2, "ignored: repeated": 2}


def test_the_bits_of_a_device_become_its_flags() -> None:
    """Source: bits of MDC 8410608, HL7's personal health device guide; how they are written, from memory."""
    bits = row("8410608^MDC_BLOOD_PRESSURE_MEASUREMENT_STATUS^MDC", "1^irregular-pulse(2)~0^x(0)", kind="CWE", unit="")
    (sitting,) = report(*pair(142, 91), bits).sittings
    assert sitting.readings[0].reading.device_flags == ["irregular-pulse"]


def test_training_messages_store_nothing() -> None:
    for processing in ("T", "D", "T^R"):
        said = report(*pair(142, 91), processing=processing)
        assert said.sittings == [] and said.counts() == {"ignored: test-data": 2}


@pytest.mark.parametrize(
    ("pid", "system", "value"),
    [
        ("PID|1||7^^^&2.999.41&ISO^MR", "urn:oid:2.999.41", "7"),
        ("PID|1||7^^^WESTWING^MR", "urn:example:westwing", "7"),
        ("PID|1||7^^^EAST WING^MR", "urn:quietcuff:authority:EAST%20WING", "7"),
        ("PID|1||9^^^VISIT^VN~7^^^WESTWING^MR", "urn:example:westwing", "7"),
        ("PID|1||9~7^^^WESTWING", "urn:example:westwing", "7"),
    ],
)
def test_a_person_is_known_by_number_and_authority(pid: str, system: str, value: str) -> None:
    (sitting,) = report(*pair(142, 91), pid=pid).sittings
    assert (sitting.subject.identifier.system, sitting.subject.identifier.value) == (system, value)


@pytest.mark.parametrize("pid", ["", "PID|1", "PID|1||7", "PID|1||^^^WESTWING", 'PID|1||""^^^WESTWING'])
def test_without_a_person_nothing_is_stored(pid: str) -> None:
    said = report(*pair(142, 91), pid=pid)
    assert said.sittings == [] and [(part.place, part.code) for part in said.refused] == [("PID[1]-3", "subject-missing")]


@pytest.mark.parametrize(
    ("how", "code"),
    [
        ({"head": "3.0"}, "unknown-version"),
        ({"processing": "X"}, "unknown-processing"),
        ({"control": ""}, "missing"),
    ],
)
def test_a_head_that_is_not_served_turns_the_message_away(how: dict[str, str], code: str) -> None:
    said = report(*pair(142, 91), **how)
    assert said.rejected is not None and said.rejected.code == code


def test_two_messages_in_one_body_are_not_mixed() -> None:
    said = read_report(message(*pair(142, 91)) * 2, LONDON)
    assert said.rejected is not None and said.rejected.code == "several-messages"


@pytest.mark.parametrize("body", [b"", b"\r\n", b"{}", b"MSH", b"MSH|^~\\", b"MSH|^^\\&|", b"MSHaBCDE", b"PID|1\rMSH|^~\\&|"])
def test_bytes_that_do_not_begin_as_a_message_are_not_readable(body: bytes) -> None:
    with pytest.raises(QuietcuffError):
        read_report(body, LONDON)


FIELD = st.sampled_from(["sys", "dia", "pulse", "map", "55284-4^BP^LN", "29463-7^Weight^LN", "528391^X^MDC", "SBP^systolic^L"])
ROWS = st.builds(
    row,
    FIELD,
    st.sampled_from(["142", "91", "", '""', "161/102", ">180", "x", "1~2", "18.4"]),
    st.sampled_from(["", "1", "2", "1.0.1.1", "1.0.1.2"]),
    kind=st.sampled_from(["NM", "ST", "SN", "CE", ""]),
    unit=st.sampled_from(["mm[Hg]", "kPa", "", "/min"]),
    status=st.sampled_from(["F", "R", "C", "D", "W", "X", "P", "Q", ""]),
    flags=st.sampled_from(["", "NAV", "TEST", "QUES"]),
    at=st.sampled_from(["", "20260314070500+0000", "20260314070600+0000", "2026"]),
)


@given(st.lists(ROWS, max_size=12), st.sampled_from(["", "PID|1||7^^^W^MR", "PID|1||7"]), st.booleans(), st.sampled_from("PTD"))
def test_every_row_is_used_ignored_or_refused(rows: list[str], pid: str, has_order: bool, processing: str) -> None:
    """Seen are as many as used, ignored with a reason and refused with a fault; each pressure used stands in one reading."""
    said = report(*rows, pid=pid, processing=processing, **({} if has_order else {"obr": ""}))
    fates = Counter(each.fate for each in said.rows)
    assert len(said.rows) == len(rows) == fates["used"] + fates["ignored"] + fates["refused"]
    assert all((each.fault is not None) == (each.fate == "refused") for each in said.rows)
    assert all(bool(each.reason) == (each.fate != "used") for each in said.rows)
    used = sum(len(kinds_of(each)) for each in said.rows if each.fate == "used" and each.action != "retract")
    readings = [keyed.reading for sitting in said.sittings for keyed in sitting.readings]
    assert used == sum(getattr(reading, name) is not None for reading in readings for name in FIELDS.values())
    assert len(readings) == len({keyed.source_key for sitting in said.sittings for keyed in sitting.readings})
    assert all(isinstance(number, Decimal) for each in said.rows for number in each.numbers)
    assert {part.code for part in said.refused} <= set(FAULT_CODES)


def mutated(chance: random.Random) -> bytes:
    """A message of the vectors with a few bytes changed, dropped, doubled or moved."""
    body = bytearray(chance.choice([*VECTORS.values(), MESSY]))
    for _ in range(chance.randint(1, 6)):
        start = chance.randrange(len(body))
        stop = min(len(body), start + chance.choice((1, 1, 2, 5, 40)))
        piece = bytes(body[start:stop])
        new = chance.choice((b"", bytes([chance.randrange(256)]), piece * 2, piece[::-1], b"|", b"^", b"\\", b"\r", b"\xff"))
        body[start:stop] = new
    return bytes(body)


def test_ten_thousand_mutated_messages_raise_nothing_but_the_own_errors() -> None:
    chance, read = random.Random(20260314), 0
    for _ in range(10_000):
        try:
            said = read_report(mutated(chance), LONDON)
        except QuietcuffError:
            continue
        read += 1
        assert all(each.fate != "refused" or each.fault is not None for each in said.rows)
    assert read > 8_000
