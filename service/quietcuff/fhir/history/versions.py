"""Versions of a resource: one by its number, or the history narrowed by _since, _at and _count.

Observations are replayed from the versions of their set; earlier versions of people and devices are kept as rows.
Source: FHIR R4 http, vread and history.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import datetime
from typing import Any, Protocol, TypeVar
from urllib.parse import urlencode
from uuid import UUID

import msgspec

from quietcuff import __version__
from quietcuff.core.model.errors import NotAcceptable, NotFound
from quietcuff.core.record.sitting_version import ResourceState
from quietcuff.fhir.history.read import ENCODER, ReadResource, read_resource
from quietcuff.fhir.model.logical_ids import is_plain_id, observation_key, place_name, provenance_version
from quietcuff.fhir.model.resources import Bundle, Entry, EntryRequest, EntryResponse, Link, Observation, Resource
from quietcuff.fhir.read.deletions import deleted_at, refuse_deleted
from quietcuff.fhir.read.parties import device_shown, find_device_shown, find_patient, patient_shown
from quietcuff.fhir.read.provenances import provenances_of
from quietcuff.fhir.resources.device import SERVICE_ID, service_device
from quietcuff.fhir.resources.readings import BUILDERS
from quietcuff.fhir.resources.result import mean_observation
from quietcuff.fhir.resources.sitting import SittingVersion, frame_of, instant
from quietcuff.fhir.search.date_values import Clock, parse_date
from quietcuff.fhir.search.parameter import refused
from quietcuff.fhir.search.request import CURSOR, LONGEST_NUMBER, MOST_COUNT, PASSED_OVER
from quietcuff.fhir.versions.replay import ReplayedSet
from quietcuff.fhir.versions.stored_sets import Publisher
from quietcuff.storage.rows.former_parties import devices_before, subjects_before
from quietcuff.storage.rows.versions import VersionRow, versions_of_sets
from quietcuff.storage.search.observations import Snapshot
from quietcuff.storage.search.query import ObservationKey


class Dated(Protocol):
    """Anything with the time at which it was made; None where it has no date."""

    @property
    def updated_at(self) -> datetime | None: ...


V = TypeVar("V", bound=Dated)


class HistoryRequest(msgspec.Struct, frozen=True, kw_only=True):
    """The wanted versions: made at ``since`` or later, and current at some time from ``stood_from`` up to, but not including,
    ``stood_until``. ``count`` is the size of a page (None for all); ``before`` is a place, counted from the oldest version."""

    since: datetime | None = None
    stood_from: datetime | None = None
    stood_until: datetime | None = None
    count: int | None = None
    before: int | None = None
    understood: tuple[tuple[str, str], ...] = ()

    def wanted(self, versions: Sequence[V]) -> list[V]:
        """The wanted ones of all versions. Both lists are oldest first."""
        ends = [one.updated_at for one in versions[1:]] + [None]
        return [one for one, end in zip(versions, ends, strict=True) if self._wants(one.updated_at, end)]

    def _wants(self, begin: datetime | None, end: datetime | None) -> bool:
        is_late_enough = self.since is None or begin is None or begin >= self.since
        stood = self.stood_until is None or begin is None or begin < self.stood_until
        return is_late_enough and stood and (self.stood_from is None or end is None or end > self.stood_from)

    def page(self, found: Sequence[V]) -> tuple[list[V], int]:
        """One page, newest first, and the number of versions older than the page."""
        last = len(found) if self.before is None else min(self.before, len(found))
        first = 0 if self.count is None else max(0, last - self.count)
        return list(reversed(found[first:last])), first

    def links(self, address: str, older: int) -> list[Link]:
        """The links to this page, and to the next one where there is one."""
        pages = [("self", self.understood)]
        if older and self.count:
            kept = tuple(pair for pair in self.understood if pair[0] != CURSOR)
            pages.append(("next", (*kept, (CURSOR, str(older)))))
        return [Link(relation=name, url=f"{address}/_history{asked_by(pairs)}") for name, pairs in pages]


def asked_by(pairs: Iterable[tuple[str, str]]) -> str:
    query = urlencode(list(pairs), safe="/:,$")
    return f"?{query}" if query else ""


def parse_looking_back(items: Iterable[tuple[str, str]], clock: Clock, *, is_strict: bool) -> HistoryRequest:
    """Read the parameters of a history request. An unknown parameter is left out, unless handling is strict.

    Raises:
        NotAcceptable: every fault, each with its parameter.
    """
    wanted, faults = HistoryRequest(), []
    for name, value in items:
        try:
            if name in READERS:
                if any(known == name for known, _ in wanted.understood):
                    raise refused(name, "repeated-parameter", "One value.")
                wanted = READERS[name](wanted, value, clock)
            elif is_strict and name not in PASSED_OVER:
                raise refused(name, "parameter-not-supported", f"One of {', '.join(READERS)}.")
        except NotAcceptable as refusal:
            faults += refusal.faults
    if faults:
        raise NotAcceptable(faults)
    return wanted


def read_since(wanted: HistoryRequest, value: str, clock: Clock) -> HistoryRequest:
    since = parse_date(plain_date("_since", value), "_since", clock).low
    return msgspec.structs.replace(wanted, since=since, understood=(*wanted.understood, ("_since", instant(since))))


def read_at(wanted: HistoryRequest, value: str, clock: Clock) -> HistoryRequest:
    at = parse_date(plain_date("_at", value), "_at", clock)
    # A plus that was not encoded arrives as a space; the self link must carry the offset as it was meant.
    understood = (*wanted.understood, ("_at", value.replace(" ", "+")))
    return msgspec.structs.replace(wanted, stood_from=at.low, stood_until=at.high, understood=understood)


def plain_date(name: str, value: str) -> str:
    """A date without a prefix."""
    if not value[:1].isdigit():
        raise refused(name, "not-a-date", "One moment, such as 2026-05-04T09:00:00Z.")
    return value


def read_count(wanted: HistoryRequest, value: str, clock: Clock) -> HistoryRequest:
    count = min(whole_number("_count", "not-a-count", value), MOST_COUNT)
    return msgspec.structs.replace(wanted, count=count, understood=(*wanted.understood, ("_count", str(count))))


def read_cursor(wanted: HistoryRequest, value: str, clock: Clock) -> HistoryRequest:
    before = whole_number(CURSOR, "bad-cursor", value)
    return msgspec.structs.replace(wanted, before=before, understood=(*wanted.understood, (CURSOR, str(before))))


def whole_number(name: str, code: str, value: str) -> int:
    if not (value.isascii() and value.isdigit()) or len(value) > LONGEST_NUMBER:
        raise refused(name, code, "A whole number from 0.")
    return int(value)


READERS: dict[str, Callable[[HistoryRequest, str, Clock], HistoryRequest]] = {
    "_at": read_at,
    "_count": read_count,
    "_since": read_since,
    CURSOR: read_cursor,
}


class Deletion(msgspec.Struct, frozen=True):
    """The deletion of a resource, of which only the time is kept."""

    updated_at: datetime


class HistoryVersion(msgspec.Struct, frozen=True):
    """One version of a resource."""

    resource: Resource
    version: str
    updated_at: datetime | None

    @property
    def read(self) -> ReadResource:
        return ReadResource(resource=self.resource, version=self.version, updated_at=self.updated_at)


def read_version(snapshot: Snapshot, publisher: Publisher, resource_type: str, logical_id: str, version: str) -> ReadResource:
    """One version of a resource.

    Raises:
        NotFound: no such resource, or no such version of it.
        Deleted: the resource was deleted.
    """
    if resource_type not in PASTS:
        return current_version(read_resource(snapshot, publisher, resource_type, logical_id), version)
    try:
        found = PASTS[resource_type](snapshot, publisher, logical_id)
    except NotFound:
        refuse_deleted(snapshot, publisher, resource_type, logical_id)
        raise
    past = next((one for one in found if one.version == version), None)
    if past is None:
        raise NotFound("version")
    return past.read


def current_version(read: ReadResource, version: str) -> ReadResource:
    """The only version of a resource that never changes."""
    if read.version != version:
        raise NotFound("version")
    return read


def history(
    snapshot: Snapshot, publisher: Publisher, resource_type: str, logical_id: str, looking_back: HistoryRequest
) -> bytes:
    """The wanted versions of a resource, newest first, as a Bundle in JSON. A deleted resource has one entry, its deletion.

    Raises:
        NotFound: no such resource.
    """
    address = publisher.address(resource_type, logical_id)
    found: list[HistoryVersion | Deletion] = []
    try:
        found += PASTS[resource_type](snapshot, publisher, logical_id)
    except NotFound:
        at = deleted_at(snapshot, publisher, resource_type, logical_id)
        if at is None:
            raise
        found.append(Deletion(at))
    wanted = looking_back.wanted(found)
    page, older = looking_back.page(wanted)
    bundle = Bundle(
        type="history",
        total=len(wanted),
        link=looking_back.links(address, older),
        entry=[entry_of(one, address, f"{resource_type}/{logical_id}", is_first=one is found[0]) for one in page] or None,
    )
    return ENCODER.encode(bundle)


def entry_of(past: HistoryVersion | Deletion, address: str, name: str, *, is_first: bool) -> Entry:
    # R4 (bdl-3, bdl-4) demands a request and a response in each entry of a history, though no client sent one.
    if isinstance(past, Deletion):
        return Entry(
            full_url=address,
            request=EntryRequest(method="DELETE", url=name),
            response=EntryResponse(status="204 No Content", last_modified=instant(past.updated_at)),
        )
    return Entry(
        full_url=address,
        resource=past.resource,
        request=EntryRequest(method="PUT", url=name),
        response=EntryResponse(
            status="201 Created" if is_first else "200 OK",
            etag=f'W/"{past.version}"',
            last_modified=None if past.updated_at is None else instant(past.updated_at),
        ),
    )


def observation_past(snapshot: Snapshot, publisher: Publisher, logical_id: str) -> list[HistoryVersion]:
    """The versions of an Observation, oldest first."""
    key = observation_key(logical_id)
    rows = [] if key is None else versions_of_sets(snapshot, publisher.tenant.tenant_id, {UUID(key.set_id)})
    if key is None or key.kind not in publisher.sight.kinds:
        raise NotFound("Observation")
    found: list[HistoryVersion] = []
    for stand, sitting in states_after_each_version(publisher, rows, key):
        # Most versions of a set leave this Observation as it was: only a change makes a new version of it.
        if not found or found[-1].version != str(stand.version):
            found.append(HistoryVersion(observation_of(publisher, sitting, key, stand), str(stand.version), stand.updated_at))
    if not found:
        raise NotFound("Observation")
    return found


def states_after_each_version(
    publisher: Publisher, rows: list[VersionRow], key: ObservationKey
) -> Iterator[tuple[ResourceState, SittingVersion]]:
    """The state of an Observation after each version of its set, and the version of the set that it shows."""
    retold = ReplayedSet(publisher, rows)
    for version, stands in retold.stands(len(rows)):
        if key.kind == "mean" and stands.mean is not None:
            yield stands.mean.stand, retold.sitting(stands.mean.from_version)
        elif (stand := stands.places.get(place_name(key.kind, key.index))) is not None:
            yield stand, retold.sitting(version)


def observation_of(publisher: Publisher, sitting: SittingVersion, key: ObservationKey, stand: ResourceState) -> Observation:
    """An Observation in an earlier state."""
    frame = frame_of(sitting, publisher.public_url)
    if key.kind != "mean":
        return BUILDERS[key.kind](sitting, frame, key.index, stand)
    mean = mean_observation(sitting, frame, stand)
    if mean is None:
        raise NotFound("Observation")
    return mean


def patient_past(snapshot: Snapshot, publisher: Publisher, logical_id: str) -> list[HistoryVersion]:
    """The versions of a person, oldest first."""
    newest, updated_at = find_patient(snapshot, publisher, logical_id)
    earlier = subjects_before(snapshot, publisher.tenant.tenant_id, UUID(logical_id)) if is_plain_id(logical_id) else []
    return with_newest([(patient_shown(row), row.updated_at) for row in earlier], newest, updated_at)


def device_past(snapshot: Snapshot, publisher: Publisher, logical_id: str) -> list[HistoryVersion]:
    """The versions of a device, oldest first. Of the service itself only the running version is known."""
    if logical_id == SERVICE_ID:
        return [HistoryVersion(service_device(__version__), __version__, None)]
    newest, updated_at = find_device_shown(snapshot, publisher, logical_id)
    earlier = devices_before(snapshot, publisher.tenant.tenant_id, UUID(logical_id))
    return with_newest([(device_shown(row), row.updated_at) for row in earlier], newest, updated_at)


def with_newest(earlier: list[tuple[Any, datetime]], newest: Resource, updated_at: datetime) -> list[HistoryVersion]:
    return [HistoryVersion(one, version_id(one), at) for one, at in [*earlier, (newest, updated_at)]]


def version_id(resource: Resource) -> str:
    return (resource.meta.version_id if resource.meta else None) or "1"


def provenance_past(snapshot: Snapshot, publisher: Publisher, logical_id: str) -> list[HistoryVersion]:
    """The one version of a Provenance."""
    named = provenance_version(logical_id)
    rows = [] if named is None else versions_of_sets(snapshot, publisher.tenant.tenant_id, {UUID(named[0])})
    own = [row for row in rows if named is not None and row.version == named[1]]
    found = [
        HistoryVersion(one, "1", row.created_at) for one, row in zip(provenances_of(snapshot, publisher, own), own, strict=True)
    ]
    if not found:
        raise NotFound("Provenance")
    return found


PASTS: dict[str, Callable[[Snapshot, Publisher, str], list[HistoryVersion]]] = {
    "Device": device_past,
    "Observation": observation_past,
    "Patient": patient_past,
    "Provenance": provenance_past,
}
