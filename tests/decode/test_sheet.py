"""Sheets of readings saved as CSV: the same sittings as JSON would say, or every fault by row and column. All invented."""

from __future__ import annotations

from typing import Any

import msgspec
import pytest

from quietcuff.core.model.errors import Fault, NotAcceptable, NotReadable
from quietcuff.core.model.readings import Reading, ReadingSet
from quietcuff.decode.sheet.columns import COLUMNS, kind_of
from quietcuff.decode.sheet.options import SheetOptions, options_of, read_options
from quietcuff.decode.sheet.sheet import MOST_FAULTS, SheetSitting, SheetWords, read_sheet
from quietcuff.decode.sheet.table import MOST_BYTES, MOST_ROWS
from quietcuff.rules.catalog import load_rulebook
from quietcuff.words.languages import load_languages
from quietcuff.words.sheet_words import plain_headers, plain_values, title_of

RULEBOOK = load_rulebook()
LANGUAGES = load_languages(RULEBOOK)
WORDS = SheetWords(headers=plain_headers(LANGUAGES, list(COLUMNS)), codes=plain_values(LANGUAGES))
SAME = {"person_system": "urn:example:person"}
HEAD = "person,taken_at,systolic_mmhg,diastolic_mmhg"
AT = "2026-05-04T09:00:00+02:00"


def sittings(sheet: str | bytes, **options: Any) -> list[SheetSitting]:
    told = options_of({"same": SAME, **options})
    return read_sheet(sheet if isinstance(sheet, bytes) else sheet.encode(), told, WORDS, RULEBOOK.limits)


def bodies(sheet: str | bytes, **options: Any) -> list[dict[str, Any]]:
    """What each sitting says, as it is read at the door, without what nobody said."""
    read = [each.read(None) for each in sittings(sheet, **options)]
    assert len(read) == len(sittings(sheet, **options))
    return [msgspec.json.decode(each.text) for each in sittings(sheet, **options)]


def faults(sheet: str | bytes, **options: Any) -> list[tuple[int | None, str | None, str]]:
    """Every fault of a sheet, of the whole or of its sittings: row, column, code."""
    found: list[Fault] = []
    try:
        for sitting in sittings(sheet, **options):
            try:
                sitting.read(None)
            except NotAcceptable as error:
                found += error.faults
    except NotAcceptable as error:
        found = error.faults
    except NotReadable as error:
        found = [error.fault]
    assert all(fault.detail for fault in found)
    return [(fault.row, fault.column, fault.code) for fault in found]


def test_rows_become_the_sitting_that_json_would_say() -> None:
    sheet = (
        "sitting,sitting_system,person,taken_at,systolic_mmhg,diastolic_mmhg,pulse_per_min,site,rest_minutes,cuff_from_cm,cuff_to_cm,"
        "restricted_arm,restriction_reason,device_validated_for,setting\n"
        f"v-1,urn:example:visit,p-1,{AT},136,83,74,left-upper-arm,5,22,32,right,wound,adults|children,office\n"
        "v-1,urn:example:visit,p-1,2026-05-04T09:01:10+02:00,138.5,84,,,,,,,,,\n"
    )
    assert bodies(sheet) == [
        {
            "identifier": {"value": "v-1", "system": "urn:example:visit"},
            "subject": {
                "identifier": {"value": "p-1", "system": "urn:example:person"},
                "arm_restrictions": [{"arm": "right", "reason": "wound"}],
            },
            "context": {"rest_minutes": 5},
            "cuff": {"range_cm": [22, 32]},
            "device": {"validated_for": ["adults", "children"]},
            "setting": "office",
            "readings": [
                {"taken_at": AT, "systolic_mmhg": 136, "diastolic_mmhg": 83, "pulse_per_min": 74, "site": "left-upper-arm"},
                {"taken_at": "2026-05-04T09:01:10+02:00", "systolic_mmhg": 138.5, "diastolic_mmhg": 84},
            ],
        }
    ]


def test_headers_and_cells_may_be_plain_words_of_any_language() -> None:
    for code, speaker in LANGUAGES.speakers.items():
        titles = [
            title_of(speaker.language, name) for name in ("person", "taken_at", "systolic_mmhg", "diastolic_mmhg", "site")
        ]
        row = ["p-1", AT, "136", "83", speaker.language.value["left-upper-arm"].upper()]
        (body,) = bodies("\t".join(map(str, titles)) + "\n" + "\t".join(row) + "\n")
        assert body["readings"][0]["site"] == "left-upper-arm", code


def test_every_column_has_plain_words_in_each_language_and_none_stands_for_two() -> None:
    for speaker in LANGUAGES.speakers.values():
        titles = {name: title_of(speaker.language, name) for name in COLUMNS}
        assert None not in titles.values()
        assert {title: WORDS.headers.get(title or "") for title in titles.values()} == {
            title: name for name, title in titles.items()
        }


@pytest.mark.parametrize(
    "sheet",
    [
        f"{HEAD}\np-1,{AT},136,83\n",
        f"{HEAD}\r\np-1,{AT},136,83\r\n",
        f"\ufeff{HEAD}\np-1,{AT},136,83",
        f"sep=;\r\n{HEAD.replace(',', ';')}\r\np-1;{AT};136,0;83\r\n",
        f"{HEAD.replace(',', ';')}\np-1;{AT};136,0;83\n;;;\n",
        f'# Each row, "one" reading; any order,\n# more\n\n{HEAD}\n\np-1,{AT},136,"83"\n',
        f"{HEAD},,\np-1,{AT},136,83,,\n",
        "Person,Date,Time,Blood pressure (mmHg)\np-1,2026-05-04,09:00+0200,136/83\n",
        f"{HEAD}\np-1,{AT},136,83\n".encode("utf-16"),
    ],
)
def test_a_sheet_is_read_however_it_was_saved(sheet: str | bytes) -> None:
    """RFC 4180 for quotation marks and line ends; the rest as spreadsheet programs save it: common practice."""
    (sitting,) = sittings(sheet)
    reading = sitting.read(None).readings[0]
    assert (reading.taken_at.isoformat(), reading.systolic_mmhg, reading.diastolic_mmhg) == (AT, 136, 83)


def test_a_quoted_cell_may_hold_lines_and_separators_and_rows_are_counted_as_shown() -> None:
    sheet = f'person,taken_at,systolic_mmhg,diastolic_mmhg,Note\np-1,{AT},136,83,"two\nlines, and ""more"""\np-2,{AT},x,83,\n'
    assert faults(sheet, ignore=["note"]) == [(3, "C (systolic_mmhg)", "wrong-type")]


def test_local_times_are_placed_in_the_stated_zone_and_never_guessed() -> None:
    """Clocks in the European Union change on the last Sundays of March and October at 01:00 UTC: Directive 2000/84/EC."""
    sheet = HEAD + "\np-1,2026-03-28 09:00,136,83\np-1,2026-03-30 09:00:30,136,83\n"
    times = [body["readings"][0]["taken_at"] for body in bodies(sheet, zone="Europe/Vienna")]
    assert times == ["2026-03-28T09:00:00+01:00", "2026-03-30T09:00:30+02:00"]
    assert faults(sheet) == [(2, "B (taken_at)", "zone-missing"), (3, "B (taken_at)", "zone-missing")]
    changes = HEAD + "\np-1,2026-03-29 02:30,136,83\np-2,2026-10-25 02:30,136,83\n"
    assert [code for _, _, code in faults(changes, zone="Europe/Vienna")] == ["not-a-time", "hour-unclear"]


@pytest.mark.parametrize(
    ("text", "dates", "day"),
    [
        ("04.05.2026 09:00", "day-month-year", "2026-05-04"),
        ("04/05/2026 9:00 AM", "month-day-year", "2026-04-05"),
        ("2026-05-04T09:00", "month-day-year", "2026-05-04"),
        ("04.05.2026 09:00", "year-month-day", None),
        ("04.05.26 09:00", "day-month-year", None),
        ("31.04.2026 09:00", "day-month-year", None),
        ("46146.375", "day-month-year", None),
    ],
)
def test_the_order_of_a_date_is_stated(text: str, dates: str, day: str | None) -> None:
    sheet = f"{HEAD}\np-1,{text},136,83\n"
    if day is None:
        assert faults(sheet, dates=dates, zone="UTC") == [(2, "B (taken_at)", "not-a-time")]
    else:
        assert bodies(sheet, dates=dates, zone="UTC")[0]["readings"][0]["taken_at"] == f"{day}T09:00:00+00:00"


def test_a_pressure_has_a_stated_unit() -> None:
    """17.3 kPa are 129.76 mmHg: 1 mmHg is 133.322387415 Pa, ISO 80000-4."""
    asked = {"systolic_mmhg": 129.76, "diastolic_mmhg": 82.51}
    for header, row in (("systolic_kpa,Diastolic (kPa)", "17.3,11"), ("Systolic,Diastolic,Unit", "17.3,11,kPa")):
        (body,) = bodies(f"person,taken_at,{header}\np-1,{AT},{row}\n")
        assert {name: body["readings"][0][name] for name in asked} == asked
    assert bodies(f"person;taken_at;Blood pressure\np-1;{AT};17,3/11\n", same={**SAME, "unit": "kPa"})[0]["readings"] == [
        {"taken_at": AT, **asked}
    ]
    unstated = f"person,taken_at,Systolic,Diastolic,Unit\np-1,{AT},136,83,\np-2,{AT},136,83,cmH2O\n"
    assert [code for _, _, code in faults(unstated)] == ["unit-missing", "unit-missing", "unknown-unit"]


def test_rows_without_a_sitting_come_together_by_person_and_gap() -> None:
    """At most 30 minutes between two readings of a sitting: ``sitting_gap_minutes`` of limits.toml, a project decision."""
    assert RULEBOOK.limits.sitting_gap_minutes == 30
    times = ["09:00", "10:02", "09:30", "09:31"]
    rows = [f"p-1,2026-05-04 {time},136,83" for time in times] + ["p-2,2026-05-04 09:10,120,80"]
    read = bodies("\n".join([HEAD, *rows]), zone="UTC")
    assert [[reading["taken_at"][11:16] for reading in body["readings"]] for body in read] == [
        ["09:00", "09:30", "09:31"],
        ["09:10"],
        ["10:02"],
    ]


def test_a_header_that_is_not_known_is_a_fault_until_it_is_ignored() -> None:
    sheet = f"{HEAD},colour\np-1,{AT},136,83,red\n"
    assert faults(sheet) == [(1, "E (colour)", "unknown-column")]
    assert "colour" not in str(bodies(sheet, ignore=["Colour"]))
    assert faults(f"{HEAD},systolic_kpa,\np-1,{AT},136,83,18,9\n") == [
        (1, "E (systolic_kpa)", "repeated-column"),
        (1, "F", "missing"),
    ]
    assert [code for _, _, code in faults("Systolic\n136\n")] == ["missing", "missing", "unit-missing"]


def test_every_fault_is_told_at_once_by_row_and_column() -> None:
    sheet = (
        f"{HEAD},pulse,site,known_hypertension\n"
        f"p-1,{AT},about 140,92,84,left-upper-arm,yes\n"
        "p-1,2026-05-04T09:01:00+02:00,420,84.123,1e2,knee,no\n"
        f"p-2,{AT},,83,=A1,#N/A,maybe\n"
        f"p-3,{AT},136\n"
        f"{HEAD},pulse,site,known_hypertension\n"
    )
    assert faults(sheet) == [
        (2, "C (systolic_mmhg)", "wrong-type"),
        (3, "C (systolic_mmhg)", "out-of-range"),
        (3, "D (diastolic_mmhg)", "too-many-decimals"),
        (3, "E (pulse)", "wrong-type"),
        (3, "F (site)", "unknown-code"),
        (3, "G (known_hypertension)", "differs-in-sitting"),
        (4, "C (systolic_mmhg)", "one-pressure-missing"),
        (4, "E (pulse)", "formula"),
        (4, "F (site)", "formula"),
        (4, "G (known_hypertension)", "unknown-code"),
        (5, None, "ragged-row"),
        (6, None, "repeated-header"),
    ]


def test_no_fault_quotes_a_cell() -> None:
    sheet = f"{HEAD},site\np-secret,secret,secret,=secret,secret\n"
    with pytest.raises(NotAcceptable) as refused:
        sittings(sheet)[0].read(None)
    assert "secret" not in str(refused.value.faults)


def test_a_row_that_nobody_can_place_stops_what_it_might_belong_to() -> None:
    """Read without it, a sitting would be stored short, and again once the row was mended."""
    sheet = f"{HEAD}\np-1,{AT},136,83\np-1,nine,138,84\np-2,{AT},120,80\n"
    told = [(each.number, sorted(fault.code for fault in each.faults.values())) for each in sittings(sheet)]
    assert told == [(2, ["held-back"]), (4, []), (3, ["not-a-time"])]
    assert faults(f"{HEAD}\n,{AT},136,83\np-2,{AT},120,80\n") == [(2, "A (person)", "missing")]


def test_a_sitting_has_one_person() -> None:
    sheet = f"sitting,{HEAD}\nv-1,p-1,{AT},136,83\nv-1,p-2,{AT},136,83\n"
    assert faults(sheet) == [(3, "B (person)", "other-person")]


def test_a_cuff_that_changed_is_said_of_its_readings() -> None:
    sheet = f"sitting,{HEAD},cuff_size\nv-1,p-1,{AT},136,83,adult\nv-1,p-1,{AT},136,83,large\nv-1,p-1,{AT},136,83,\n"
    (body,) = bodies(sheet)
    assert "cuff" not in body
    assert [reading.get("cuff") for reading in body["readings"]] == [{"size": "adult"}, {"size": "large"}, None]


def test_a_mapping_says_what_a_clinic_calls_things() -> None:
    mapping = b"""
    zone = "Europe/Vienna"
    dates = "day-month-year"
    ignore = ["Remarks"]
    [columns]
    "Pat No" = "person"
    When = "taken_at"
    "RR" = "pressure"
    Arm = "site"
    [same]
    person_system = "urn:example:person"
    unit = "mmHg"
    [values.site]
    LA = "left-upper-arm"
    """
    options = read_options(mapping, "toml")
    assert options == read_options(msgspec.json.encode(options), "json")
    sheet = b"Pat No;When;RR;Arm;Remarks\n12;4.5.2026 9:00;136/83;la;none\n"
    (sitting,) = read_sheet(sheet, options, WORDS, RULEBOOK.limits)
    reading = sitting.read(None).readings[0]
    assert (reading.systolic_mmhg, reading.site, reading.taken_at.isoformat()) == (136, "left-upper-arm", AT)


@pytest.mark.parametrize(
    ("mapping", "pointer"),
    [
        (b'zone = "Vienna"', "/zone"),
        (b'zone = "../../etc/passwd"', "/zone"),
        (b'[columns]\nArm = "arm"', "/columns"),
        (b'dates = "dmy"', "/dates"),
        (b"colour = 1", "/colour"),
        (b"= 1", ""),
    ],
)
def test_a_mapping_that_says_what_is_not_is_refused(mapping: bytes, pointer: str) -> None:
    with pytest.raises(NotAcceptable) as refused:
        read_options(mapping, "toml")
    assert [fault.pointer for fault in refused.value.faults] == [pointer]


@pytest.mark.parametrize(
    ("sheet", "code", "row"),
    [
        (b"", "empty-body", None),
        (b"\n\n# only words\n", "empty-body", None),
        (f"{HEAD}\np-1,{AT},136,83\np-\xe9,x".encode("latin-1"), "not-utf-8", 3),
        (f'{HEAD}\np-1,"{AT},136,83\n'.encode(), "not-csv", 2),
        (f'{HEAD}\np-1,"{AT}"x,136,83\n'.encode(), "not-csv", 2),
        (b"PK\x03\x04\x00\x00", "not-csv", 1),
        (b"x" * (MOST_BYTES + 1), "body-too-large", None),
        (b"person\n" + b"1\n" * (MOST_ROWS + 1), "body-too-large", None),
    ],
    ids=["empty", "words", "latin-1", "open quote", "after quote", "workbook", "bytes", "rows"],
)
def test_what_is_no_sheet_is_refused_as_a_whole(sheet: bytes, code: str, row: int | None) -> None:
    assert faults(sheet) == [(row, None, code)]


def test_a_thousand_faults_are_told_and_the_rest_is_counted() -> None:
    rows = "".join(f",{AT},x,y\n" for _ in range(600))
    found = faults(HEAD + "\n" + rows)
    assert len(found) == MOST_FAULTS + 1
    assert found[-1] == (None, None, "more-faults")


def test_every_field_of_a_reading_set_has_a_column_or_is_known_to_have_none() -> None:
    """A new field of the model is to be decided about here. What has none needs more than one row of cells."""
    reached = {".".join(str(step) for step in column.path[:1]) for column in COLUMNS.values() if column.part != "row"} - {""}
    none = {"history", "sleep", "replaces", "replaced_by", "readings", "intake"}
    assert reached | none == set(ReadingSet.__struct_fields__)
    in_rows = {column.path[0] for column in COLUMNS.values() if column.part in ("row", "either")}
    assert in_rows == set(Reading.__struct_fields__)
    assert all(kind_of(name) is not None for name, column in COLUMNS.items() if column.path)


def test_the_same_bytes_give_the_same_sittings() -> None:
    sheet = f"{HEAD}\np-1,{AT},136,83\np-2,{AT},136,83\n"
    assert [each.text for each in sittings(sheet)] == [each.text for each in sittings(sheet)]
    assert SheetOptions() == options_of({})
