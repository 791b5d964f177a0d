"""A client of the service for gateways: safety first, keys and versions by itself, retries where they are safe.

``Client`` waits for each answer, ``AsyncClient`` is the same for coroutines. Every answer is a tuple that begins with what must
not wait: ``safety, next_step, sitting = client.open(reading_set)``. Refusals are the errors of ``quietcuff.core.model.errors``.
"""

from quietcuff.client.asynchronous import AsyncClient
from quietcuff.client.retries import Patience
from quietcuff.client.synchronous import Client
from quietcuff.client.told import OpenSitting, ToldPayload, ToldSitting
from quietcuff.core.model.changes import Append, Correction
from quietcuff.core.model.readings import Context, Cuff, Device, Identifier, Reading, ReadingSet, Subject
from quietcuff.decode.gatt.body import GattBody, GattValue

__all__ = [
    "Append",
    "AsyncClient",
    "Client",
    "Context",
    "Correction",
    "Cuff",
    "Device",
    "GattBody",
    "GattValue",
    "Identifier",
    "OpenSitting",
    "Patience",
    "Reading",
    "ReadingSet",
    "Subject",
    "ToldPayload",
    "ToldSitting",
]
