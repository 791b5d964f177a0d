"""Answers as a client has them: what must not wait, then the next step, then all the rest."""

from __future__ import annotations

from typing import NamedTuple

import msgspec

from quietcuff.answered import Envelope, RefusedPayload
from quietcuff.core.model.evaluation import Evaluation, Safety, Step
from quietcuff.core.safety.safety import LEVELS


class OpenSitting(msgspec.Struct, frozen=True, kw_only=True):
    """A stored sitting at one version. ``etag`` names that version to the next change; ``replayed`` is True where the answer
    repeats an earlier one."""

    envelope: Envelope
    etag: str
    replayed: bool = False

    @property
    def id(self) -> str:
        """The id of the sitting."""
        return self.envelope.id

    @property
    def evaluation(self) -> Evaluation:
        """What the rules say of the sitting."""
        return self.envelope.evaluation


class ToldSitting(NamedTuple):
    """The answer to a change or a read. A tuple, so that nobody gets at the sitting without naming what must not wait."""

    safety: Safety
    next_step: Step
    sitting: OpenSitting


class ToldPayload(NamedTuple):
    """The answer to a device's payload: the gravest safety of its sittings with that sitting's next step, then each sitting,
    and what could not be read. Where nothing was stored there is no safety to tell."""

    safety: Safety | None
    next_step: Step | None
    sittings: list[ToldSitting]
    refused: list[RefusedPayload]
    replayed: int


def told_of(envelope: Envelope, *, etag: str | None = None, replayed: bool = False) -> ToldSitting:
    """The answer that an envelope is."""
    sitting = OpenSitting(envelope=envelope, etag=etag or f'"{envelope.version}"', replayed=replayed)
    return ToldSitting(envelope.evaluation.safety, envelope.evaluation.next_step, sitting)


def gravest(sittings: list[ToldSitting]) -> ToldSitting | None:
    """The sitting that can wait least; of several alike the first."""
    return max(sittings, key=lambda told: LEVELS.index(told.safety.level), default=None)
