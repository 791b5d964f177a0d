"""The demonstration from start to end: server, morning, Bundle and table, and the check that all was as expected."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from quietcuff.core.model.errors import DemoFailed
from quietcuff.demo.bundle import compare_bundle, read_bundle, show_bundle
from quietcuff.demo.gateway import Gateway
from quietcuff.demo.narrative import MARGIN, tell_heading, tell_moment, tell_opening, tell_visit
from quietcuff.demo.play import ClinicDesk, compare_end, play
from quietcuff.demo.scenario import Morning, last_noon, load_morning
from quietcuff.demo.server import HOST, Server, running_server
from quietcuff.demo.summary import VisitOutcome, show_cautions, show_summary


def run_demo(console: Console, *, keep: bool = False, port: int | None = None, bundle_file: Path | None = None) -> None:
    """Play the whole morning against a server of its own. With ``keep`` the server stays up until Ctrl-C.

    Raises:
        DemoFailed: the server did not start, or something was not answered as it must be.
    """
    morning, noon = load_morning(), last_noon(datetime.now().astimezone())
    tell_opening(console, morning, noon)
    with running_server(morning.tenant, port, has_page=keep) as server:
        gateway = Gateway(HOST, server.port, server.key)
        gateway.register_device(morning.device)
        outcomes, mishaps = play_morning(console, gateway, morning, noon)
        mishaps += show_records(console, gateway, outcomes, bundle_file)
        show_cautions(console, outcomes)
        show_summary(console, outcomes)
        report(console, mishaps)
        if keep:
            stay(console, server)


def play_morning(console: Console, desk: ClinicDesk, morning: Morning, noon: datetime) -> tuple[list[VisitOutcome], list[str]]:
    """Play and show every visit; the outcome of each, and everything that was not as expected."""
    outcomes, mishaps = [], []
    for number, visit in enumerate(morning.visits, 1):
        tell_visit(console, visit)
        envelope = None
        for moment in play(desk, morning, number, noon):
            tell_moment(console, moment)
            mishaps += [f"{visit.who}: {mishap}" for mishap in moment.mishaps]
            envelope = moment.answer.envelope
        if envelope is not None:
            mishaps += [f"{visit.who}: at the end: {mishap}" for mishap in compare_end(visit.expect, envelope.evaluation)]
            outcomes.append(VisitOutcome(visit=visit, envelope=envelope))
    return outcomes, mishaps


def show_records(console: Console, gateway: Gateway, outcomes: list[VisitOutcome], bundle_file: Path | None) -> list[str]:
    """Compare every sitting's Bundle with its evaluation, and show the first one."""
    mishaps = []
    for place, outcome in enumerate(outcomes):
        raw = gateway.read_bundle(outcome.envelope.id)
        bundle = read_bundle(raw)
        mishaps += [f"{outcome.visit.who}: {mishap}" for mishap in compare_bundle(bundle, outcome.envelope)]
        if place == 0:
            show_bundle(console, bundle, outcome.envelope, outcome.visit.who, len(raw))
            if bundle_file is not None:
                bundle_file.write_bytes(raw)
                console.print(Padding(Text(f"The whole Bundle is in {bundle_file}."), (1, MARGIN, 0, MARGIN), expand=False))
    return mishaps


def report(console: Console, mishaps: list[str]) -> None:
    """Print that everything was as expected.

    Raises:
        DemoFailed: something was not; all of it is named.
    """
    if mishaps:
        raise DemoFailed("Not answered as it must be:\n" + "\n".join(mishaps))
    console.print()
    console.print(Padding(Text("Everything was answered as it must be.", "bold green"), (0, MARGIN), expand=False))


def stay(console: Console, server: Server) -> None:
    """Leave the server up for whoever wants to try it, until Ctrl-C.

    Raises:
        DemoFailed: the server ended by itself.
    """
    tell_heading(console, "The server stays up. Ctrl-C stops it and removes its database.")
    told = {
        "URL": server.url,
        "Key": server.key,
        "Docs": f"{server.url}/docs",
        "Guided sitting": f"{server.url}/bedside/ (invented people)",
    }
    for label, value in told.items():
        # Not wrapped by the console, so that URL and key can be copied whole.
        console.print(Padding(Text(f"{label:<15} {value}"), (0, MARGIN), expand=False), soft_wrap=True)
    try:
        server.process.wait()
    except KeyboardInterrupt:
        return
    raise DemoFailed("The server ended by itself.")
