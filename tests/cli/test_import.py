"""``quietcuff import``: a file of sittings straight into the database, stopped anywhere and run again."""

from __future__ import annotations

import asyncio
import gzip
import io
import json
import random
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from api.serving import new_key, serving
from application.clinic import Body, first_visit, on_day, sitting
from databases import SqliteFiles
from quietcuff.cli import main
from quietcuff.cli.support.input_file import InputFile
from quietcuff.cli.support.progress import LineProgress
from quietcuff.core.model.errors import Busy
from quietcuff.storage.engine.store import Store, open_store

COMMAND = [sys.executable, "-m", "quietcuff", "import"]


@pytest.fixture(autouse=True)
def own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each test in a folder of its own."""
    monkeypatch.chdir(tmp_path)


@pytest.fixture
def clinic_url(database_url: str, monkeypatch: pytest.MonkeyPatch) -> str:
    """A database of either kind, with the tenant ``clinic``, that the environment names."""
    return use(database_url, monkeypatch)


@pytest.fixture
def clinic_file(sqlite_url: str, monkeypatch: pytest.MonkeyPatch) -> str:
    """The same in a SQLite file."""
    return use(sqlite_url, monkeypatch)


def use(url: str, monkeypatch: pytest.MonkeyPatch) -> str:
    monkeypatch.setenv("QUIETCUFF_DATABASE_URL", url)
    new_key(url)
    return url


def bodies(count: int, people: int = 40) -> list[Body]:
    """Sittings of several people, everybody's first before anybody's second."""
    return [
        sitting(
            on_day(first_visit(), f"2026-{1 + number // people:02}-11"),
            person=f"p-{number % people}",
            visit=None,
            identifier={"system": "urn:example:visit", "value": f"n-{number}"},
        )
        for number in range(count)
    ]


def write(path: Path, lines: list[Body | bytes]) -> Path:
    raw = b"".join((line if isinstance(line, bytes) else json.dumps(line).encode()) + b"\n" for line in lines)
    path.write_bytes(gzip.compress(raw) if path.suffix == ".gz" else raw)
    return path


def run(*arguments: str | Path) -> int:
    return main(["import", "--tenant", "clinic", *map(str, arguments)])


def read(url: str, statement: str) -> list[tuple[Any, ...]]:
    """What a plain statement finds in the database of the first tenant."""

    async def look() -> list[tuple[Any, ...]]:
        store: Store = open_store(url)
        found = await store.read(1, lambda connection: [tuple(row) for row in connection.exec_driver_sql(statement)])
        await store.close()
        return found

    return asyncio.run(look())


def stored(url: str) -> int:
    """How many sittings there are."""
    found: int = read(url, "SELECT count(*) FROM reading_set")[0][0]
    return found


def evaluations(url: str) -> dict[str, bytes]:
    """The evaluation of each sitting by its identifier; each is there once."""
    rows = read(url, "SELECT document, evaluation FROM set_version")
    found = {json.loads(document)["identifier"]["value"]: bytes(evaluation) for document, evaluation in rows}
    assert len(found) == len(rows)
    return found


def test_every_line_is_stored_and_told_and_nothing_twice(
    tmp_path: Path, clinic_url: str, capsys: pytest.CaptureFixture[str]
) -> None:
    file = write(tmp_path / "a.ndjson", [*bodies(100), b""])
    assert run(file, "--answers", "answers.ndjson") == 0
    assert "100 lines: 100 stored, 0 stored before, 0 refused" in " ".join(capsys.readouterr().err.split())
    answered = [json.loads(line) for line in (tmp_path / "answers.ndjson").read_bytes().splitlines()]
    assert [line.get("line") for line in answered] == [*range(1, 101), None]
    assert answered[-1] == {"end": True, "lines": 100, "stored": 100, "replayed": 0, "refused": 0}
    assert (tmp_path / "answers.ndjson").stat().st_mode & 0o77 == 0
    assert run(file) == 0
    assert "0 stored, 100 stored before" in " ".join(capsys.readouterr().err.split())
    assert len(evaluations(clinic_url)) == 100
    assert read(clinic_url, "SELECT DISTINCT actor FROM trail") == [("import",)]


def test_refused_lines_are_kept_as_they_came_with_their_problem(
    tmp_path: Path, clinic_file: str, capsys: pytest.CaptureFixture[str]
) -> None:
    good = bodies(3)
    wrong = {**good[1], "readings": [{**good[1]["readings"][0], "site": "knee"}]}
    bare = {**good[2], "identifier": None}
    lines: list[Body | bytes] = [good[0], wrong, b"", b'{"\xff": 1}', b"x" * 300_000, bare, good[2]]
    file = write(tmp_path / "a.ndjson", lines)
    assert run(file, "--refused", "refused.ndjson") == 3
    kept = [json.loads(line) for line in (tmp_path / "refused.ndjson").read_bytes().splitlines()]
    assert [line["line"] for line in kept] == [2, 4, 5, 6]
    assert json.loads(kept[0]["text"]) == wrong
    assert kept[0]["problem"]["errors"][0]["pointer"] == "/readings/0/site"
    assert kept[1]["base64"] == "eyL/IjogMX0=" and kept[1]["problem"]["errors"][0]["code"] == "not-utf-8"
    assert set(kept[2]) == {"line", "problem"} and kept[2]["problem"]["errors"][0]["code"] == "body-too-large"
    assert kept[3]["problem"]["errors"][0] == {
        "pointer": "/identifier",
        "code": "missing",
        "detail": "An identifier of your own, so that the line is known when it comes again; or import with --key-by-content.",
    }
    assert set(evaluations(clinic_file)) == {"n-0", "n-2"}
    mended = write(tmp_path / "b.ndjson", [kept[0]["text"].replace("knee", "left-upper-arm").encode()])
    capsys.readouterr()
    assert run(mended) == 0
    assert run(file) == 3
    told = capsys.readouterr().err
    assert "Line 2 is refused. /readings/0/site: unknown-code." in told and "knee" not in told


def test_lines_without_identifier_may_be_known_by_their_content(tmp_path: Path, clinic_file: str) -> None:
    bare = {**bodies(1)[0], "identifier": None}
    file = write(tmp_path / "a.ndjson.gz", [bare, {**bare, "setting": "home"}, bare])
    assert run(file) == 3
    for _ in range(2):
        assert run(file, "--key-by-content") == 0
    assert stored(clinic_file) == 2


@pytest.mark.usefixtures("clinic_file")
def test_a_file_that_is_no_gzip_or_not_whole_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    whole = write(tmp_path / "a.ndjson.gz", [json.dumps(body).encode() for body in bodies(200)]).read_bytes()
    for raw in (whole[: len(whole) // 2], b'{"a": 1}\n', whole[:1000] + b"x" * 50 + whole[1050:]):
        (tmp_path / "b.gz").write_bytes(raw)
        assert run(tmp_path / "b.gz") == 1
        told = " ".join(capsys.readouterr().err.split())
        assert "not whole, or not of gzip" in told and "Traceback" not in told


def test_a_tenant_that_is_not_there_is_not_made(tmp_path: Path, clinic_file: str, capsys: pytest.CaptureFixture[str]) -> None:
    file = write(tmp_path / "a.ndjson", bodies(1))
    assert main(["import", str(file), "--tenant", "clinnic"]) == 1
    assert "no tenant of that name" in capsys.readouterr().err
    assert read(clinic_file, "SELECT name FROM tenant") == [("clinic",)]
    assert run(tmp_path / "nowhere.ndjson") == 1
    assert "nowhere.ndjson" in capsys.readouterr().err


@pytest.mark.usefixtures("clinic_file")
@pytest.mark.parametrize(
    ("error", "words"),
    [(Busy(2), "cannot be reached, or is locked"), (RuntimeError("p-0001 has 142/88"), "nobody foresaw (RuntimeError)")],
)
def test_a_database_that_fails_ends_it_with_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], error: Exception, words: str
) -> None:
    whole, calls = Store.write, iter(range(1_000))

    async def fail(self: Store, *arguments: Any, **more: Any) -> Any:
        if next(calls) > 40:
            raise error
        return await whole(self, *arguments, **more)

    monkeypatch.setattr(Store, "write", fail)
    assert run(write(tmp_path / "a.ndjson", bodies(100))) == 1
    told = " ".join(capsys.readouterr().err.split())
    assert words in told and "Run it again to go on" in told and not any(secret in told for secret in ("p-0001", "142/88"))


class Process:
    """The command, fed through a pipe."""

    def __init__(self) -> None:
        command = [*COMMAND, "-", "--tenant", "clinic"]
        self.process = subprocess.Popen(command, stdin=subprocess.PIPE, stderr=subprocess.PIPE)

    def feed(self, raw: bytes) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(raw)
        self.process.stdin.flush()

    def end(self, number: int | None = None) -> str:
        """What it told; it is sent a signal, or the end of its input."""
        if number is not None:
            self.process.send_signal(number)
        _, told = self.process.communicate(timeout=60)
        return told.decode()


def wait_for(holds: Callable[[], bool]) -> None:
    for _ in range(1_000):
        if holds():
            return
        time.sleep(0.01)
    raise AssertionError("it does not come to hold")


def test_killed_at_random_moments_and_run_again_it_leaves_no_gap_and_nothing_twice(
    tmp_path: Path, clinic_url: str, sqlite_files: SqliteFiles, monkeypatch: pytest.MonkeyPatch
) -> None:
    rng = random.Random(20260504)
    file = write(tmp_path / "a.ndjson", bodies(240))
    lines = file.read_bytes().splitlines(keepends=True)
    seen = [0]
    while len(seen) < 3:
        process = Process()
        process.feed(b"".join(lines[: 90 * len(seen)]) + b'{"identifier": ')
        wait_for(lambda: stored(clinic_url) > seen[-1])
        time.sleep(rng.random() / 20)
        process.end(signal.SIGKILL)
        seen.append(stored(clinic_url))
    assert run(file) == 0
    killed = evaluations(clinic_url)
    assert len(killed) == 240
    untouched = use(sqlite_files.new(), monkeypatch)
    assert run(file) == 0
    assert evaluations(untouched) == killed


def test_lines_of_a_slow_pipe_are_stored_as_they_come_until_it_is_interrupted(clinic_file: str) -> None:
    process = Process()
    for number, body in enumerate(bodies(3), 1):
        process.feed(json.dumps(body).encode() + b"\n")
        wait_for(lambda number=number: stored(clinic_file) == number)
    told = " ".join(process.end(signal.SIGINT).split())
    assert process.process.returncode == 130
    assert told.startswith("Interrupted. So far 3 lines: 3 stored") and "Traceback" not in told


def test_a_running_server_and_an_import_do_not_share_a_sqlite_file(
    tmp_path: Path, clinic_url: str, capsys: pytest.CaptureFixture[str]
) -> None:
    file = write(tmp_path / "a.ndjson", bodies(5))
    with serving(clinic_url):
        code, told = run(file), capsys.readouterr().err
    if clinic_url.startswith("sqlite"):
        assert code == 1 and "Another process serves from this SQLite file" in told
    else:
        assert code == 0 and len(evaluations(clinic_url)) == 5


class Terminal(io.StringIO):
    """A stream that says that it is a terminal."""

    def isatty(self) -> bool:
        return True


@pytest.fixture
def source(tmp_path: Path) -> Iterator[InputFile]:
    (tmp_path / "a.ndjson").write_bytes(b"{}\n" * 1_000)
    opened = InputFile(str(tmp_path / "a.ndjson"))
    yield opened
    opened.close()


async def read_some(source: InputFile) -> None:
    async for _ in source.chunks():
        return


def test_at_a_terminal_there_is_a_bar_and_elsewhere_a_line_now_and_then(
    source: InputFile, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    asyncio.run(read_some(source))
    with LineProgress(source, seconds_between_lines=0.0) as how_far:
        how_far.count()
    told = capsys.readouterr().err.splitlines()
    assert len(told) == 1 and told[0].startswith("1 lines, ") and told[0].endswith("100 %, about 0 min left")
    terminal = Terminal()
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setattr(sys, "stderr", terminal)
    monkeypatch.setattr("quietcuff.cli.support.progress.SECONDS_BETWEEN_LOOKS", 0.0)
    with LineProgress(source) as how_far:
        how_far.count()
    shown = terminal.getvalue()
    assert "100%" in shown and "1 lines" in shown and "a second" in shown


def test_further_processes_evaluate_and_store_the_same(
    tmp_path: Path, clinic_url: str, capsys: pytest.CaptureFixture[str]
) -> None:
    file = write(tmp_path / "a.ndjson", [*bodies(60), b"{}"])
    assert run(file, "--jobs", "1", "--answers", tmp_path / "answers.ndjson") == 3
    # Closed last, the process that stores takes SQLite's log with it.
    assert not Path(f"{clinic_url.removeprefix('sqlite:///')}-wal").exists()
    assert "61 lines: 60 stored, 0 stored before, 1 refused" in " ".join(capsys.readouterr().err.split())
    assert stored(clinic_url) == 60
    assert run(file) == 3
    assert "61 lines: 0 stored, 60 stored before, 1 refused" in " ".join(capsys.readouterr().err.split())


def test_a_sheet_is_imported_once_and_its_faults_are_told_by_row(clinic_file: str, tmp_path: Path, capsys: Any) -> None:
    path = tmp_path / "day.csv"
    head = "person,person_system,taken_at,systolic_mmhg,diastolic_mmhg"
    good = "p-1,urn:example:person,2026-05-04 09:00,136,83\np-1,urn:example:person,2026-05-04 09:01,138,84"
    path.write_text(f"{head}\n{good}\np-2,urn:example:person,2026-05-04 09:00,high,83\n")
    for told in ("1 stored, 0 stored before, 1 refused", "0 stored, 1 stored before, 1 refused"):
        assert run(path, "--zone", "Europe/Vienna") == 3
        said = capsys.readouterr().err
        assert told in said and "row 4, column D (systolic_mmhg): wrong-type" in said
    assert read(clinic_file, "SELECT count(*) FROM reading_set") == [(1,)]
    path.write_text(f"{head},colour\n{good},red\n")
    assert run(path) == 1
    said = capsys.readouterr().err
    assert "row 1, column F (colour) (unknown-column)" in said and "ragged-row" in said
