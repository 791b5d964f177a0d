"""A real server for the demonstration alone, with its own folder, database and key, removed at the end."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from http.client import HTTPConnection, HTTPException
from pathlib import Path
from types import FrameType

import msgspec

from quietcuff.core.model.errors import DemoFailed

HOST = "127.0.0.1"
READY_WITHIN_SECONDS = 60
STOPPED_WITHIN_SECONDS = 10
LOG_LINES_SHOWN = 20
PAGE_SCOPE = "system/Observation.cru"


class Server(msgspec.Struct, frozen=True, kw_only=True):
    """The child process: its port, the key that it accepts, and the process itself."""

    port: int
    key: str
    process: subprocess.Popen[bytes]

    @property
    def url(self) -> str:
        return f"http://{HOST}:{self.port}"


@contextmanager
def running_server(tenant: str, port: int | None, *, has_page: bool = False) -> Iterator[Server]:
    """Start ``quietcuff serve`` on a free loopback port, with the page of a guided sitting if asked for. Stop it and remove
    its folder whatever happens.

    Raises:
        DemoFailed: it does not become ready; the message holds the end of its log.
    """
    with tempfile.TemporaryDirectory(prefix="quietcuff-demo-") as name, stopped_by_signals():
        folder = Path(name)
        # Settings of the person's own service must not reach the demonstration, least of all their database.
        environment = {key: value for key, value in os.environ.items() if not key.startswith("QUIETCUFF_")}
        environment["QUIETCUFF_DATABASE_URL"] = f"sqlite:///{folder / 'clinic.db'}"
        making = ["keys", "create", "--tenant", tenant, "--name", "demo", "--scope", "system/*.cruds"]
        key = command(making, environment, folder).strip()
        options = guided(tenant, environment, folder) if has_page else []
        chosen = port if port is not None else free_port()
        with (folder / "server.log").open("wb") as log:
            process = subprocess.Popen(  # noqa: S603 - our own program, no shell
                [sys.executable, "-m", "quietcuff", "serve", "--host", HOST, "--port", str(chosen), *options],
                env=environment,
                cwd=folder,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
            )
        try:
            wait_until_ready(process, chosen, folder / "server.log")
            yield Server(port=chosen, key=key, process=process)
        finally:
            stop(process)


def guided(tenant: str, environment: dict[str, str], folder: Path) -> list[str]:
    """The options that serve the page of a guided sitting, with a key of its own that sees sittings and nothing else."""
    making = ["keys", "create", "--tenant", tenant, "--name", "bedside", "--scope", PAGE_SCOPE]
    place = folder / "bedside.key"
    place.touch(mode=0o600)
    place.write_text(command(making, environment, folder), "utf-8")
    return ["--bedside-key-file", str(place)]


@contextmanager
def stopped_by_signals() -> Iterator[None]:
    """Turn a signal to end into an exception, so that the server is stopped and its folder removed."""

    def leave(number: int, frame: FrameType | None) -> None:
        # The status by which shells report that a signal ended a program.
        raise SystemExit(128 + number)

    # Windows has no SIGHUP.
    names = [number for number in (signal.SIGTERM, getattr(signal, "SIGHUP", None)) if number is not None]
    before = {number: signal.signal(number, leave) for number in names}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def command(arguments: list[str], environment: dict[str, str], folder: Path) -> str:
    """The output of one of our own commands.

    Raises:
        DemoFailed: it fails; the message holds what it complained of.
    """
    done = subprocess.run(  # noqa: S603 - our own program, no shell
        [sys.executable, "-m", "quietcuff", *arguments],
        env=environment,
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:
        raise DemoFailed(f"quietcuff {' '.join(arguments)} failed: {done.stderr.strip()}")
    return done.stdout


def free_port() -> int:
    """A loopback port that no process listens on now."""
    with socket.socket() as probe:
        # Another process may take the port before the child does; the child then ends, and the end of its log is shown.
        probe.bind((HOST, 0))
        port: int = probe.getsockname()[1]
        return port


def wait_until_ready(process: subprocess.Popen[bytes], port: int, log: Path) -> None:
    """Wait until the child can serve.

    Raises:
        DemoFailed: it ended, or it took too long.
    """
    deadline = time.monotonic() + READY_WITHIN_SECONDS
    while process.poll() is None and time.monotonic() < deadline:
        if is_ready(port):
            return
        time.sleep(0.1)
    tail = "\n".join(log.read_text("utf-8", "replace").splitlines()[-LOG_LINES_SHOWN:])
    what = "ended" if process.poll() is not None else "did not become ready"
    raise DemoFailed(f"The server {what} on port {port}.\n{tail}")


def is_ready(port: int) -> bool:
    """True where the child reports that it can serve."""
    connection = HTTPConnection(HOST, port, timeout=5)
    try:
        connection.request("GET", "/health/ready")
        return connection.getresponse().status == 200
    except (OSError, HTTPException):
        return False
    finally:
        connection.close()


def stop(process: subprocess.Popen[bytes]) -> None:
    """End the child: ask it first, and kill it where it does not stop."""
    process.terminate()
    try:
        process.wait(STOPPED_WITHIN_SECONDS)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
