"""``quietcuff evaluate``: one set or NDJSON, for people or for programs."""

from __future__ import annotations

import gzip
import io
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec
import pytest
from rich.console import Console

from bodies import FIRST_READING, OPENED_SET, RICH_SET, changed
from core.recordings import START, ambulatory_body, by_hours, home_body, reading, recording
from quietcuff.cli import main
from quietcuff.core.evaluate import evaluate
from quietcuff.core.model.readings import ReadingSet
from quietcuff.decode.ndjson import MAX_BYTES, texts
from quietcuff.decode.sheet.table import MOST_BYTES
from quietcuff.report.many import row_of, show_many
from quietcuff.report.one import show
from quietcuff.rules.catalog import load_rulebook
from quietcuff.words.languages import load_languages

Write = Callable[[str | bytes], str]


@pytest.fixture
def write(tmp_path: Path) -> Write:
    def to_file(text: str | bytes) -> str:
        path = tmp_path / "sittings"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return str(path)

    return to_file


def four_readings() -> dict[str, Any]:
    sites = ["left-upper-arm", "right-upper-arm", "right-upper-arm", "right-upper-arm"]
    readings = [
        {**FIRST_READING, "taken_at": f"2026-05-04T09:0{n}:10+02:00", "site": site, "systolic_mmhg": 140 + 3 * n}
        for n, site in enumerate(sites)
    ]
    return {**OPENED_SET, "closed": True, "readings": readings}


def direct(body: dict[str, Any]) -> bytes:
    reading_set = msgspec.convert(body, ReadingSet)
    return msgspec.json.encode(evaluate(reading_set, reading_set.history, load_rulebook()))


def test_json_is_one_evaluation_a_line_and_the_bytes_of_the_core(write: Write, capsys: Any) -> None:
    bodies = [OPENED_SET, four_readings(), changed(RICH_SET, "/subject/arm_restrictions", [])]
    assert main(["evaluate", "--json", write("\n\n".join(map(json.dumps, bodies)) + "\n")]) == 0
    assert capsys.readouterr().out.encode().splitlines() == [direct(body) for body in bodies]


def test_one_set_may_be_written_over_many_lines(write: Write, capsys: Any) -> None:
    assert main(["evaluate", "--json", write(json.dumps(OPENED_SET, indent=2))]) == 0
    assert capsys.readouterr().out.encode().splitlines() == [direct(OPENED_SET)]


def test_a_bad_line_is_reported_with_its_faults_and_the_others_are_evaluated(write: Write, capsys: Any) -> None:
    bad = changed(changed(OPENED_SET, "/setting", "street"), "/colour", "red")
    unknown = changed(OPENED_SET, "/protocol", "nobody-has-this")
    lines = [json.dumps(OPENED_SET), json.dumps(bad), "{broken}", json.dumps(unknown), json.dumps(OPENED_SET)]
    assert main(["evaluate", "--json", write("\n".join(lines))]) == 1
    told = capsys.readouterr()
    assert told.out.encode().splitlines() == [direct(OPENED_SET)] * 2
    for words in ("Line 2", "/colour", "/setting", "Line 3", "not-json", "Line 4", "/protocol"):
        assert words in told.err
    assert "street" not in told.err and "red" not in told.err.replace("required", "")


def test_a_person_is_told_what_counted_why_not_the_result_and_what_is_next(write: Write, capsys: Any) -> None:
    assert main(["evaluate", write(json.dumps(four_readings()))]) == 0
    told = " ".join(capsys.readouterr().out.split())
    for words in (
        "Sitting: p-0001, 4 May 2026, 09:00",
        "Does not count: in the other arm.",
        "Does not count: earlier than the last two.",
        "Counts.",
        "148/88 mmHg",
        "Stage 2",
        "How sure",
        "Do now",
        "Also noticed",
        "Not asked or not recorded",
        "For the person This time your blood pressure was 148/88 mmHg.",
        "Please note",
    ):
        assert words in told.replace("\u00a0", " "), words
    assert "other-arm" not in told and "_" not in told


def sittings() -> list[dict[str, Any]]:
    """Three sittings: an ordinary one, one that is severe, and one with a fault of known size."""
    ordinary, severe, hurried = four_readings(), four_readings(), four_readings()
    for each in severe["readings"]:
        each.update(systolic_mmhg=192)
    severe["context"] = {**severe.get("context", {}), "acute_symptoms": "yes"}
    hurried["context"] = {**hurried.get("context", {}), "legs_crossed": "yes"}
    for name, body in (("ordinary", ordinary), ("severe", severe), ("hurried", hurried)):
        body["subject"] = {**body["subject"], "identifier": {"system": "urn:x", "value": name}}
    return [ordinary, severe, hurried]


def test_many_sittings_are_one_table_severe_first_with_habits_and_cautions_once(write: Write, capsys: Any) -> None:
    assert main(["evaluate", write("\n".join(map(json.dumps, sittings())))]) == 0
    told = capsys.readouterr().out.replace("\u00a0", " ")
    assert "\x1b" not in told and max(map(len, told.splitlines())) <= 80
    rows = [line for line in told.splitlines() if line.startswith(("ordinary", "severe", "hurried"))]
    assert [row.split()[0] for row in rows] == ["severe", "ordinary", "hurried"]
    flat = " ".join(told.split())
    for words in (
        "4 May 2026",
        "148/88 mmHg",
        "urgent",
        "legs crossed: 1 of 3",
        "3 sittings, 2 with a result, 1 severe or urgent",
    ):
        assert words in flat, words
    assert flat.count("Never change treatment on this alone.") == 1
    assert "legs-crossed" not in flat


@pytest.mark.parametrize("columns", [80, 120, 200])
def test_the_table_fits_the_terminal(columns: int, write: Write, capsys: Any, monkeypatch: Any) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))
    assert main(["evaluate", "--lang", "de", write("\n".join(map(json.dumps, sittings())))]) == 0
    told = capsys.readouterr().out
    assert max(map(len, told.splitlines())) <= columns
    assert "Hauptfehler" in told and "Wie sicher" in told and "4.5.2026" in told


def test_each_sitting_is_told_in_full_where_details_are_asked_for(write: Write, capsys: Any) -> None:
    assert main(["evaluate", "--details", write("\n".join(map(json.dumps, sittings())))]) == 0
    told = capsys.readouterr().out
    assert told.count("For the person") == 3 and "Main fault" not in told
    assert "Legs crossed: systolic too high by about 2 to 15" in " ".join(told.split()).replace("\u00a0", " ")


def test_a_sheet_is_written_in_the_language_asked_for(write: Write, capsys: Any) -> None:
    assert main(["evaluate", "--sheet", "text", "--lang", "es", write(json.dumps(four_readings()))]) == 0
    told = capsys.readouterr().out
    assert told.startswith("Registro de presión arterial") and "brazo derecho" in told and "n-17" in told


def test_a_failed_attempt_and_a_safety_warning_are_told(write: Write, capsys: Any) -> None:
    body = four_readings()
    body["readings"][3] = {"taken_at": "2026-05-04T09:03:10+02:00", "device_flags": ["measurement-failed"]}
    body["readings"][2]["systolic_mmhg"] = 190
    main(["evaluate", write(json.dumps(body))])
    told = capsys.readouterr().out
    assert "failed" in told and "severe reading" in told


def test_the_record_sheet_is_written_as_text_for_each_sitting(write: Write, capsys: Any) -> None:
    assert main(["evaluate", "--sheet", "text", write("\n".join(map(json.dumps, [four_readings(), OPENED_SET])))]) == 0
    told = capsys.readouterr().out
    assert told.count("Record of blood pressure\n===") == 2 and told.count("OPEN: ") == 1
    for words in (
        "p-0001",
        "n-17",
        "149/88",
        "no: in the other arm",
        "adult, 27 to 34 cm",
        "Not recorded: caffeine",
        "Next step: ",
    ):
        assert words in told


def test_the_record_sheet_is_written_as_a_page(write: Write, capsys: Any) -> None:
    assert main(["evaluate", "--sheet", "html", write(json.dumps(four_readings()))]) == 0
    told = capsys.readouterr().out
    assert told.startswith("<!doctype html>") and told.endswith("</html>\n")
    assert told.count("<tr>") == 5 and "<td>149/88</td>" in told and "<script" not in told and "http" not in told


def test_another_kind_of_sheet_is_refused(write: Write, capsys: Any) -> None:
    with pytest.raises(SystemExit, match="2"):
        main(["evaluate", "--sheet", "pdf", write(json.dumps(four_readings()))])
    assert "html" in capsys.readouterr().err


def test_a_series_a_test_of_standing_and_a_child_are_told_in_their_own_words(write: Write, capsys: Any) -> None:
    recorded = ambulatory_body(recording(by_hours((138, 86), (120, 72))))
    upright = {"position": "standing", "stood_at": "2026-05-04T09:00:00+02:00"}
    standing = home_body(
        [
            reading(START.replace(hour=9), (138, 84), position="supine"),
            reading(START.replace(hour=9, minute=3), (116, 78), **upright),
        ],
        setting="office",
        protocol="orthostatic-standing",
        guidelines=["orthostatic-2011"],
    )
    rows = [reading(START.replace(hour=9, minute=minute), (117, 70)) for minute in range(3)]
    child = {
        "subject": {
            "identifier": {"system": "urn:x", "value": "c"},
            "birth_date": "2018-05-04",
            "sex": "male",
            "height_cm": 127.9,
        },
        "readings": rows,
    }
    assert main(["evaluate", "--details", write("\n".join(map(json.dumps, [recorded, standing, child])))]) == 0
    told = " ".join(capsys.readouterr().out.split()).replace("\u00a0", " ")
    for words in (
        "64 readings on 2 days",
        "night 120/72 (mean of 10)",
        "falls by night by 13.04 % (usual fall)",
        "05-04 23:30",
        "lower by 22/6 at 3 min",
    ):
        assert words in told
    assert "z 0.00 (nhbpep-2004-pressure" in told


@pytest.mark.parametrize("text", ["", "\n \n"])
def test_a_file_without_a_set_fails(text: str, write: Write, capsys: Any) -> None:
    assert main(["evaluate", write(text)]) == 1
    assert "no reading set" in capsys.readouterr().err


def test_a_row_that_stands_first_because_of_a_question_says_the_question(
    write: Write, capsys: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A raised result of somebody who may be pregnant: lower limits would hold."""
    monkeypatch.setenv("COLUMNS", "150")
    raised = {**FIRST_READING, "systolic_mmhg": 164, "diastolic_mmhg": 108}
    asked = {
        **OPENED_SET,
        "subject": {
            "sex": "female",
            "birth_date": "1995-01-01",
            "identifier": {"system": "urn:example:mrn", "value": "p-asked"},
        },
        "readings": [raised, {**raised, "taken_at": "2026-05-04T09:05:00+02:00"}],
        "closed": True,
    }
    assert main(["evaluate", write("\n".join(json.dumps(body) for body in (OPENED_SET, asked)))]) == 0
    rows = [line for line in capsys.readouterr().out.splitlines() if line.startswith("p-")]
    assert [row.split()[0] for row in rows] == ["p-asked", "p-0001"]
    assert rows[0].rstrip().endswith("Ask: pregnancy")


def test_a_compressed_file_is_unpacked_a_sheet_too(tmp_path: Path, capsys: Any) -> None:
    sheet = Path(__file__).parents[2] / "docs/examples/readings.csv"
    assert main(["evaluate", str(sheet), "--zone", "Europe/Vienna", "--json"]) == 0
    plain = capsys.readouterr().out
    packed = tmp_path / "readings.csv.gz"
    packed.write_bytes(gzip.compress(sheet.read_bytes()))
    assert main(["evaluate", str(packed), "--zone", "Europe/Vienna", "--json"]) == 0
    assert capsys.readouterr().out == plain != ""
    lines = tmp_path / "sets.ndjson.gz"
    lines.write_bytes(gzip.compress(json.dumps(OPENED_SET).encode()))
    assert main(["evaluate", str(lines), "--json"]) == 0
    for raw in (packed.read_bytes()[:-20], b"not packed"):
        packed.write_bytes(raw)
        assert main(["evaluate", str(packed), "--zone", "Europe/Vienna"]) == 1
        assert "not-gzip" in capsys.readouterr().err


def test_a_small_sheet_that_unpacks_to_much_is_read_no_further_than_its_limit(tmp_path: Path, capsys: Any) -> None:
    """Not to its end, which is cut off here and would be told."""
    sheet = tmp_path / "readings.csv.gz"
    sheet.write_bytes(gzip.compress(b"x" * (MOST_BYTES + 1024 * 1024))[:-100])
    assert sheet.stat().st_size < 50_000
    assert main(["evaluate", str(sheet), "--zone", "Europe/Vienna"]) == 1
    told = capsys.readouterr().err
    assert ("body-too-large" in told, "not-gzip" in told) == (True, False)


def test_a_small_line_that_unpacks_to_much_is_refused_and_the_next_one_evaluated(tmp_path: Path, capsys: Any) -> None:
    lines = tmp_path / "sets.NDJSON.GZ"
    line = json.dumps(OPENED_SET).encode()
    lines.write_bytes(gzip.compress(line + b"\n{" + b" " * (4 * MAX_BYTES) + b"}\n" + line))
    assert lines.stat().st_size < 5_000
    assert main(["evaluate", str(lines), "--json"]) == 1
    told = capsys.readouterr()
    assert (told.out.encode().splitlines(), "body-too-large" in told.err) == ([direct(OPENED_SET)] * 2, True)


def test_a_missing_file_is_named(tmp_path: Path, capsys: Any) -> None:
    assert main(["evaluate", str(tmp_path / "nowhere")]) == 1
    assert "nowhere" in capsys.readouterr().err.replace("\n", "")


@pytest.mark.parametrize("raw", [b"\xff\n", b"[" * 5000, b"{" + b" " * MAX_BYTES + b"}", b"null", b'{"a":\xff}\n{}'])
def test_hostile_bytes_are_refused_without_a_trace(raw: bytes, write: Write, capsys: Any) -> None:
    assert main(["evaluate", write(raw)]) == 1
    assert "Traceback" not in capsys.readouterr().err


def test_a_line_that_is_too_long_does_not_hide_the_next(write: Write, capsys: Any) -> None:
    line = json.dumps(OPENED_SET)
    assert main(["evaluate", "--json", write(f"{line}\n{{{' ' * 700_000}}}\n{line}\n")]) == 1
    told = capsys.readouterr()
    assert told.out.encode().splitlines() == [direct(OPENED_SET)] * 2
    assert "body-too-large" in told.err and "Line 2" in told.err


@pytest.mark.parametrize(
    ("raw", "expected"),
    [
        (b'{"a":1}\n\n{"b":2}\n', [(1, b'{"a":1}'), (3, b'{"b":2}')]),
        (b'\n\n{"a":1}', [(3, b'{"a":1}')]),
        (b'{"a":1}\r\nx\n', [(1, b'{"a":1}'), (2, b"x")]),
        (b'{\n"a": 1\n}\n', [(1, b'{\n"a": 1\n}\n')]),
        (b"", []),
    ],
)
def test_lines_are_told_apart_and_numbered(raw: bytes, expected: list[tuple[int, bytes]]) -> None:
    assert list(texts(io.BytesIO(raw))) == expected


def test_no_value_is_told_in_green_and_what_is_severe_stands_out() -> None:
    rulebook, told = load_rulebook(), {}
    speaker = load_languages(rulebook).speaker("en")
    for systolic in (120, 186):
        readings = [{**each, "systolic_mmhg": systolic} for each in four_readings()["readings"][1:]]
        body = {**OPENED_SET, "closed": True, "visit": "follow-up", "readings": readings}
        reading_set = msgspec.convert(body, ReadingSet)
        console = Console(width=100, force_terminal=True, color_system="standard", file=io.StringIO())
        show(console, speaker, reading_set, evaluate(reading_set, None, rulebook))
        told[systolic] = next(
            line for line in console.file.getvalue().splitlines() if f"{systolic}/" in line and "mean of" in line
        )
        assert "\x1b[32m" not in told[systolic] and "\x1b[1;32m" not in told[systolic]
    assert "\x1b[1;31m186/" in told[186]


def test_severe_rows_of_the_table_are_red_and_others_are_not() -> None:
    rulebook = load_rulebook()
    speaker = load_languages(rulebook).speaker("en")
    lines = []
    for body in sittings():
        reading_set = msgspec.convert(body, ReadingSet)
        lines.append(row_of(speaker, reading_set, evaluate(reading_set, None, rulebook)))
    console = Console(width=120, force_terminal=True, color_system="standard", file=io.StringIO())
    show_many(console, speaker, lines)
    told = console.file.getvalue().splitlines()
    severe, ordinary = (next(line for line in told if name in line and "4 May" in line) for name in ("severe", "ordinary"))
    assert "\x1b[31m" in severe and "\x1b[31m" not in ordinary


SHEET = """Person;Datum und Uhrzeit;Systolisch (mmHg);Diastolisch (mmHg);Messort;Lage
p-1;04.05.2026 09:00;156;92;linker Oberarm;sitzend
p-1;04.05.2026 09:01:10;139;84,5;linker Oberarm;sitzend
p-1;04.05.2026 09:02:20;136;83;linker Oberarm;sitzend
p-2;04.05.2026 10:00;121;hoch;linker Oberarm;sitzend
"""


def test_a_sheet_is_evaluated_and_its_faults_are_told_by_row_and_column(tmp_path: Path, capsys: Any) -> None:
    path = tmp_path / "day.csv"
    path.write_text(SHEET, encoding="utf-8-sig")
    stated = ["--zone", "Europe/Vienna", "--dates", "day-month-year"]
    assert main(["evaluate", "--json", str(path), *stated]) == 1
    told = capsys.readouterr()
    (evaluation,) = [json.loads(line) for line in told.out.splitlines()]
    # The means of the second and third reading, rounded down as the rules of the README's sitting have it.
    assert [evaluation["result"][name] for name in ("systolic_mmhg", "diastolic_mmhg")] == [138, 84]
    assert "row 5, column D" in told.err and "wrong-type" in told.err and "hoch" not in told.err
    assert main(["evaluate", str(path)]) == 1
    told = capsys.readouterr()
    assert told.out == "" and told.err.count("not-a-time") == 1 and "rows 2 to 5, column B" in told.err
    assert main(["evaluate", str(path), *stated, "--same", "setting=home", "--same", "colour=red"]) == 1
    assert "--same" in capsys.readouterr().err


def test_a_sheet_that_is_none_is_refused_as_a_whole(write: Write, capsys: Any) -> None:
    assert main(["evaluate", "--csv", write("person,colour\np-1,red\n")]) == 1
    told = capsys.readouterr().err
    for words in ("The sheet cannot be read", "row 1, column B (colour)", "unknown-column", "taken_at"):
        assert words in told
