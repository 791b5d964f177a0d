"""The pages of an export: each is read from the store, made into lines, and names the place where the next one begins.

Reading needs a snapshot and is short. Making lines needs none, so that it can be done beside the requests.
Each resource of a sitting is exported as it was at the export's moment, and only if it changed in the wanted span.
Source: Bulk Data Access 3, with _elements for lines that hold only part of a resource.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Any, cast
from uuid import UUID

import msgspec

from quietcuff import __version__
from quietcuff.core.model.decoders import DocumentDecoder
from quietcuff.core.record.resource_states import MeanState, ResourceStates
from quietcuff.fhir.bulk.plan import ExportPlan, Progress, Step
from quietcuff.fhir.bulk.type_filter import Places, is_service_wanted, matching_keys, matching_places
from quietcuff.fhir.model.logical_ids import KINDS_BY_LETTER, MEAN
from quietcuff.fhir.model.resources import Resource
from quietcuff.fhir.operation_outcome import note_line
from quietcuff.fhir.read.deletions import lines_of_sets, lines_of_subjects
from quietcuff.fhir.read.parties import device_shown, patient_shown
from quietcuff.fhir.resources.device import service_device
from quietcuff.fhir.resources.provenance import PROVENANCE, provenance_line
from quietcuff.fhir.resources.readings import OBSERVATION, WRITERS
from quietcuff.fhir.resources.result import mean_line
from quietcuff.fhir.resources.sitting import SharedElements, frame_of
from quietcuff.fhir.search.elements import part_of
from quietcuff.fhir.versions.replay import ReplayedSet
from quietcuff.fhir.versions.stored_sets import Publisher
from quietcuff.storage.bulk.groups import Members
from quietcuff.storage.bulk.pages import SetOnPage, SetsPage, Span, read_devices, read_sets, read_subjects
from quietcuff.storage.rows.devices import DeviceRow
from quietcuff.storage.rows.retention import Between, DeletedSet, sets_deleted, subjects_deleted
from quietcuff.storage.rows.subjects import DeletedSubject, SubjectRow
from quietcuff.storage.search.observations import Snapshot
from quietcuff.storage.search.registries import RowKey


class ChangeWindow(msgspec.Struct, frozen=True, kw_only=True):
    """The span in which a resource must have changed: after ``since``, up to and including ``at``, and before ``until``."""

    since: datetime | None
    at: datetime
    until: datetime | None

    @property
    def is_open(self) -> bool:
        """True where everything was wanted that was there at ``at``, whenever it changed."""
        return self.since is None and self.until is None

    def holds(self, moment: datetime) -> bool:
        return (self.since is None or moment > self.since) and moment <= self.at and (self.until is None or moment < self.until)


# By the letter of a place's name.
WRITER_OF = {letter: WRITERS[kind] for letter, kind in KINDS_BY_LETTER.items()}


class SittingExport:
    """Builder of the exported resources of one set."""

    def __init__(self, publisher: Publisher, of: SetOnPage, window: ChangeWindow) -> None:
        self._window = window
        self._public_url = publisher.public_url
        self._mean_since = of.mean_since
        self._past = ReplayedSet(publisher, of.versions.values())
        self._frames: dict[int, SharedElements] = {}
        # A set that changed after the export's moment is replayed from its versions: its stored state is too new.
        if of.has_moved:
            self._version = max(version for version, row in of.versions.items() if row.created_at <= window.at)
            self._stands = self._past.stands_after(self._version)
        else:
            self._version, self._stands = of.version, stands_of(of)

    def observations(self, allowed: frozenset[str] | None) -> dict[str, bytes]:
        """The Observations that changed in the window, in JSON by place, among the places in ``allowed``; None allows all."""
        window, wanted, mean, made = self._window, self._stands.places, self._stands.mean, {}
        if not window.is_open:
            wanted = {name: stand for name, stand in wanted.items() if window.holds(stand.updated_at)}
        if allowed is not None:
            wanted = {name: stand for name, stand in wanted.items() if name in allowed}
        if wanted:
            sitting, frame = self._past.sitting(self._version), self._frame(self._version)
            made = {name: WRITER_OF[name[0]](sitting, frame, int(name[1:]), stand) for name, stand in wanted.items()}
        if mean is not None and window.holds(mean.stand.updated_at) and (allowed is None or MEAN in allowed):
            line = mean_line(self._past.sitting(mean.from_version), self._frame(mean.from_version), mean.stand)
            made[MEAN] = cast(bytes, line)
        return made

    def provenances(self) -> list[tuple[int, bytes]]:
        """The number and the Provenance of each version that was made in the window, in JSON."""
        since, public_url = self._mean_since, self._public_url
        return [
            (version, provenance_line(self._past.sitting(version), row, mean_since=since, public_url=public_url))
            for version, row in sorted(self._past.rows.items())
            if version <= self._version and self._window.holds(row.created_at)
        ]

    def _frame(self, version: int) -> SharedElements:
        known = self._frames.get(version)
        if known is None:
            known = self._frames[version] = frame_of(self._past.sitting(version), self._public_url)
        return known


def stands_of(of: SetOnPage) -> ResourceStates:
    """The stored states of all Observations of a set, in the order of export: in which replayed states come too."""
    places = of.stands.copy()
    mean = places.pop(MEAN, None)
    if mean is None or of.mean_from_version is None:
        return ResourceStates(places=places)
    return ResourceStates(places=places, mean=MeanState(mean, of.mean_from_version))


ENCODER = msgspec.json.Encoder()


class Elements:
    """The wanted elements of one type of resource, out of a list such as ``Observation.code`` and ``subject``."""

    def __init__(self, resource_type: str, asked: Iterable[str]) -> None:
        named = [name.rpartition(".")[2] for name in asked if "." not in name or name.startswith(f"{resource_type}.")]
        self._named = frozenset(named)

    def line(self, resource: Resource) -> bytes:
        """A resource in JSON, on one line. Where elements were named it has only these, and a tag that it is a part."""
        return ENCODER.encode(part_of(resource, self._named) if self._named else resource)

    def lines(self, written: list[bytes], kind: DocumentDecoder[Any]) -> list[bytes]:
        """The same of resources of one type that are in JSON already."""
        return [self.line(kind.decode(line)) for line in written] if self._named else written


SITTING_TYPES = ("Observation", "Provenance")
NEXT_STEP: dict[Step, Step] = {
    "Patient": "Device",
    "Device": "sittings",
    "sittings": "deleted sittings",
    "deleted sittings": "deleted people",
    "deleted people": "end",
}
# Bulk Data Access 3 lists deletions as transaction Bundles, not as resources of their own type.
DELETIONS = ("deleted", "Bundle")
DELETIONS_A_PAGE = 1_000
ERRORS = ("error", "OperationOutcome")

# By purpose and type.
Lines = dict[tuple[str, str], list[bytes]]


class Walk(msgspec.Struct, frozen=True, kw_only=True):
    """One export: its publisher, its plan and its moment."""

    publisher: Publisher
    plan: ExportPlan
    at: datetime

    @property
    def span(self) -> Span:
        return Span(
            tenant_id=self.publisher.tenant.tenant_id,
            members=self.plan.members,
            since=self.plan.since,
            at=self.at,
            all_versions="Provenance" in self.plan.types,
        )

    @property
    def window(self) -> ChangeWindow:
        return ChangeWindow(since=self.plan.since, at=self.at, until=self.plan.until)


class RawPage(msgspec.Struct, frozen=True, kw_only=True):
    """The rows of one page. ``matching`` and ``keys`` are those that the filters find, None where there are no filters.
    ``end`` is the last key of a page of people or devices, None after the last page."""

    subjects: list[SubjectRow] = []
    devices: list[DeviceRow] = []
    end: UUID | None = None
    sets: SetsPage | None = None
    deleted_sets: list[DeletedSet] = []
    deleted_subjects: list[DeletedSubject] = []
    matching: Places | None = None
    keys: frozenset[RowKey] | None = None
    is_service_wanted: bool = False

    def is_wanted(self, id: UUID, number: int = 0) -> bool:
        """True where the filters let a person, a device or a version through."""
        return self.keys is None or (id, number) in self.keys


class Produced(msgspec.Struct, frozen=True, kw_only=True):
    """The lines of one page, and the progress of the export once they are stored."""

    lines: Lines
    progress: Progress


def read_page(snapshot: Snapshot, walk: Walk, progress: Progress) -> RawPage:
    """Read the next page. A step whose types are not wanted reads nothing."""
    types = walk.plan.types
    if progress.step == "Patient" and "Patient" in types:
        people = read_subjects(snapshot, walk.span, progress.subject_id)
        found = found_of(snapshot, walk, "Patient", ((row.subject_id, 0) for row in people.rows))
        return RawPage(subjects=people.rows, end=people.end, keys=found)
    if progress.step == "Device" and "Device" in types:
        devices = read_devices(snapshot, walk.span, progress.device_id)
        is_service = is_service_wanted(snapshot, walk.publisher, walk.plan, walk.at)
        found = found_of(snapshot, walk, "Device", ((row.device_id, 0) for row in devices.rows))
        return RawPage(devices=devices.rows, end=devices.end, keys=found, is_service_wanted=is_service)
    if progress.step == "sittings" and not set(types).isdisjoint(SITTING_TYPES):
        after = None if progress.set_id is None or progress.subject_id is None else (progress.subject_id, progress.set_id)
        page = read_sets(snapshot, walk.span, after)
        places = matching_places(snapshot, walk.publisher, walk.plan, page.sets, walk.at)
        versions = ((one.set_id, version) for one in page.sets for version in one.versions)
        return RawPage(sets=page, matching=places, keys=found_of(snapshot, walk, "Provenance", versions))
    return read_deletions(snapshot, walk, progress)


def read_deletions(snapshot: Snapshot, walk: Walk, progress: Progress) -> RawPage:
    """Read the next page of deletions since the last export. An export without ``_since`` has none."""
    if walk.plan.since is None:
        return RawPage()
    span, last = walk.span, progress.set_id or progress.subject_id
    after = None if progress.deleted_at is None or last is None else (progress.deleted_at, last)
    # A member of a group by a sitting is no member once the sitting is deleted: the deletion remembers the group.
    of = span.members
    is_of_sittings = of.group_id is not None and of.sittings is not None
    members = Members(group_id=of.group_id) if is_of_sittings else msgspec.structs.replace(of, sittings=None)
    between = Between(tenant_id=span.tenant_id, members=members, since=walk.plan.since, at=walk.at, after=after)
    if progress.step == "deleted sittings" and not set(walk.plan.types).isdisjoint(SITTING_TYPES):
        return RawPage(deleted_sets=sets_deleted(snapshot, between, DELETIONS_A_PAGE))
    if progress.step == "deleted people" and "Patient" in walk.plan.types:
        return RawPage(deleted_subjects=subjects_deleted(snapshot, between, DELETIONS_A_PAGE))
    return RawPage()


def found_of(snapshot: Snapshot, walk: Walk, resource_type: str, keys: Iterable[RowKey]) -> frozenset[RowKey] | None:
    return matching_keys(snapshot, walk.publisher, walk.plan, resource_type, keys, walk.at)


def make_lines(walk: Walk, progress: Progress, page: RawPage) -> Produced:
    """Make the lines of a page. The notes of the export come first."""
    lines: Lines = {}
    # Only the first page has the notes: a job that is taken up again must not repeat them.
    if progress == Progress() and walk.plan.notes:
        lines[ERRORS] = [note_line("not-supported", "warning", note) for note in walk.plan.notes]
    if progress.step == "Patient":
        produced = patient_lines(walk, progress, page)
    elif progress.step == "Device":
        produced = device_lines(walk, progress, page)
    elif progress.step == "sittings":
        produced = sitting_lines(walk, progress, page)
    else:
        produced = deletion_lines(walk, progress, page)
    merged = lines | {key: made for key, made in produced.lines.items() if made}
    made = sum(len(found) for (purpose, _), found in merged.items() if purpose == "output")
    counted = msgspec.structs.replace(produced.progress, resources=produced.progress.resources + made)
    return Produced(lines=merged, progress=counted)


def patient_lines(walk: Walk, progress: Progress, page: RawPage) -> Produced:
    """Lines of Patients. A page that is not full was the last of its step."""
    elements = Elements("Patient", walk.plan.elements)
    found = [
        elements.line(patient_shown(row))
        for row in page.subjects
        if walk.window.holds(row.updated_at) and page.is_wanted(row.subject_id)
    ]
    return Produced(lines={("output", "Patient"): found}, progress=after_parties(progress, subject_id=page.end))


def device_lines(walk: Walk, progress: Progress, page: RawPage) -> Produced:
    """Lines of Devices. The service itself comes first; it has no date, so every export without ``_since`` has it."""
    elements = Elements("Device", walk.plan.elements)
    found = []
    if progress.device_id is None and page.is_service_wanted and walk.plan.since is None:
        found.append(elements.line(service_device(__version__)))
    found += [
        elements.line(device_shown(row))
        for row in page.devices
        if walk.window.holds(row.updated_at) and page.is_wanted(row.device_id)
    ]
    return Produced(lines={("output", "Device"): found}, progress=after_parties(progress, device_id=page.end))


def after_parties(progress: Progress, **end: UUID | None) -> Progress:
    """The progress after a page of people or devices with this last key; None stands for the last page."""
    if None in end.values():
        return next_step(progress)
    return msgspec.structs.replace(progress, **end)


def next_step(progress: Progress) -> Progress:
    """The beginning of the next step."""
    return Progress(step=NEXT_STEP[progress.step], resources=progress.resources)


def sitting_lines(walk: Walk, progress: Progress, page: RawPage) -> Produced:
    """Lines of Observations, and of the Provenances that belong to them."""
    types = walk.plan.types
    observations, provenances = Elements("Observation", walk.plan.elements), Elements("Provenance", walk.plan.elements)
    lines: Lines = {("output", name): [] for name in SITTING_TYPES}
    sets = [] if page.sets is None else page.sets.sets
    for one in sets:
        made, told = resources_of(walk, one, page)
        if "Observation" in types:
            lines["output", "Observation"] += observations.lines(made, OBSERVATION)
        lines["output", "Provenance"] += provenances.lines(told, PROVENANCE)
    end = None if page.sets is None else page.sets.end
    if end is None:
        return Produced(lines=lines, progress=next_step(progress))
    return Produced(lines=lines, progress=msgspec.structs.replace(progress, subject_id=end[0], set_id=end[1]))


def deletion_lines(walk: Walk, progress: Progress, page: RawPage) -> Produced:
    """Lines of resources that a copy must delete. Filters are not applied to deletions: all of them are listed."""
    lines = lines_of_sets(page.deleted_sets, walk.plan.types) + lines_of_subjects(page.deleted_subjects)
    after = next_step(progress)
    # A page that is not full was the last of its step.
    if len(page.deleted_sets) == DELETIONS_A_PAGE:
        last = page.deleted_sets[-1]
        after = msgspec.structs.replace(progress, deleted_at=last.deleted_at, set_id=last.set_id)
    elif len(page.deleted_subjects) == DELETIONS_A_PAGE:
        person = page.deleted_subjects[-1]
        after = msgspec.structs.replace(progress, deleted_at=person.deleted_at, subject_id=person.subject_id)
    return Produced(lines={DELETIONS: lines}, progress=after)


def resources_of(walk: Walk, one: SetOnPage, page: RawPage) -> tuple[list[bytes], list[bytes]]:
    """The exported Observations and Provenances of a set, in JSON. Where Observations are filtered, only Provenances of
    those that are left come too."""
    export, matching = SittingExport(walk.publisher, one, walk.window), page.matching
    observations = export.observations(None if matching is None else matching.get(one.set_id, frozenset()))
    written = list(observations.values())
    if "Provenance" not in walk.plan.types:
        return written, []
    provenances = [made for version, made in export.provenances() if page.is_wanted(one.set_id, version)]
    if matching is not None and "Observation" in walk.plan.types:
        exported = {f"Observation/{one.set_id}-{name}" for name in observations}
        provenances = [
            made for made in provenances if not exported.isdisjoint(at.reference or "" for at in PROVENANCE.decode(made).target)
        ]
    return written, provenances
