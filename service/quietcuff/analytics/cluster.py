"""Tallies on a Dask cluster: the workers read the same parts and return whole numbers.

A part is counted from its file alone. A worker that dies therefore costs time and changes nothing: Dask gives its parts to
another one. Needs the extra ``quietcuff[cluster]``; every worker must find the parts under the same path.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from quietcuff.analytics.columns.tally import AnswerTally, Told, tally_part, total
from quietcuff.core.model.errors import Fault, NotAcceptable
from quietcuff.core.rulebook.rulebook import Rulebook

# A part may be on a worker that dies more than once; a part that kills every worker it comes to is given up.
TIMES_A_PART_MAY_FAIL = 5


def connect(address: str) -> Any:
    """A Dask client of the cluster.

    Raises:
        NotAcceptable: the extra is not installed, or nobody answers at the address.
    """
    try:
        from distributed import Client
    except ImportError as exc:
        raise NotAcceptable([fault("not-installed", "The extra quietcuff[cluster], which brings Dask.")]) from exc
    try:
        return Client(address, timeout="10s")
    except (OSError, ValueError) as exc:
        raise NotAcceptable([fault("not-reached", "The address of a Dask scheduler, such as tcp://127.0.0.1:8786.")]) from exc


def fault(code: str, detail: str) -> Fault:
    """A fault of the cluster asked for."""
    return Fault(parameter="cluster", code=code, detail=detail)


def tally_with(client: Any, rulebook: Rulebook, paths: Sequence[Path], told: Told) -> AnswerTally:
    """Tallies of all parts by the workers of a client, added up in the order of the parts, whoever counted them.

    ``told`` is called after each.
    """
    from distributed import as_completed

    whole = [path.resolve() for path in paths]
    futures: list[Any] = client.map(tally_part, [rulebook] * len(whole), whole, retries=TIMES_A_PART_MAY_FAIL, pure=False)
    # On the client's own loop: a result that is lost with its worker is waited for anew, and by default as_completed takes the
    # loop of whichever client the process made last.
    for done, _ in enumerate(as_completed(futures, loop=client.loop), 1):
        told(done / len(futures), done)
    return total(client.gather(futures))
