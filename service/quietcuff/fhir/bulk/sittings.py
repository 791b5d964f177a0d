"""The resources of one sitting in an export: each as it stood at the export's moment, and only if it changed in its span."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import cast

import msgspec

from quietcuff.fhir.model.logical_ids import KINDS_BY_LETTER, MEAN
from quietcuff.fhir.model.resources import Observation, Provenance
from quietcuff.fhir.resources.frames import Frame, frame_of
from quietcuff.fhir.resources.provenance import provenance_of
from quietcuff.fhir.resources.result import mean_observation
from quietcuff.fhir.resources.sitting import ObservationStatus, Stand
from quietcuff.fhir.versions.observation_status import BUILDERS, MeanStand, Stands
from quietcuff.fhir.versions.replay import RetoldSet
from quietcuff.fhir.versions.stored_sets import Publisher
from quietcuff.storage.bulk.pages import SetOnPage
from quietcuff.storage.rows.readings import StandRow


class Window(msgspec.Struct, frozen=True, kw_only=True):
    """From when to when a resource must have changed: after ``since``, up to ``at`` and before ``until``."""

    since: datetime | None
    at: datetime
    until: datetime | None

    def holds(self, moment: datetime) -> bool:
        return (self.since is None or moment > self.since) and moment <= self.at and (self.until is None or moment < self.until)


class SittingExport:
    """Builds what is exported of one set."""

    def __init__(self, publisher: Publisher, of: SetOnPage, window: Window) -> None:
        self._window = window
        self._public_url = publisher.public_url
        self._mean_since = of.mean_since
        self._past = RetoldSet(publisher, of.versions.values())
        self._frames: dict[int, Frame] = {}
        if of.has_moved:
            self._version = max(version for version, row in of.versions.items() if row.created_at <= window.at)
            self._stands = self._past.stands_after(self._version)
        else:
            self._version, self._stands = of.version, stands_of(of)

    def observations(self, allowed: frozenset[str] | None) -> Iterator[Observation]:
        """Every Observation that changed in the window, of the places that are allowed; None allows all."""
        for name, stand in self._stands.places.items():
            if self._window.holds(stand.updated_at) and (allowed is None or name in allowed):
                yield self._observation(name, stand)
        mean = self._stands.mean
        if mean is not None and self._window.holds(mean.stand.updated_at) and (allowed is None or MEAN in allowed):
            sitting = self._past.sitting(mean.from_version)
            yield cast(Observation, mean_observation(sitting, self._frame(mean.from_version), mean.stand))

    def provenances(self) -> Iterator[tuple[int, Provenance]]:
        """The versions that were made in the window, each with what is said of it."""
        for version, row in sorted(self._past.rows.items()):
            if version <= self._version and self._window.holds(row.created_at):
                yield version, provenance_of(self._past.sitting(version), row, mean_since=self._mean_since)

    def _observation(self, name: str, stand: Stand) -> Observation:
        build = BUILDERS[KINDS_BY_LETTER[name[0]]]
        return build(self._past.sitting(self._version), self._frame(self._version), int(name[1:]), stand)

    def _frame(self, version: int) -> Frame:
        known = self._frames.get(version)
        if known is None:
            known = self._frames[version] = frame_of(self._past.sitting(version), self._public_url)
        return known


def stands_of(of: SetOnPage) -> Stands:
    """Where everything of a set stands, as it is stored; in the order of export."""
    places = {name: stand_of(row) for name, row in of.stands.items() if name != MEAN}
    mean = of.stands.get(MEAN)
    ordered = dict(sorted(places.items(), key=lambda place: (int(place[0][1:]), "rpf".index(place[0][0]))))
    if mean is None or of.mean_from_version is None:
        return Stands(places=ordered)
    return Stands(places=ordered, mean=MeanStand(stand_of(mean), of.mean_from_version))


def stand_of(row: StandRow) -> Stand:
    return Stand(row.version, cast(ObservationStatus, row.status), row.updated_at)
