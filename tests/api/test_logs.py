"""Log lines: one form for all, and nothing in them that quotes a value."""

from __future__ import annotations

import asyncio
import json
import logging
import select
import sys
import traceback
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace
from typing import Any

import pytest

from quietcuff.api.logs import AccessLine, StandardError, access, configure_logs, log_failure, tell_access

NAMES = ("", "uvicorn", "quietcuff.access", "quietcuff.service")


@pytest.fixture
def configured() -> Iterator[None]:
    """The logs as a server process has them, and as they were afterwards."""
    loggers = [logging.getLogger(name) for name in NAMES]
    before = [(logger.handlers[:], logger.propagate, logger.level) for logger in loggers]
    configure_logs("info")
    yield
    for logger, (handlers, propagate, level) in zip(loggers, before, strict=True):
        logger.handlers[:], logger.propagate = handlers, propagate
        logger.setLevel(level)


def lines_of(capsys: pytest.CaptureFixture[str]) -> list[dict[str, Any]]:
    return [json.loads(line) for line in capsys.readouterr().err.splitlines()]


def failed() -> Exception:
    try:
        raise RuntimeError("p-0001 has 142/88")
    except RuntimeError as error:
        return error


def test_every_line_begins_with_its_time_its_level_and_its_log(configured: None, capsys: pytest.CaptureFixture[str]) -> None:
    line = AccessLine(request_id="r", method="GET", route="/v1/x", status=200, milliseconds=1.5, tenant=None, key=None)
    access.info("%s", json.dumps({name: getattr(line, name) for name in line.__struct_fields__}))
    logging.getLogger("uvicorn.error").info("Started server process [%d]", 7)
    logging.getLogger("asyncio").warning("Slow")
    log_failure(failed(), "r")
    told = lines_of(capsys)
    assert [(one["log"], one["level"]) for one in told] == [
        ("quietcuff.access", "info"), ("uvicorn.error", "info"), ("asyncio", "warning"), ("quietcuff.service", "error"),
    ]  # fmt: skip
    assert all(list(one)[:3] == ["at", "level", "log"] and one["at"].endswith("Z") for one in told)
    assert all(abs(datetime.now(UTC) - datetime.fromisoformat(one["at"])) < timedelta(minutes=1) for one in told)
    assert told[0]["route"] == "/v1/x" and told[1]["text"] == "Started server process [7]"


def test_a_request_is_told_in_the_line_that_logging_would_write(configured: None, capsys: pytest.CaptureFixture[str]) -> None:
    line = AccessLine(request_id="r", method="GET", route="/v1/x", status=200, milliseconds=1.5, tenant=7, key=None)
    tell_access(line)
    seen: list[logging.LogRecord] = []
    listener = logging.Handler()
    listener.emit = seen.append  # type: ignore[method-assign]
    # Whoever listens to the log as well gets records, and the line is then logging's own.
    access.addHandler(listener)
    tell_access(line)
    first, second = lines_of(capsys)
    assert abs(datetime.fromisoformat(second.pop("at")) - datetime.fromisoformat(first.pop("at"))) < timedelta(minutes=1)
    assert first == second and list(first)[:2] == ["level", "log"]
    assert [record.name for record in seen] == ["quietcuff.access"]


def test_lines_of_one_turn_of_the_loop_are_written_together_and_in_their_order(
    configured: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    written: list[str] = []
    # Without whoever else listens while tests run; in place, as they are put back.
    access.handlers[:] = [one for one in access.handlers if isinstance(one, StandardError)]
    monkeypatch.setattr(sys, "stderr", SimpleNamespace(write=written.append, flush=lambda: None))

    def tell(request_id: str) -> None:
        tell_access(AccessLine(request_id=request_id, method="GET", route="/", status=200, milliseconds=1, tenant=7, key=None))

    async def answer() -> None:
        tell("one")
        tell("two")
        assert not written
        await asyncio.sleep(0)
        tell("three")
        log_failure(failed(), "four")
        for _ in range(40):
            tell("many")
        await asyncio.sleep(0)
        tell("last")

    asyncio.run(answer())
    access.handlers[0].flush()
    told = [json.loads(line)["request_id"] for line in "".join(written).splitlines()]
    assert told == ["one", "two", "three", "four", *["many"] * 40, "last"]
    assert written[0].count("\n") == 2
    # Longer pieces could be torn apart by those of another process that writes to the same pipe.
    assert all(len(piece.encode()) <= select.PIPE_BUF for piece in written) and len(written) < 10


def test_a_line_of_the_last_turn_of_a_loop_is_written_when_the_loop_is_closed(
    configured: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    written: list[str] = []
    # In place, as they are put back.
    access.handlers[:] = [one for one in access.handlers if isinstance(one, StandardError)]
    monkeypatch.setattr(sys, "stderr", SimpleNamespace(write=written.append, flush=lambda: None))
    line = AccessLine(request_id="last", method="GET", route="/", status=200, milliseconds=1, tenant=7, key=None)
    loop = asyncio.new_event_loop()

    async def answer() -> None:
        # In the turn in which the loop stops, so that what it is asked to do next is left undone.
        loop.call_soon(lambda: loop.call_soon(tell_access, line))

    loop.run_until_complete(answer())
    loop.stop()
    loop.run_forever()
    loop.close()
    assert [json.loads(one)["request_id"] for one in "".join(written).splitlines()] == ["last"]


def test_what_may_quote_a_value_is_left_out_of_others_lines(configured: None, capsys: pytest.CaptureFixture[str]) -> None:
    error = failed()
    logging.getLogger("uvicorn.error").error("Exception in ASGI application\n", exc_info=error)
    logging.getLogger("uvicorn.error").error("".join(traceback.format_exception(error)))
    logging.getLogger("asyncio").error("Task exception was never retrieved\nfuture: %r", error)
    logging.getLogger("httpx").info("HTTP Request: POST https://record.example.org/p-0001")
    written = capsys.readouterr().err
    assert "142/88" not in written and "p-0001" not in written and len(written.splitlines()) == 3
    raised, printed, never = (json.loads(line) for line in written.splitlines())
    assert raised["text"] == "Exception in ASGI application" and never["text"] == "Task exception was never retrieved"
    assert raised["failure"][0]["error"] == "builtins.RuntimeError" and printed["failure"][0]["error"] == "RuntimeError"
    assert "test_logs.py" in raised["failure"][0]["at"][-1] and printed["failure"][0]["at"] == raised["failure"][0]["at"]


def test_another_listener_keeps_listening(configured: None) -> None:
    root = logging.getLogger()
    other = logging.StreamHandler(sys.stdout)
    root.addHandler(other)
    configure_logs("info")
    assert other in root.handlers and sum(type(one).__name__ == "StandardError" for one in root.handlers) == 1
    root.removeHandler(other)
