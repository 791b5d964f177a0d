"""The Observations that one version of a set has to deliver to a target.

These are the ones that changed in that version and not again since: one that changed again is delivered with the version that
changed it last. So nothing older ever follows something newer, whenever an entry is sent or sent again. An Observation that was
never delivered is delivered in its last state.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from uuid import UUID

import msgspec

from quietcuff.core.model.decoders import DocumentDecoder
from quietcuff.core.model.errors import NotFound
from quietcuff.core.model.evaluation import Evaluation
from quietcuff.fhir.model.logical_ids import MEAN
from quietcuff.fhir.read.bundle import version_of
from quietcuff.fhir.versions.documents import EVALUATION
from quietcuff.fhir.versions.stored_sets import Publisher
from quietcuff.storage.delivery.outbox import OutboxEntry
from quietcuff.storage.delivery.targets import TargetRow
from quietcuff.storage.rows.reading_sets import SetRow, find_set
from quietcuff.storage.rows.versions import VersionMoves, VersionRow, moves_of_set
from quietcuff.storage.search.observations import Snapshot

# Reasons for which a record does not get a reading unasked. A voided reading is sent only where the record may have it already.
UNFIT = ("implausible", "voided")


class TargetOptions(msgspec.Struct, frozen=True, omit_defaults=True):
    """The options of a target: implausible readings, means of sittings that are still open, and word of sittings that have no
    result."""

    implausible: bool = False
    preliminary: bool = False
    without_result: bool = False


OPTIONS = DocumentDecoder(TargetOptions)


class Outgoing(msgspec.Struct, frozen=True, kw_only=True):
    """One version that is to be delivered.

    ``moved`` are the places that changed in it; ``newest`` are those of them that have not changed since.
    """

    row: SetRow
    version: VersionRow
    moved: frozenset[str]
    newest: frozenset[str]


def find_outgoing(snapshot: Snapshot, publisher: Publisher, target: TargetRow, entry: OutboxEntry) -> Outgoing:
    """The version behind an entry of the outbox, with the places to deliver.

    Raises:
        NotFound: the set is not there any more.
    """
    row = find_set(snapshot, entry.tenant_id, entry.set_id)
    if row is None:
        raise NotFound("reading set")

    @cache
    def version(number: int) -> VersionRow:
        return version_of(snapshot, row, number)

    @cache
    def evaluation(number: int) -> Evaluation:
        return EVALUATION.decode(version(number).evaluation)

    moves = moves_of_set(snapshot, entry.tenant_id, row.subject_id, entry.set_id)
    told = [move for move in moves if move.version <= entry.version]
    options = OPTIONS.decode(target.options)
    moved = frozenset(name for name in told[-1].places if is_sent_to(options, told, evaluation, name))
    since = frozenset(name for move in moves if move.version > entry.version for name in move.places)
    return Outgoing(row=row, version=version(entry.version), moved=moved, newest=moved - since)


def is_sent_to(options: TargetOptions, told: list[VersionMoves], evaluation: Callable[[int], Evaluation], name: str) -> bool:
    """True where a target gets a changed place.

    A target that already has an Observation gets every later change of it.
    """
    if name == MEAN:
        # Once the mean of a closed sitting was sent, a reopened sitting must not leave it standing as final.
        moves = (move for move in told if MEAN in move.places and (options.preliminary or move.is_closed))
        return any(options.without_result or evaluation(move.version).result is not None for move in moves)
    return options.implausible or was_ever_fit(told, evaluation, name)


def was_ever_fit(told: list[VersionMoves], evaluation: Callable[[int], Evaluation], name: str) -> bool:
    """True where a reading was plausible in any version that changed it. The newest is tried first: it nearly always is."""
    index = int(name[1:])
    moved_in = (move.version for move in reversed(told) if name in move.places)
    return any(evaluation(number).readings[index].reason not in UNFIT for number in moved_in)


def message_id(set_id: UUID, version: int) -> str:
    """The name of one version of a set for receivers: in its event, its delivery and its Provenance."""
    return f"{set_id}-v{version}"
