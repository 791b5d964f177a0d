"""How long ``evaluate`` takes for a sitting of four readings, against an echo of the same bodies, in one run.

    python tests/bench/bench_evaluate.py [--rounds 9] [--profile FILE]

Two echoes are the floor: msgspec alone decodes and encodes each body, and a Litestar server answers each body with itself
over loopback, 64 connections at once, of which only the server's processor time counts. Rounds are interleaved, garbage is
collected before each, and only ratios of one run mean anything. The people and readings are invented.
"""

from __future__ import annotations

import argparse
import asyncio
import cProfile
import gc
import multiprocessing
import pstats
import random
import socket
import statistics
import time
from collections.abc import Callable
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import msgspec
import uvicorn
import uvloop
from litestar import Litestar, Request, Response, post

from quietcuff.core.evaluate import evaluate
from quietcuff.core.model.evaluation import Evaluation
from quietcuff.core.model.readings import ReadingSet
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.decode.own_json import read
from quietcuff.rules.catalog import load_rulebook

BODIES = 2_000
CONNECTIONS = 64
GOAL = 0.5

decoder = msgspec.json.Decoder(ReadingSet)
encoder = msgspec.json.Encoder()


def make_bodies(count: int) -> list[bytes]:
    """Varied sittings of four readings, each with every question answered and two guidelines asked for."""
    rng = random.Random(20260504)
    return [encoder.encode(make_set(rng, number)) for number in range(count)]


def make_set(rng: random.Random, number: int) -> dict[str, Any]:
    """A first visit: a reading in each arm, then two in the higher arm. One in ten is badly prepared."""
    systolic = rng.randint(104, 168)
    diastolic = systolic - rng.randint(36, 66)
    poor = rng.random() < 0.1
    pressures = [(systolic + rng.randint(-6, 6), diastolic + rng.randint(-4, 4)) for _ in range(4)]
    arms = rng.sample(["left-upper-arm", "right-upper-arm"], 2)
    higher = arms[0] if pressures[0] >= pressures[1] else arms[1]
    readings = [
        {
            "taken_at": f"2026-05-04T09:{10 + minute:02d}:00+02:00",
            "systolic_mmhg": pressures[minute][0],
            "diastolic_mmhg": pressures[minute][1],
            "pulse_per_min": rng.randint(55, 95),
            "site": arm,
            "position": "sitting",
            "method": "oscillometric",
            "rhythm": "regular",
        }
        for minute, arm in enumerate([*arms, higher, higher])
    ]
    return {
        "identifier": {"system": "urn:example:visit", "value": f"v-{number}"},
        "subject": {
            "identifier": {"system": "urn:example:mrn", "value": f"p-{number}"},
            "birth_date": f"{rng.randint(1936, 2004)}-01-15",
            "sex": rng.choice(["female", "male"]),
            "pregnancy": "no",
            "known_hypertension": "no",
            "antihypertensive_treatment": "no",
            "known_irregular_rhythm": "no",
            "arm_circumference_cm": rng.choice([27.5, 30, 31.5, 33]),
        },
        "setting": "office",
        "attendance": "attended",
        "visit": "first",
        "guidelines": ["aha-acc-2025", "esc-2024"],
        "context": {
            "rest_minutes": 2 if poor else 5,
            "talking": "yes" if poor else "no",
            "caffeine_within_30_min": "no",
            "tobacco_within_30_min": "no",
            "exercise_within_30_min": "no",
            "full_bladder": "yes" if poor else "no",
            "pain": "no",
            "anxiety_or_stress": "no",
            "back_supported": "no" if poor else "yes",
            "feet_flat": "yes",
            "legs_crossed": "no",
            "arm_supported": "yes",
            "cuff_fits_two_fingers": "yes",
            "quiet_room": "yes",
            "acute_symptoms": "no",
            "auscultation_possible": "yes",
            "arm_height": "at",
            "sleeve": "bare",
            "pulse_palpated": "regular",
        },
        "device": {"kind": "automatic", "site": "upper-arm", "validated": "yes"},
        "cuff": {"size": "adult", "range_cm": [27, 34], "mark_within_range": "yes"},
        "closed": True,
        "readings": readings,
    }


def serve_echo(listener: socket.socket, pipe: Connection) -> None:
    """A server that answers a reading set with itself; it tells its processor time whenever it is asked."""

    @post("/echo", status_code=200)
    async def echo(request: Request[Any, Any, Any]) -> Response[bytes]:
        reading_set = decoder.decode(await request.body())
        return Response(encoder.encode(reading_set), media_type="application/json")

    async def main() -> None:
        config = uvicorn.Config(Litestar([echo], openapi_config=None), log_level="error", access_log=False, lifespan="off")
        server = uvicorn.Server(config)
        asyncio.get_running_loop().add_reader(pipe.fileno(), tell_time, server)
        await server.serve(sockets=[listener])

    def tell_time(server: uvicorn.Server) -> None:
        if pipe.recv() == "time":
            pipe.send(time.process_time())
        else:
            server.should_exit = True

    gc.freeze()
    uvloop.run(main())


async def send_all(address: tuple[str, int], requests: list[bytes], status: int = 200) -> None:
    """Send the requests over 64 connections, one after the other on each; every answer must have the status."""

    async def send_share(share: list[bytes]) -> None:
        reader, writer = await asyncio.open_connection(*address)
        for request in share:
            writer.write(request)
            head = await reader.readuntil(b"\r\n\r\n")
            if not head.startswith(b"HTTP/1.1 %d" % status):
                raise RuntimeError(f"not answered: {head.decode()}")
            length = next(line for line in head.lower().split(b"\r\n") if line.startswith(b"content-length:"))
            await reader.readexactly(int(length.partition(b":")[2]))
        writer.close()
        await writer.wait_closed()

    await asyncio.gather(*(send_share(requests[start::CONNECTIONS]) for start in range(CONNECTIONS)))


def request_of(body: bytes) -> bytes:
    """A body as a whole HTTP request."""
    head = f"POST /echo HTTP/1.1\r\nHost: x\r\nContent-Type: application/json\r\nContent-Length: {len(body)}\r\n\r\n"
    return head.encode() + body


def microseconds_each(work: Callable[[Any], object], items: list[Any]) -> float:
    """Processor time of this process for each item."""
    gc.collect()
    start = time.process_time()
    for item in items:
        work(item)
    return 1e6 * (time.process_time() - start) / len(items)


def measure(
    rounds: int, bodies: list[bytes], rulebook: Rulebook, pipe: Connection, address: tuple[str, int]
) -> dict[str, list[float]]:
    """The figures of each round, by name, in microseconds of processor time for each sitting."""
    sets = [read(body, ReadingSet) for body in bodies]
    answers = [evaluate(reading_set, None, rulebook) for reading_set in sets]
    requests = [request_of(body) for body in bodies]
    figures: dict[str, list[float]] = {}
    gc.freeze()

    def note(name: str, value: float) -> None:
        figures.setdefault(name, []).append(value)

    for _ in range(rounds + 1):
        note("evaluate", microseconds_each(lambda item: evaluate(item, None, rulebook), sets))
        note("msgspec decode and encode", microseconds_each(lambda body: encoder.encode(decoder.decode(body)), bodies))
        note("checked decode of the service", microseconds_each(lambda body: read(body, ReadingSet), bodies))
        note("encode of the evaluation", microseconds_each(encoder.encode, answers))
        before = ask_time(pipe)
        asyncio.run(send_all(address, requests))
        note("Litestar echo", 1e6 * (ask_time(pipe) - before) / len(requests))
    return {name: values[1:] for name, values in figures.items()}


def ask_time(pipe: Connection) -> float:
    """The processor time that the echo has used so far."""
    pipe.send("time")
    return float(pipe.recv())


def tell(figures: dict[str, list[float]], bodies: list[bytes], answers: list[Evaluation]) -> None:
    """Print medians, ranges and the ratios."""
    findings = statistics.mean(len(answer.findings) for answer in answers)
    states = {state: sum(answer.state == state for answer in answers) for state in ("complete", "in-progress", "not-usable")}
    print(f"{len(bodies)} bodies of {statistics.mean(map(len, bodies)):.0f} bytes, {findings:.1f} findings each, {states}")
    medians = {name: statistics.median(values) for name, values in figures.items()}
    for name, values in figures.items():
        print(f"{name:32} median {medians[name]:8.1f} µs   range {min(values):8.1f} to {max(values):8.1f}")
    for name in ("msgspec decode and encode", "Litestar echo"):
        ratios = [ours / floor for ours, floor in zip(figures["evaluate"], figures[name], strict=True)]
        print(f"evaluate / {name}: median {statistics.median(ratios):.2f}, range {min(ratios):.2f} to {max(ratios):.2f}")
    print(f"goal: evaluate / Litestar echo at most {GOAL}")


def write_profile(path: Path, bodies: list[bytes], rulebook: Rulebook) -> None:
    """Where ``evaluate`` spends its time: by own time, then with what is called. Under the profiler calls look dearer."""
    sets = [read(body, ReadingSet) for body in bodies]
    profile = cProfile.Profile()
    profile.enable()
    for reading_set in sets:
        evaluate(reading_set, None, rulebook)
    profile.disable()
    with path.open("w") as stream:
        stats = pstats.Stats(profile, stream=stream).strip_dirs()
        print(f"{len(sets)} sittings: 'tottime' of 0.001 s is {1e3 / len(sets):.2f} µs each, profiler included\n", file=stream)
        stats.sort_stats("tottime").print_stats(60)
        stats.sort_stats("cumtime").print_stats(60)
        stats.sort_stats("tottime").print_callers(15)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=9)
    parser.add_argument("--profile", type=Path, metavar="FILE")
    options = parser.parse_args()
    rulebook, bodies = load_rulebook(), make_bodies(BODIES)
    answers = [evaluate(read(body, ReadingSet), None, rulebook) for body in bodies]
    if options.profile is not None:
        write_profile(options.profile, bodies, rulebook)
    listener = socket.create_server(("127.0.0.1", 0))
    ours, theirs = multiprocessing.Pipe()
    echo = multiprocessing.get_context("fork").Process(target=serve_echo, args=(listener, theirs))
    echo.start()
    theirs.close()
    try:
        figures = measure(options.rounds, bodies, rulebook, ours, listener.getsockname())
    finally:
        ours.send("stop")
        echo.join(5)
    tell(figures, bodies, answers)


if __name__ == "__main__":
    main()
