"""The plan of an export from its kick-off. Sources: Bulk Data Access 3, query parameters; SMART App Launch, scopes."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from datetime import datetime
from typing import Literal
from urllib.parse import parse_qsl, unquote

import msgspec

from quietcuff.core.model.errors import Fault, NotAcceptable, NotAllowed
from quietcuff.fhir.bulk.plan import EXPORTED_TYPES, ExportPlan, Pairs, TypeFilter
from quietcuff.fhir.bulk.type_filter import query_of
from quietcuff.fhir.model.logical_ids import is_plain_id
from quietcuff.fhir.search.date_values import Clock, parse_date
from quietcuff.fhir.search.parameter import reference_id, refused
from quietcuff.fhir.versions.stored_sets import Publisher
from quietcuff.storage.bulk.groups import Members
from quietcuff.storage.engine.ids import read_id
from quietcuff.storage.search.observations import Snapshot

Level = Literal["system", "patient", "group"]
OUTPUT_FORMATS = frozenset(("application/fhir+ndjson", "application/ndjson", "ndjson"))
FILTER_PARAMETERS_BEGINNING_SO = frozenset(("_id", "_lastUpdated"))
# Every filter is a search of its own on every page, and the plan is kept with the job: both must stay small.
MOST_FILTERS, MOST_PATIENTS, MOST_ELEMENTS = 50, 1_000, 100
ELEMENT = re.compile(r"(?:[A-Z][A-Za-z]{1,63}\.)?[a-z][A-Za-z]{0,63}", re.ASCII)
# A comma that begins another filter; any other one stands inside a filter.
BETWEEN_FILTERS = re.compile(r",(?=[A-Za-z]{1,64}\?)", re.ASCII)
NOT_OFFERED = "One of _type, _since, _until, _typeFilter, _elements, _outputFormat"
PATIENT_BY_POST = "patient, by POST to Patient/$export or to that of a group"

# By type that may be read, the searches to which the scopes narrow it; None where all of the type may be read.
Readable = Mapping[str, list[Pairs] | None]


class KickOff(msgspec.Struct, frozen=True, kw_only=True):
    """A kick-off request. ``request`` is its address as the client sees it; ``is_lenient`` is Prefer: handling=lenient."""

    request: str
    level: Level
    parameters: list[tuple[str, str]]
    by_post: bool = False
    is_lenient: bool = False


class KickOffReader:
    """Reader of a kick-off. It gathers all faults, and notes what it ignores for a lenient client."""

    def __init__(self, snapshot: Snapshot, asked: KickOff, publisher: Publisher, now: datetime) -> None:
        self.snapshot, self.asked, self.publisher, self.now = snapshot, asked, publisher, now
        self.faults: list[Fault] = []
        self.notes: list[str] = []
        self.types: list[str] = []
        self.filters: list[TypeFilter] = []
        self.elements: list[str] = []
        self.patients: list[str] = []
        self.since: datetime | None = None
        self.until: datetime | None = None

    def take(self, name: str, value: str) -> None:
        """Read one parameter."""
        read = READERS.get(name)
        # Bulk Data Access 3 defines patient for POST only, and not at the level of the system.
        is_for_here = name != "patient" or (self.asked.by_post and self.asked.level != "system")
        if read is None or not is_for_here:
            self.pass_over(name, f"{NOT_OFFERED}; {PATIENT_BY_POST}.", "parameter-not-supported")
            return
        try:
            read(self, value)
        except NotAcceptable as refusal:
            self.faults += [in_parameter(fault, name) for fault in refusal.faults]

    def pass_over(self, name: str, accepted: str, code: str = "not-supported") -> None:
        """Refuse something that is not offered; for a lenient client note that it was ignored."""
        if self.asked.is_lenient:
            self.notes.append(f"{printable_name(name)} was not heeded. Accepted: {accepted}")
        else:
            self.faults.append(Fault(parameter=name, code=code, detail=accepted))

    def moment(self, name: str, value: str) -> datetime:
        """The instant that a value names. A date means its first moment."""
        if not value[:1].isdigit():
            raise NotAcceptable.of(parameter=name, code="not-a-date", detail="A date or an instant with its offset.")
        return parse_date(value, name, Clock(self.publisher.tenant.zone, self.now)).low


def read_since(reading: KickOffReader, value: str) -> None:
    reading.since = reading.moment("_since", value)


def read_until(reading: KickOffReader, value: str) -> None:
    reading.until = reading.moment("_until", value)


def read_output_format(reading: KickOffReader, value: str) -> None:
    # A plus that was not encoded arrives as a space.
    if value.replace(" ", "+") not in OUTPUT_FORMATS:
        reading.pass_over("_outputFormat", f"{', '.join(sorted(OUTPUT_FORMATS))}.")


def read_type(reading: KickOffReader, value: str) -> None:
    for name in value.split(","):
        if name in EXPORTED_TYPES:
            reading.types.append(name)
        else:
            reading.pass_over("_type", f"{', '.join(EXPORTED_TYPES)}.")


def read_type_filter(reading: KickOffReader, value: str) -> None:
    for text in BETWEEN_FILTERS.split(value):
        resource_type, mark, query = text.partition("?")
        if not mark or resource_type not in EXPORTED_TYPES:
            reading.pass_over("_typeFilter", f"A search of {', '.join(EXPORTED_TYPES)}, such as Observation?code=...")
            continue
        parameters = filter_parameters(query)
        # Read here for its faults alone: a bad filter must fail the kick-off, not the job that runs later.
        query_of(resource_type, parameters, reading.publisher, reading.now, reading.snapshot)
        reading.filters.append(TypeFilter(resource_type, parameters))
    check_number("_typeFilter", reading.filters, MOST_FILTERS)


def filter_parameters(query: str) -> Pairs:
    """The parameters inside a filter: decoded once more, for clients encode inner commas twice.

    Raises:
        NotAcceptable: not percent-encoded UTF-8, or a parameter that shapes the answer and finds nothing.
    """
    try:
        # A plus is no space here: it was decoded once already, and stands in times.
        pairs = parse_qsl(query.replace("+", "%2B"), keep_blank_values=True, errors="strict", max_num_fields=20)
        if any("\0" in name or "\0" in value for name, value in pairs):
            raise ValueError
    except ValueError as error:
        raise refused("_typeFilter", "not-utf-8", "At most 20 parameters in a filter, percent-encoded UTF-8.") from error
    shaping = [name for name, _ in pairs if name.startswith("_") and name not in FILTER_PARAMETERS_BEGINNING_SO]
    if shaping or not pairs:
        raise refused("_typeFilter", "not-supported", "Search parameters that find something; none such as _sort or _include.")
    return tuple(pairs)


def read_elements(reading: KickOffReader, value: str) -> None:
    names = value.split(",")
    if not all(ELEMENT.fullmatch(name) for name in names):
        raise refused("_elements", "not-supported", "Names of elements at the root, such as code or Observation.code.")
    reading.elements += names
    check_number("_elements", reading.elements, MOST_ELEMENTS)


def read_patient(reading: KickOffReader, value: str) -> None:
    found = reference_id(value, "Patient", reading.publisher.fhir_url)
    if not is_plain_id(found):
        raise refused("patient", "not-an-id", "A reference such as Patient/ID with an id as this service gives them.")
    reading.patients.append(found)
    check_number("patient", reading.patients, MOST_PATIENTS)


READERS: dict[str, Callable[[KickOffReader, str], None]] = {
    "_elements": read_elements,
    "_outputFormat": read_output_format,
    "_since": read_since,
    "_type": read_type,
    "_typeFilter": read_type_filter,
    "_until": read_until,
    "patient": read_patient,
}


def plan_of(
    snapshot: Snapshot, asked: KickOff, publisher: Publisher, members: Members, readable: Readable, now: datetime
) -> ExportPlan:
    """The plan that a kick-off asks for, within what its key may read.

    Raises:
        NotAcceptable: every fault, each with its parameter.
        NotAllowed: a type is asked for by name that the key may not read, or it may read none.
    """
    reading = KickOffReader(snapshot, asked, publisher, now)
    for name, value in asked.parameters:
        reading.take(name, value)
    if reading.faults:
        raise NotAcceptable(reading.faults)
    types = wanted_types(reading, readable)
    patients = frozenset(read_id(patient) for patient in reading.patients)
    if patients:
        known = members.subject_ids
        members = msgspec.structs.replace(members, subject_ids=patients if known is None else patients & known, group_id=None)
    return ExportPlan(
        request=asked.request,
        types=types,
        members=members,
        since=reading.since,
        until=reading.until,
        filters=tuple(filters_within_scopes(reading.filters, types, readable)),
        elements=tuple(dict.fromkeys(reading.elements)),
        notes=tuple(dict.fromkeys(reading.notes)),
    )


def wanted_types(reading: KickOffReader, readable: Readable) -> tuple[str, ...]:
    """The types to export, in the order of export: those asked for, else all that may be read.

    Raises:
        NotAllowed: one of those asked for may not be read, or there is none that may.
        NotAcceptable: a filter is of a type that is not exported, or nothing is left to export.
    """
    # A type named in _type must not be left out silently: the client would take its absence for "no data".
    closed = [name for name in reading.types if name not in readable]
    if closed or not readable:
        raise NotAllowed(f"system/{closed[0] if closed else 'Observation'}.rs")
    is_all = not any(name == "_type" for name, _ in reading.asked.parameters)
    types = tuple(name for name in EXPORTED_TYPES if name in (readable if is_all else reading.types))
    if not types:
        raise refused("_type", "not-supported", f"{', '.join(EXPORTED_TYPES)}.")
    if any(one.type not in types for one in reading.filters):
        raise refused("_typeFilter", "not-supported", "Filters of the types that _type names.")
    return types


def filters_within_scopes(filters: Iterable[TypeFilter], types: Iterable[str], readable: Readable) -> Iterable[TypeFilter]:
    """Each filter combined with each search to which a scope narrows its type."""
    for resource_type in types:
        asked = [one.parameters for one in filters if one.type == resource_type]
        parts = readable[resource_type]
        for parameters in asked or ([()] if parts is not None else []):
            for part in [()] if parts is None else parts:
                yield TypeFilter(resource_type, (*parameters, *part))


def check_number(parameter: str, items: list[object] | list[str] | list[TypeFilter], most: int) -> None:
    if len(items) > most:
        raise refused(parameter, "too-many", f"At most {most}.")


def in_parameter(fault: Fault, name: str) -> Fault:
    """A fault of a search inside a filter, reported as a fault of the filter."""
    if name != "_typeFilter" or fault.parameter in (None, name):
        return fault
    return msgspec.structs.replace(fault, parameter=name, detail=f"{printable_name(fault.parameter or '')}: {fault.detail}")


def printable_name(name: str) -> str:
    """The name of a parameter for a message; "A parameter" where the name is not safe to repeat."""
    return name if re.fullmatch(r"[A-Za-z_][A-Za-z0-9_:.-]{0,63}", unquote(name), re.ASCII) else "A parameter"
