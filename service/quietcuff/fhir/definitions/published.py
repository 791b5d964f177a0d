"""Definitions as they are published: found by type and id, or by url. They say nothing of anybody."""

from __future__ import annotations

from typing import Any

from quietcuff.core.model.errors import NotFound
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.fhir.definitions.code_systems import code_systems
from quietcuff.fhir.definitions.extensions import structure_definitions
from quietcuff.fhir.definitions.search_parameters import search_parameters

PUBLISHED = ("CodeSystem", "SearchParameter", "StructureDefinition")
Definition = dict[str, Any]


class Definitions:
    """Every definition of the service, under its address."""

    def __init__(self, rulebook: Rulebook, public_url: str) -> None:
        made = [*code_systems(rulebook, public_url), *search_parameters(public_url), *structure_definitions(public_url)]
        self.public_url = public_url
        self._by_name = {(one["resourceType"], one["id"]): one for one in made}

    def read(self, type: str, id: str) -> Definition:
        """One definition.

        Raises:
            NotFound: there is none of that id.
        """
        found = self._by_name.get((type, id))
        if found is None:
            raise NotFound
        return found

    def search(self, type: str, url: str | None) -> Definition:
        """A Bundle of those of a type, or of the one of a url."""
        among = [one for (of_type, _), one in self._by_name.items() if of_type == type and url in (None, one["url"])]
        return {
            "resourceType": "Bundle",
            "type": "searchset",
            "total": len(among),
            "link": [{"relation": "self", "url": f"{self.public_url}/fhir/R4/{type}" + (f"?url={url}" if url else "")}],
            **({"entry": [self._entry(one) for one in among]} if among else {}),
        }

    def _entry(self, one: Definition) -> Definition:
        address = f"{self.public_url}/fhir/R4/{one['resourceType']}/{one['id']}"
        return {"fullUrl": address, "resource": one, "search": {"mode": "match"}}
