"""Storage of a payload's readings: in the set that they name, in the open set that they belong to, or in a new set.

A reading that its sender sent before is not stored twice. A correction changes the reading where it is stored.
Source: [DECISION]; what makes a reading the same as an earlier one: [PHD].
"""

from __future__ import annotations

from collections import defaultdict
from uuid import UUID

import msgspec

from quietcuff.application import parties
from quietcuff.application.context import UnitOfWork
from quietcuff.application.evaluate_and_keep import answer_of, keep
from quietcuff.application.payloads.joined import Joined
from quietcuff.application.payloads.measured import find_corrected, find_elsewhere, find_to_correct
from quietcuff.application.payloads.placing import place_readings
from quietcuff.application.payloads.said_before import pulses_said, says_the_same, was_said_before
from quietcuff.application.stored import StoredSet, find_row, load
from quietcuff.application.version_rows import Draft
from quietcuff.core.model.changes import (
    AmendReading,
    Append,
    Correction,
    ReadingChange,
    VoidReading,
    apply_append,
    apply_correction,
)
from quietcuff.core.model.errors import NotAcceptable, NotFound
from quietcuff.core.model.fields import hundredths
from quietcuff.core.model.readings import Context, Device, Identifier, IntakeNote, Reading, ReadingSet
from quietcuff.decode.payload import IncomingReading, IntendedSitting, OwnPlace, RefusedPart
from quietcuff.storage.engine.ids import keyed_digest
from quietcuff.storage.engine.statements import write_waiting
from quietcuff.storage.rows.payloads import SourceRow, find_placed, find_source
from quietcuff.storage.rows.subjects import lock_subject
from quietcuff.storage.rows.versions import newest_answer

CORRECTED = "corrected by the sender"
RETRACTED = "taken back by the sender"
COMPLETED = "completed by the sender"
# What a sender may put right; the rest of a reading is not its to say.
CORRECTABLE = (
    *("taken_at", "systolic_mmhg", "diastolic_mmhg", "mean_arterial_mmhg", "pulse_per_min"),
    *("site", "position", "method", "rhythm", "device_flags"),
)
# What a reading has that says nothing of a field.
UNSAID = {field.name: field.default for field in msgspec.structs.fields(Reading)}


def join(turn: UnitOfWork, person: UUID, sitting: IntendedSitting, joined: Joined) -> None:
    """Store the readings of one person and device, each in the set that it belongs to.

    Raises:
        IntegrityError: another process stored the person meanwhile.
    """
    known = lock_subject(turn.transaction, turn.tenant.tenant_id, person)
    fresh: dict[bytes, IncomingReading] = {}
    changes: dict[UUID, list[tuple[int, IncomingReading]]] = defaultdict(list)
    for said in sitting.readings:
        if said.own is not None and meet_own(turn, person, said, said.own, joined):
            continue
        digest = keyed_digest(turn.tenant.secret, b"source", said.source_key.encode())
        keyed, stored = recognise(turn, person, said, None if digest in fresh else digest, sitting, joined)
        if keyed is None:
            continue
        if stored is None:
            note_fresh(fresh, digest, keyed, joined)
        elif keyed.act == "add":
            completion = meet_again(turn, keyed, stored, joined)
            if completion is not None:
                changes[stored.set_id].append((stored.reading_index, completion))
        else:
            changes[stored.set_id].append((stored.reading_index, keyed))
    # Corrections first: a fresh reading may join the very set that is corrected, and must find its newest version.
    for set_id, corrections in changes.items():
        put_right(turn, person, set_id, corrections, joined)
    if fresh:
        in_time = sorted(fresh.items(), key=lambda pair: pair[1].reading.taken_at)
        met = parties.resolve_person(turn, person, sitting.subject, known)
        if add(turn, person, met, sitting, in_time, joined):
            parties.save(turn, met)
            # Another sitting of this payload may be of the same person.
            write_waiting(turn.transaction)


def meet_own(turn: UnitOfWork, person: UUID, keyed: IncomingReading, own: OwnPlace, joined: Joined) -> bool:
    """Handle a reading that this service itself published. True if it is stored here: it is known, and cannot be changed this
    way."""
    stored = find_placed(turn.transaction, turn.tenant.tenant_id, person, UUID(own.set_id), own.reading)
    if stored is None:
        return False
    if keyed.act != "retract" and says_the_same(keyed.reading, stored):
        joined.replayed += 1
        remember_known(turn, stored.set_id, joined)
    else:
        detail = "What this service says of its own reading; to change it, correct the reading set."
        joined.refused.append(RefusedPart(place=keyed.place, code="differs-from-stored", detail=detail))
    return True


def find_alike(turn: UnitOfWork, person: UUID, keyed: IncomingReading) -> SourceRow | None:
    """The same reading under another of its keys, close enough in time."""
    for key in keyed.alike:
        digest = keyed_digest(turn.tenant.secret, b"source", key.encode())
        stored = find_source(turn.transaction, turn.tenant.tenant_id, person, digest)
        if stored is not None and abs(stored.taken_at - keyed.reading.taken_at) < keyed.alike_within:
            return stored
    return None


def recognise(
    turn: UnitOfWork,
    person: UUID,
    keyed: IncomingReading,
    digest: bytes | None,
    sitting: IntendedSitting,
    joined: Joined,
) -> tuple[IncomingReading | None, SourceRow | None]:
    """A reading as far as it is to be stored, and the stored one that it is; None for a correction that is refused.

    ``digest`` is that of its key, or None where this payload has another reading of that key.
    """
    stored = None if digest is None else find_source(turn.transaction, turn.tenant.tenant_id, person, digest)
    stored = stored or find_alike(turn, person, keyed)
    if stored is not None or digest is None:
        return keyed, stored
    device = keyed.reading.device or sitting.device
    if keyed.act == "add":
        return keyed, None if is_partial(keyed) else find_told_otherwise(turn, person, keyed.reading, device, joined)
    stored, meant = find_to_correct(turn, person, keyed.reading, device, joined)
    if meant is not None:
        detail = f"A reading that is the only one of its moment and device. That of set {meant} may be meant: correct it there."
        joined.refused.append(RefusedPart(place=keyed.place, code="reading-elsewhere", detail=detail))
        return None, None
    return (keyed if stored is None else only_said(keyed)), stored


def find_told_otherwise(
    turn: UnitOfWork, person: UUID, reading: Reading, device: Device | None, joined: Joined
) -> SourceRow | None:
    """The same measurement, stored already from another sender: with these pressures now, or before it was corrected."""
    taken = joined.met | joined.places()
    stored = find_elsewhere(turn, person, reading, device, joined.kind, taken)
    stored = stored or find_corrected(turn, person, reading, device, joined)
    if stored is not None:
        joined.met.add((stored.set_id, stored.reading_index))
    return stored


def only_said(keyed: IncomingReading) -> IncomingReading:
    """A correction reduced to what it says: of another sender's reading, the rest stays as that sender said it."""
    if keyed.act != "correct" or keyed.says is not None:
        return keyed
    said = tuple(name for name in CORRECTABLE if getattr(keyed.reading, name) not in (UNSAID[name], None, []))
    return msgspec.structs.replace(keyed, says=said)


def note_fresh(fresh: dict[bytes, IncomingReading], digest: bytes, keyed: IncomingReading, joined: Joined) -> None:
    """Record a reading that is not stored yet. If its key comes several times in one payload, the last occurrence counts."""
    if keyed.says is not None and digest in fresh:
        said = {name: getattr(keyed.reading, name) for name in keyed.says}
        fresh[digest] = msgspec.structs.replace(fresh[digest], reading=msgspec.structs.replace(fresh[digest].reading, **said))
    elif keyed.act != "retract" and not is_partial(keyed):
        joined.replayed += digest in fresh
        fresh[digest] = keyed
    elif keyed.act == "add":
        # A pulse by itself, of no reading that is known here.
        return
    elif fresh.pop(digest, None) is None:
        detail = "The key of a reading that was stored before."
        joined.refused.append(RefusedPart(place=keyed.place, code="no-such-reading", detail=detail))


def is_partial(keyed: IncomingReading) -> bool:
    """True if the reading carries only part of its values and so cannot stand alone."""
    return keyed.says is not None and not {"systolic_mmhg", "diastolic_mmhg"} <= set(keyed.says)


def meet_again(turn: UnitOfWork, keyed: IncomingReading, stored: SourceRow, joined: Joined) -> IncomingReading | None:
    """Compare a reading with the one stored under its key: a repeat, an earlier value of it, or a contradiction.

    Returns the reading reduced to its pulse if the stored reading never had one; otherwise None.
    """
    has_pressures = keyed.says is None or not is_partial(keyed)
    same = not has_pressures or says_the_same(keyed.reading, stored) or was_said_before(turn, keyed.reading, stored, joined)
    pulse = None if keyed.reading.pulse_per_min is None else hundredths(keyed.reading.pulse_per_min)
    if same and pulse not in (None, stored.pulse) and pulse not in pulses_said(turn, stored, joined):
        if stored.pulse is None and not pulses_said(turn, stored, joined):
            return msgspec.structs.replace(keyed, says=("pulse_per_min",))
        same = False
    if same:
        joined.replayed += 1
        remember_known(turn, stored.set_id, joined)
    else:
        detail = "Another value under the key of a stored reading is a correction, and must say so."
        joined.refused.append(RefusedPart(place=keyed.place, code="differs-from-stored", detail=detail))
    return None


def remember_known(turn: UnitOfWork, set_id: UUID, joined: Joined) -> None:
    """Add a known set to the answer, in its current version."""
    if set_id not in joined.answers and set_id not in joined.known:
        version = newest_answer(turn.transaction, turn.tenant.tenant_id, set_id)
        if version is not None:
            joined.known[set_id] = answer_of(version)


def add(
    turn: UnitOfWork,
    person: UUID,
    met: parties.ResolvedPerson,
    sitting: IntendedSitting,
    fresh: list[tuple[bytes, IncomingReading]],
    joined: Joined,
) -> int:
    """Add readings to their sittings: to a named or open set, or to a new one.

    Returns the number of sets stored. Readings that the rules cannot evaluate are refused, and the rest goes on.
    """
    try:
        placed = place_readings(turn, person, sitting, fresh)
    except NotFound:
        detail = "The id of a set of this person."
        joined.refused += [RefusedPart(place=keyed.place, code="unknown-set", detail=detail) for _, keyed in fresh]
        return 0
    detail = "Readings of one user of the device in a sitting; or a device registered with who its users are."
    joined.refused += [RefusedPart(place=keyed.place, code="several-users", detail=detail) for keyed in placed.of_several_users]
    stored = 0
    for gathering in placed.gatherings:
        try:
            if gathering.stored is not None:
                append(turn, person, gathering.stored, sitting, gathering.added, joined)
            else:
                open_new(turn, person, met, sitting, gathering.added, joined, is_new_person=met.is_new and not stored)
            stored += 1
        except NotAcceptable as refusal:
            joined.refused += refused_parts(gathering.added, refusal)
        # The history of the next set is read from what is stored.
        write_waiting(turn.transaction)
    return stored


def refused_parts(readings: list[tuple[bytes, IncomingReading]], refusal: NotAcceptable) -> list[RefusedPart]:
    """Refused parts for readings that are refused together, each with the first reason."""
    fault = refusal.faults[0]
    return [RefusedPart(place=keyed.place, code=fault.code, detail=fault.detail) for _, keyed in readings]


def described(keyed: IncomingReading, sitting: IntendedSitting, own: ReadingSet) -> Reading:
    """A reading with its own device and cuff where they differ from those of the set that it is added to."""
    reading = keyed.reading
    return msgspec.structs.replace(
        reading,
        device=reading.device or (sitting.device if sitting.device != own.device else None),
        cuff=reading.cuff or (sitting.cuff if sitting.cuff != own.cuff else None),
    )


def append(
    turn: UnitOfWork,
    person: UUID,
    stored: StoredSet,
    sitting: IntendedSitting,
    added: list[tuple[bytes, IncomingReading]],
    joined: Joined,
) -> None:
    """Add readings to an open set."""
    first = len(stored.reading_set.readings)
    change = Append(readings=[described(keyed, sitting, stored.reading_set) for _, keyed in added], closed=sitting.closed)
    changed = apply_append(stored.reading_set, change)
    draft = Draft(
        reading_set=changed.reading_set,
        cause="closed" if sitting.closed else "appended",
        codes=changed.codes,
        has_arrived=True,
        facts_differ=stored.facts_differ,
        source_keys=keys_from(first, added),
        notes=notes_from(first, added),
    )
    answer = keep(turn, person, stored.row.set_id, draft, stored)
    joined.changed(person, answer, range(first, first + len(added)), sitting.user)


def open_new(
    turn: UnitOfWork,
    person: UUID,
    met: parties.ResolvedPerson,
    sitting: IntendedSitting,
    added: list[tuple[bytes, IncomingReading]],
    joined: Joined,
    *,
    is_new_person: bool,
) -> None:
    """Open a new set with readings."""
    reading_set = ReadingSet(
        subject=met.said,
        setting=sitting.setting,
        attendance=sitting.attendance,
        context=sitting.context or Context(),
        device=sitting.device,
        cuff=sitting.cuff,
        observer=sitting.observer,
        location=sitting.location,
        encounter=sitting.encounter,
        based_on=sitting.based_on,
        closed=sitting.closed,
        readings=[keyed.reading for _, keyed in added],
    )
    draft = Draft(
        reading_set=reading_set,
        cause="created",
        is_of_new_person=is_new_person,
        facts_differ=met.differ,
        source_keys=keys_from(0, added),
        notes=notes_from(0, added),
    )
    answer = keep(turn, person, turn.desk.new_id(person, turn.now), draft, None)
    joined.changed(person, answer, range(len(added)), sitting.user)


def keys_from(first: int, added: list[tuple[bytes, IncomingReading]]) -> dict[int, bytes]:
    return {first + place: digest for place, (digest, _) in enumerate(added)}


def notes_from(first: int, added: list[tuple[bytes, IncomingReading]]) -> list[IntakeNote]:
    return [IntakeNote(reading=first + place, code=code) for place, (_, keyed) in enumerate(added) for code in keyed.notes]


def put_right(
    turn: UnitOfWork, person: UUID, set_id: UUID, corrections: list[tuple[int, IncomingReading]], joined: Joined
) -> None:
    """Correct or void stored readings at the request of their sender, with one new version for each set."""
    stored = load(turn, find_row(turn, set_id))
    changes: list[AmendReading | VoidReading] = []
    for place, keyed in corrections:
        change = change_of(stored.reading_set.readings[place], place, keyed)
        if change is None:
            joined.replayed += 1
        else:
            changes.append(change)
    # A set that was voided here stays voided, whatever its sender corrects: its repeat is answered and changes nothing.
    if stored.row.status == "voided" or not changes:
        remember_known(turn, set_id, joined)
        return
    reason = RETRACTED if all(isinstance(change, VoidReading) for change in changes) else CORRECTED
    if all(keyed.act == "add" for _, keyed in corrections):
        reason = COMPLETED
    try:
        changed = apply_correction(stored.reading_set, Correction(reason=reason, changes=list(changes)))
        draft = Draft(
            reading_set=changed.reading_set,
            cause="corrected",
            codes=changed.codes,
            facts_differ=stored.facts_differ,
            reason=reason,
            author=author_of(corrections),
        )
        answer = keep(turn, person, set_id, draft, stored)
    except NotAcceptable as refusal:
        joined.refused += refused_parts([(b"", keyed) for _, keyed in corrections], refusal)
    else:
        joined.changed(person, answer, (change.index for change in changes))
        # What is added to the set next reads the version that was just made.
        write_waiting(turn.transaction)


def author_of(corrections: list[tuple[int, IncomingReading]]) -> Identifier | None:
    """The observer whom the sender names for a correction, if any."""
    return next((keyed.reading.observer for _, keyed in corrections if keyed.reading.observer is not None), None)


def change_of(stored: Reading, place: int, keyed: IncomingReading) -> AmendReading | VoidReading | None:
    """The change that a sender's reading makes to a stored one. None if there is nothing to change."""
    # A reading that was voided here is not brought back by its sender.
    if stored.voided:
        return None
    if keyed.act == "retract":
        return VoidReading(index=place)
    names = CORRECTABLE if keyed.says is None else keyed.says
    values = {name: getattr(keyed.reading, name) for name in names if getattr(keyed.reading, name) != getattr(stored, name)}
    return AmendReading(index=place, set=ReadingChange(**values)) if values else None
