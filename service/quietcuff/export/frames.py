"""What every Observation of one sitting has in common, worked out once."""

from __future__ import annotations

import msgspec

from quietcuff.core.readings import Identifier as GivenIdentifier
from quietcuff.core.readings import ReadingSet
from quietcuff.export import codes, notes
from quietcuff.export.shapes import Extension, Identifier, Meta, Reference
from quietcuff.export.sittings import Stand, StoredSitting, instant


class Frame(msgspec.Struct, frozen=True, kw_only=True):
    """The person, visit, order and place of a sitting, and the system of our own Observation identifiers."""

    set_id: str
    identifier_system: str
    subject: Reference
    encounter: Reference | None
    based_on: list[Reference] | None
    observer: list[Reference] | None
    location: Extension | None
    setting_note: str | None

    def identifier(self, name: str) -> list[Identifier]:
        """The business identifier of one Observation, which a record may use for conditional create."""
        return [Identifier(system=self.identifier_system, value=f"{self.set_id}/{name}")]


def frame_of(sitting: StoredSitting, public_url: str) -> Frame:
    """What the Observations of a sitting share."""
    reading_set: ReadingSet = sitting.reading_set
    location = elsewhere(reading_set.location)
    return Frame(
        set_id=sitting.set_id,
        identifier_system=f"{public_url}/id/observation",
        subject=Reference(reference=f"Patient/{sitting.subject_id}"),
        encounter=elsewhere(reading_set.encounter),
        based_on=elsewhere_list(reading_set.based_on),
        observer=elsewhere_list(reading_set.observer),
        location=None if location is None else Extension(url=codes.LOCATION_EXTENSION, value_reference=location),
        setting_note=notes.setting_note(reading_set),
    )


def elsewhere(identifier: GivenIdentifier | None) -> Reference | None:
    """A thing of another system, pointed to by the identifier that was sent, unchanged."""
    if identifier is None:
        return None
    return Reference(identifier=Identifier(system=identifier.system, value=identifier.value))


def elsewhere_list(identifier: GivenIdentifier | None) -> list[Reference] | None:
    """The same as a list of one; None rather than an empty list."""
    reference = elsewhere(identifier)
    return None if reference is None else [reference]


def meta(stand: Stand, profiles: list[str] | None = None) -> Meta:
    """Version, last change and profiles of one resource."""
    return Meta(version_id=str(stand.version), last_updated=instant(stand.updated_at), profile=profiles)
