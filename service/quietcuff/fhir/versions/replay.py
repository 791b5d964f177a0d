"""A sitting as it stood at an earlier moment, told again from its versions: none of them is ever changed or lost."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import msgspec

from quietcuff.core.record.resource_states import ResourceStates, next_stands
from quietcuff.fhir.read.bundle import shown_documents
from quietcuff.fhir.resources.sitting import SittingVersion
from quietcuff.fhir.versions.stored_sets import Publisher, stored_sitting
from quietcuff.storage.engine.ids import id_text
from quietcuff.storage.rows.versions import VersionRow


class ReplayedSet:
    """The versions of one set, decoded when they are needed and at most once."""

    def __init__(self, publisher: Publisher, rows: Iterable[VersionRow]) -> None:
        self._publisher = publisher
        self.rows = {row.version: row for row in rows}
        self._sittings: dict[int, SittingVersion] = {}

    def sitting(self, version: int) -> SittingVersion:
        """One version of the set."""
        known = self._sittings.get(version)
        if known is None:
            known = self._sittings[version] = sitting_of(self._publisher, self.rows[version])
        return known

    def stands(self, last: int) -> Iterator[tuple[int, ResourceStates]]:
        """Each version up to the last, with where everything stood once it was stored, moved on as the flow moved it.

        Every version from the first to that one must be there.
        """
        stands, before = ResourceStates(), None
        for number in range(1, last + 1):
            after = self.sitting(number)
            of_mean = None if stands.mean is None else self.sitting(stands.mean.from_version)
            row = self.rows[number]
            stands = next_stands(
                *(stands, before, of_mean, after),
                version=number,
                at=row.created_at,
                tells_no_result=bool(row.tells_no_result),
            )
            before = after
            yield number, stands

    def stands_after(self, version: int) -> ResourceStates:
        """The states once that version was stored; none at version 0."""
        return next((stands for number, stands in self.stands(version) if number == version), ResourceStates())


def sitting_of(publisher: Publisher, row: VersionRow) -> SittingVersion:
    """One version of a set out of its row."""
    found = stored_sitting(publisher, id_text(row.subject_id), id_text(row.set_id), shown_documents(row))
    return msgspec.structs.replace(found, is_voided=True) if row.status == "voided" else found
