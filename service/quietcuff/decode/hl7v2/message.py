r"""HL7 v2 ORU^R01: bytes to what a report says, with the fate of every OBX that it holds.

A report names persons (PID), each with orders (OBR) of observations (OBX). Rows of one order that belong together make one
reading. No row is dropped in silence: each is used, ignored with a reason, or refused with its place and what would be
accepted. A report marked as training or debugging is read like any other and stores nothing.

Source: [HL7-2.5.1] chapters 2, 3 and 7, from memory; [PHD] for containers and units; what is done with each: [DECISION].
"""

from __future__ import annotations

from datetime import timedelta

import msgspec

from quietcuff.core.model.readings import Context, Device, Identifier
from quietcuff.decode.hl7v2.header import Head, open_message
from quietcuff.decode.hl7v2.observation import ObservationRow, read_row
from quietcuff.decode.hl7v2.people import CARE, Conventions, entity_of, observer_of, subject_of
from quietcuff.decode.hl7v2.readings import FIELDS, OrderMeasurement, ReportedReading, measurements_of, put_together
from quietcuff.decode.hl7v2.syntax import Segment, Text
from quietcuff.decode.hl7v2.times import NoSuchTime, read_time
from quietcuff.decode.local_times import is_plausible
from quietcuff.decode.payload import IncomingReading, Intended, IntendedSitting, RefusedPart

MEDIA_TYPE = "application/hl7-v2"
BEYOND = "\x1f"


class Order(msgspec.Struct, kw_only=True):
    """One OBR with its rows, containers too."""

    segment: Segment
    rows: list[ObservationRow] = []
    measurements: list[OrderMeasurement] = []


class PatientGroup(msgspec.Struct, kw_only=True):
    """One PID with its orders; without PID where an order comes before any. ``visit`` is PV1-2."""

    segment: Segment | None
    visit: str = ""
    orders: list[Order] = []


class ReadReport(msgspec.Struct, frozen=True, kw_only=True):
    """A message as it was understood. ``rejected`` where it was turned away whole, and then it has no patients."""

    head: Head
    text: Text
    patients: list[PatientGroup]
    rows: list[ObservationRow]
    sittings: list[IntendedSitting]
    rejected: RefusedPart | None = None

    @property
    def refused(self) -> list[RefusedPart]:
        """The refused parts, each place once."""
        parts = [row.fault for row in self.rows if row.fault is not None]
        return list({(part.place, part.code): part for part in parts}.values())

    def intended(self) -> Intended:
        """The sittings to store, and the refused parts."""
        return Intended(sittings=self.sittings, refused=self.refused)

    def counts(self) -> dict[str, int]:
        """Number of rows by fate, the ignored ones by reason."""
        counted: dict[str, int] = {}
        for row in self.rows:
            name = f"ignored: {row.reason}" if row.fate == "ignored" else row.fate
            counted[name] = counted.get(name, 0) + 1
        return counted


def read_report(body: bytes, conventions: Conventions) -> ReadReport:
    """Read a message.

    Raises:
        NotReadable: the bytes do not begin as an HL7 v2 message does, so that its sender cannot be answered.
    """
    opened = open_message(body)
    head, text = opened.head, opened.text
    if opened.rejected is not None:
        return ReadReport(head=head, text=text, patients=[], rows=[], sittings=[], rejected=opened.rejected)
    patients, rows = walk(text, conventions)
    refuse_wrong_clocks(head, rows, conventions)
    sittings = [
        sitting
        for patient in patients
        for order in patient.orders
        for sitting in sittings_of(head, text, patient, order, conventions)
    ]
    if head.processing in ("T", "D"):
        sittings = []
        for row in rows:
            if row.fate == "used":
                row.ignore("test-data")
    return ReadReport(head=head, text=text, patients=patients, rows=rows, sittings=sittings)


def refuse_wrong_clocks(head: Head, rows: list[ObservationRow], conventions: Conventions) -> None:
    """Refuse what was measured when it cannot have been, as the message tells it, or as the message itself came.

    Source: [PHD], unusable time stamps; how far is a [DECISION].
    """
    limits, received_at = conventions.limits, conventions.received_at
    if limits is None or received_at is None:
        return
    try:
        sent = read_time(head.sent, conventions.zone).at if head.sent else received_at
    except NoSuchTime:
        sent = received_at
    is_sender_right = is_plausible(sent, received_at, limits.message_past_days, limits)
    longest, late = timedelta(days=limits.message_past_days), timedelta(hours=limits.device_clock_future_hours)
    for row in rows:
        if row.fate == "used" and row.moment is not None and row.action == "store":
            at = row.moment.at
            if is_sender_right and sent - at <= longest and at - received_at <= late:
                continue
            detail = "A time that can have been, seen from MSH-7 and from when the message came."
            row.refuse(14, "clock-implausible", detail)


def walk(text: Text, conventions: Conventions) -> tuple[list[PatientGroup], list[ObservationRow]]:
    """The patients with their orders and rows, and every row in the order of the message."""
    patients: list[PatientGroup] = []
    rows: list[ObservationRow] = []
    order: Order | None = None
    for segment in text.segments:
        if segment.name == "PID":
            patients.append(PatientGroup(segment=segment))
            order = None
        elif segment.name == "PV1" and patients:
            patients[-1].visit = text.first(segment, 2).upper()
        elif segment.name == "OBR":
            order = Order(segment=segment)
            if not patients:
                patients.append(PatientGroup(segment=None))
            patients[-1].orders.append(order)
        elif segment.name == "OBX":
            row = read_row(text, segment, None if order is None else order.segment, conventions.zone)
            rows.append(row)
            if order is not None:
                order.rows.append(row)
            elif row.fate != "ignored":
                row.refuse(1, "no-order", "An OBR before it.")
    return patients, rows


def sittings_of(head: Head, text: Text, patient: PatientGroup, order: Order, conventions: Conventions) -> list[IntendedSitting]:
    """The readings of an order, those of each device together."""
    order.measurements = measurements_of(order.rows)
    put = [(measurement, said) for measurement in order.measurements if (said := put_together(measurement)) is not None]
    put = [one for one in put if len(put) == 1 or not is_of_no_reading(*one)]
    subject = None if patient.segment is None else subject_of(text, patient.segment, conventions)
    filler = text.plain(order.segment.field(3)).strip(text.separators.component)
    if subject is None:
        detail = "A PID whose field 3 has a number and its authority."
        refuse_used(order, "PID[1]-3" if patient.segment is None else patient.segment.place(3), "subject-missing", detail)
    elif not filler:
        refuse_used(order, order.segment.place(3), "missing", "The filler's number of the order.")
    if subject is None or not filler:
        return []
    by_device: dict[Identifier | None, list[IncomingReading]] = {}
    for measurement, said in put:
        source = BEYOND.join(("hl7v2", *head.sender, filler, measurement.key))
        device = device_of(text, order, measurement, conventions)
        by_device.setdefault(device, []).append(keyed(text, measurement, said, source, conventions))
    return [
        IntendedSitting(
            subject=subject,
            readings=readings,
            device=None if device is None else Device(identifier=device),
            context=Context(care=CARE.get(patient.visit, "ordinary")),
            based_on=placer_of(text, order, conventions),
        )
        for device, readings in by_device.items()
    ]


def is_of_no_reading(measurement: OrderMeasurement, said: ReportedReading) -> bool:
    """True for a pulse without a sub-id among several measurements, and so of none of them; its rows are left out."""
    if measurement.key or said.says != (FIELDS["pulse"],):
        return False
    for row in measurement.used():
        row.ignore("no-pressure-beside")
    return True


def refuse_used(order: Order, place: str, code: str, detail: str) -> None:
    """Refuse every row of an order that is still to be used, for a fault outside it."""
    for row in order.rows:
        if row.fate == "used":
            row.fate, row.reason = "refused", code
            row.fault = RefusedPart(place=place, code=code, detail=detail)


def keyed(
    text: Text, measurement: OrderMeasurement, said: ReportedReading, source: str, conventions: Conventions
) -> IncomingReading:
    """A reading with its key and its place, which is that of its first row."""
    rows = [row for row in measurement.rows if row.fate == "used"]
    observers = (observer_of(text, row.segment, conventions) for row in rows if row.observers)
    observer = next((each for each in observers if each is not None), None)
    return IncomingReading(
        place=rows[0].segment.place(5),
        source_key=source,
        reading=msgspec.structs.replace(said.reading, observer=observer),
        notes=said.notes,
        act=said.act,
        says=said.says if said.act == "correct" or said.says == (FIELDS["pulse"],) else None,
    )


def device_of(text: Text, order: Order, measurement: OrderMeasurement, conventions: Conventions) -> Identifier | None:
    """The device that the rows of a measurement name, else the containers that they are in."""
    containers = [row for row in order.rows if row.kind == "container" and is_within(measurement.key, row.sub_id)]
    for row in (*measurement.rows, *reversed(containers)):
        identifier = device_named(text, row, conventions)
        if identifier is not None:
            return identifier
    return None


def device_named(text: Text, row: ObservationRow, conventions: Conventions) -> Identifier | None:
    found = (entity_of(text, row.segment, 18, place, conventions) for place in range(len(text.repetitions(row.segment, 18))))
    return next((each for each in found if each is not None), None)


def is_within(key: str, container: str) -> bool:
    """True where a container's sub-id, without its trailing zeros, begins the key."""
    begin = container.rstrip(".0") if "." in container else container
    return bool(begin) and (key == begin or key.startswith(f"{begin}."))


def placer_of(text: Text, order: Order, conventions: Conventions) -> Identifier | None:
    """The order as its placer numbered it."""
    return entity_of(text, order.segment, 2, 0, conventions) if order.segment.field(2) else None
