"""Trace one sitting from its POST to its commit: the project's files it passes, in order of first call, and the layers.

Run ``cd tests; python -m bench.trace_sitting``. Frames of every thread are counted, and each thread's path through the layers
is told by itself: the event loop and the writer work at the same time, so that the order of their calls among each other is
chance. Two sittings are sent before, so that what is done once a process (rules, statements, keys) is done.
"""

from __future__ import annotations

import sys
import tempfile
import threading
from collections import Counter
from itertools import groupby
from pathlib import Path
from types import FrameType
from typing import Any

import quietcuff
from api.serving import new_key, serving
from bench.bench_evaluate import make_bodies
from quietcuff.storage.engine.migrate import upgrade

PACKAGE = str(Path(quietcuff.__file__).parent) + "/"


class Trace:
    """The calls of the project's functions, as files in order."""

    def __init__(self) -> None:
        self.calls: list[str] = []
        self.of_thread: dict[str, list[str]] = {}
        self.steps: list[tuple[str, str]] = []
        self.is_on = False

    def see(self, frame: FrameType, event: str, _: Any) -> None:
        """Note a call."""
        name = frame.f_code.co_filename
        if self.is_on and event == "call" and name.startswith(PACKAGE):
            path = name.removeprefix(PACKAGE)
            self.steps.append((path, frame.f_code.co_qualname if sys.version_info >= (3, 11) else frame.f_code.co_name))
            own = self.of_thread.setdefault(threading.current_thread().name, [])
            for calls in (self.calls, own):
                if not calls or calls[-1] != path:
                    calls.append(path)


def layers_of(calls: list[str]) -> list[str]:
    """The layers that files lie in, each change of layer once."""
    return [layer for layer, _ in groupby(path.split("/")[0] for path in calls)]


def main() -> None:
    """Print the files and what they call."""
    trace = Trace()
    threading.setprofile(trace.see)
    sys.setprofile(trace.see)
    with tempfile.TemporaryDirectory() as folder:
        url = f"sqlite:///{folder}/trace.db"
        upgrade(url)
        with serving(url) as server, server.client_of(new_key(url)) as client:
            bodies = make_bodies(3)
            for number, body in enumerate(bodies):
                trace.is_on = number == len(bodies) - 1
                answer = client.post("/v1/reading-sets", content=body, headers={"Content-Type": "application/json"})
                trace.is_on = False
                answer.raise_for_status()
    threading.setprofile(None)  # type: ignore[arg-type]
    sys.setprofile(None)
    files, functions = list(dict.fromkeys(trace.calls)), Counter(trace.steps)
    for path in files:
        of_file = {name: count for (file, name), count in functions.items() if file == path}
        print(f"{path:45} {len(of_file):3} functions {sum(of_file.values()):5} calls  {' '.join(list(of_file)[:9])}")
    print(f"{len(files)} files, {len(functions)} functions, {len(trace.steps)} calls")
    changes = 0
    for thread, calls in trace.of_thread.items():
        layers = layers_of(calls)
        changes += len(layers)
        print(f"\n{thread}: {len(layers)} changes of layer, {len(layers) - len(set(layers))} of them back to one that was left")
        print(" ".join(layers))
    print(f"\n{changes} changes of layer")


if __name__ == "__main__":
    main()
