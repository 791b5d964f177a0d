"""Processor time to start: ``serve`` until it is ready, and short commands until they end, with bytecode cached.

    python tests/bench/bench_start.py [--rounds 5] [--beside FOLDER]

Each start is a process of its own, with a database of its own on SQLite. The first of each, which writes the bytecode, is not
counted. ``--beside`` names another checkout, whose starts are interleaved with ours; only ratios of one run mean anything.
"""

from __future__ import annotations

import argparse
import os
import re
import resource
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx

HERE = Path(__file__).resolve().parents[2]
COMMANDS = {
    "keys list": ("keys", "list", "--tenant", "invented"),
    "tenants list": ("tenants", "list"),
    "database verify": ("database", "verify"),
    "evaluate": ("evaluate", "docs/sitting.json"),
}
LONGEST_SECONDS = 120


def start(checkout: Path, folder: Path, *arguments: str) -> subprocess.Popen[str]:
    """A command of a checkout, on the database of a folder."""
    environment = {name: value for name, value in os.environ.items() if not name.startswith(("PYTHON", "QUIETCUFF"))}
    environment |= {
        "PYTHONPATH": str(checkout / "service"),
        "PYTHONPYCACHEPREFIX": str(folder / "bytecode"),
        "QUIETCUFF_DATABASE_URL": f"sqlite:///{folder}/start.db",
    }
    command = [sys.executable, "-m", "quietcuff", *arguments]
    return subprocess.Popen(
        command, cwd=HERE, env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True
    )


def seconds_of_command(checkout: Path, folder: Path, arguments: tuple[str, ...]) -> float:
    """Processor time of one command from its start to its end."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    process = start(checkout, folder, *arguments)
    _, told = process.communicate(timeout=LONGEST_SECONDS)
    if process.returncode:
        raise RuntimeError(f"{arguments} ended with {process.returncode}: {told}")
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def seconds_to_ready(checkout: Path, folder: Path) -> float:
    """Processor time of a server until it says that it is ready."""
    process = start(checkout, folder, "serve", "--port", free_port())
    try:
        return wait_until_ready(process)
    finally:
        process.terminate()
        process.wait(LONGEST_SECONDS)


def free_port() -> str:
    """A port that nobody listens on."""
    with socket.create_server(("127.0.0.1", 0)) as found:
        return str(found.getsockname()[1])


def wait_until_ready(process: subprocess.Popen[str]) -> float:
    """The processor time that a server has used when its first answer says that it is ready."""
    assert process.stderr is not None
    address = None
    while address is None:
        line = process.stderr.readline()
        if not line:
            raise RuntimeError("the server ended before it was ready")
        found = re.search(r" at (http://\S+?),", line)
        address = found.group(1) if found else None
    stop = time.monotonic() + LONGEST_SECONDS
    while time.monotonic() < stop:
        try:
            if httpx.get(f"{address}/health/ready", timeout=5).status_code == httpx.codes.OK:
                return processor_seconds(process.pid)
        except httpx.TransportError:
            time.sleep(0.02)
    raise RuntimeError("the server was not ready in time")


def processor_seconds(pid: int) -> float:
    """User and system time of a process so far, from Linux."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


@contextmanager
def prepared(checkout: Path) -> Iterator[Path]:
    """A folder with a database that has a tenant, and with the bytecode of every command."""
    with tempfile.TemporaryDirectory(prefix="quietcuff-start-") as name:
        folder = Path(name)
        create = ("keys", "create", "--tenant", "invented", "--name", "start", "--scope", "system/*.rs")
        seconds_of_command(checkout, folder, create)
        for arguments in COMMANDS.values():
            seconds_of_command(checkout, folder, arguments)
        seconds_to_ready(checkout, folder)
        yield folder


def measure(rounds: int, checkouts: list[Path], folders: list[Path]) -> dict[str, list[list[float]]]:
    """Seconds of each start, by what was started and by checkout; rounds are interleaved."""
    found: dict[str, list[list[float]]] = {name: [[] for _ in checkouts] for name in ("serve to ready", *COMMANDS)}
    for _ in range(rounds):
        for place, (checkout, folder) in enumerate(zip(checkouts, folders, strict=True)):
            found["serve to ready"][place].append(seconds_to_ready(checkout, folder))
            for name, arguments in COMMANDS.items():
                found[name][place].append(seconds_of_command(checkout, folder, arguments))
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--beside", type=Path, metavar="FOLDER")
    asked = parser.parse_args()
    checkouts = [HERE] + ([asked.beside.resolve()] if asked.beside is not None else [])
    with prepared(checkouts[0]) as own, prepared(checkouts[-1]) as other:
        found = measure(asked.rounds, checkouts, [own, other][: len(checkouts)])
    for name, (ours, *theirs) in found.items():
        line = f"{name:16} median {statistics.median(ours):.2f} s, {min(ours):.2f} to {max(ours):.2f}"
        for others in theirs:
            ratios = [one / two for one, two in zip(ours, others, strict=True)]
            line += f"; beside it {statistics.median(others):.2f} s, ratio {statistics.median(ratios):.2f}"
        print(line)


if __name__ == "__main__":
    main()
