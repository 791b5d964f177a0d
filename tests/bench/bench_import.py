"""How fast ``quietcuff import`` stores lines, and how much memory it takes, as the file grows.

    python tests/bench/bench_import.py [--lines 20000] [--only sqlite|postgresql] [--replay] [--kill 0.5]

The lines are made before, so that making them takes no processor from the command, and go through a pipe into it, a process of
its own: invented sittings of four readings with every question answered, five a person, in the order of time. Printed are the
rate of each part, and the most memory that the command had held at 10 %, 50 % and 100 % of the lines. ``--replay`` imports the
same lines a second time. ``--kill`` stops the command with SIGKILL when it has been sent that part of the lines, as a file that
is imported may be; then all of them are imported from the first on. At the end the database must hold each sitting once, with
each reading once.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, timedelta
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))
os.environ.setdefault("XDG_RUNTIME_DIR", tempfile.mkdtemp(prefix="quietcuff-"))

import msgspec

from api.serving import new_key
from application.clinic import open_clinic
from bench.bench_evaluate import make_set
from bench.bench_storage import databases
from quietcuff.rules.catalog import load_rulebook
from quietcuff.storage.engine.store import open_store

SITTINGS_A_PERSON = 5
READINGS_A_SITTING = 4
FIRST_DAY = date(2025, 1, 6)
MEGABYTE = 1024 * 1024
PARTS = (0.1, 0.5, 1.0)

encoder = msgspec.json.Encoder()


def sittings(count: int) -> Iterator[bytes]:
    """Lines of NDJSON: everybody's first sitting, then everybody's second, and so on, some weeks apart."""
    rng = random.Random(20260504)
    people = max(1, count // SITTINGS_A_PERSON)
    for number in range(count):
        yield encoder.encode(sitting(rng, number, number % people, number // people)) + b"\n"


def sitting(rng: random.Random, number: int, person: int, visit: int) -> dict[str, Any]:
    """One sitting of a person."""
    made = make_set(rng, number)
    day = (FIRST_DAY + timedelta(days=35 * visit + person % 28)).isoformat()
    made["subject"]["identifier"]["value"] = f"p-{person}"
    made["subject"]["birth_date"] = f"{1936 + person % 69}-01-15"
    made["subject"]["sex"] = ("female", "male")[person % 2]
    if visit:
        del made["visit"]
    for reading in made["readings"]:
        reading["taken_at"] = day + reading["taken_at"][10:]
    return made


def peak_memory_bytes(process: subprocess.Popen[bytes]) -> int:
    """The most that the process ever held in memory."""
    status = Path(f"/proc/{process.pid}/status").read_text()
    line = next(line for line in status.splitlines() if line.startswith("VmHWM:"))
    return int(line.split()[1]) * 1024


@contextmanager
def made_before(count: int) -> Iterator[Path]:
    """A file of so many lines."""
    with tempfile.NamedTemporaryFile() as file:
        file.writelines(sittings(count))
        file.flush()
        yield Path(file.name)


def import_lines(url: str, lines: Path, count: int, kill_at: int | None = None) -> None:
    """Send the lines through the command, and print how it goes; kill it when it was sent so many."""
    environment = {**os.environ, "QUIETCUFF_DATABASE_URL": url}
    command = [sys.executable, "-m", "quietcuff", "import", "-", "--tenant", "clinic"]
    process = subprocess.Popen(command, stdin=subprocess.PIPE, stderr=subprocess.PIPE, env=environment)
    assert process.stdin is not None and process.stderr is not None
    marks = {max(1, round(part * count)): part for part in PARTS}
    began = last = time.monotonic()
    done = 0
    for number, line in enumerate(lines.open("rb"), 1):
        process.stdin.write(line)
        if number == kill_at:
            process.kill()
            process.wait()
            print(f"  killed when {number:,} lines were sent, {number / (time.monotonic() - began):.0f} lines/s", flush=True)
            return
        if number in marks:
            process.stdin.flush()
            now = time.monotonic()
            rate = (number - done) / (now - last)
            print(
                f"  at {marks[number]:4.0%}: {rate:7.0f} lines/s, peak {peak_memory_bytes(process) / MEGABYTE:6.1f} MB",
                flush=True,
            )
            last, done = now, number
    process.stdin.close()
    told = process.stderr.read().decode().splitlines()
    code = process.wait()
    print(
        f"  {told[-1] if told else ''} (exit code {code}, {count / (time.monotonic() - began):.0f} lines/s with start and end)"
    )
    if code != 0:
        raise SystemExit("\n".join(told))


async def count_rows(url: str) -> dict[str, int]:
    """How many there are of everything that a sitting leaves behind; a claim is what an identifier is known by."""
    store = open_store(url)
    clinic = await open_clinic(store, load_rulebook())
    found = {table: await clinic.count(table) for table in ("reading_set", "set_version", "reading", "claim", "subject")}
    await store.close()
    return found


def rows_of(count: int) -> dict[str, int]:
    """How many there must be when each sitting is in the database once."""
    people = max(1, count // SITTINGS_A_PERSON)
    return {
        "reading_set": count,
        "set_version": count,
        "reading": count * READINGS_A_SITTING,
        "claim": count,
        "subject": people,
    }


@contextmanager
def fresh_database(kind: str) -> Iterator[str]:
    """An empty database with a tenant."""
    with databases(kind) as source:
        url = source.new()
        new_key(url)
        yield url


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--lines", type=int, default=20_000)
    parser.add_argument("--only", choices=["sqlite", "postgresql"])
    parser.add_argument("--replay", action="store_true", help="import the same lines again")
    parser.add_argument("--kill", type=float, metavar="PART", help="kill the command when this part of the lines was sent")
    chosen = parser.parse_args()
    for kind in [chosen.only] if chosen.only else ["sqlite", "postgresql"]:
        with fresh_database(kind) as url, made_before(chosen.lines) as lines:
            if chosen.kill:
                print(f"{kind}, {chosen.lines:,} lines, killed")
                import_lines(url, lines, chosen.lines, kill_at=round(chosen.kill * chosen.lines))
                print(f"  {asyncio.run(count_rows(url))} in the database", flush=True)
            for which in ("first", "again") if chosen.replay else ("first",):
                print(f"{kind}, {chosen.lines:,} lines, {which}")
                import_lines(url, lines, chosen.lines)
            found, expected = asyncio.run(count_rows(url)), rows_of(chosen.lines)
            if found != expected:
                raise SystemExit(f"{found} in the database, not {expected}")
            print(f"  {found} in the database: each once")


if __name__ == "__main__":
    main()
