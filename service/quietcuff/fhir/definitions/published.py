"""Definitions as they are published: found by type and id, or by what a search asks. They say nothing of anybody."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any
from urllib.parse import urlencode

import msgspec

from quietcuff.core.model.errors import Fault, NotAcceptable, NotFound
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.fhir.definitions.code_systems import code_systems
from quietcuff.fhir.definitions.extensions import structure_definitions
from quietcuff.fhir.definitions.search_parameters import search_parameters
from quietcuff.fhir.search.parameter import alternatives_of, unescaped_part

PUBLISHED = ("CodeSystem", "Measure", "SearchParameter", "StructureDefinition")
Definition = dict[str, Any]
Pairs = list[tuple[str, str]]


class DefinitionParameter(msgspec.Struct, frozen=True):
    """One search parameter of definitions: its name, its type, and what it finds."""

    name: str
    type: str
    documentation: str

    def definition(self, kind: str) -> str:
        """The name of its definition in R4."""
        return "Resource-id" if self.name == "_id" else f"{'Measure' if kind == 'Measure' else 'conformance'}-{self.name}"

    def finds(self, one: Definition, wanted: list[str]) -> bool:
        """True where the definition has one of the values; a name may be given by its beginning, in either case."""
        if self.name == "name":
            return any(one["name"].casefold().startswith(text.casefold()) for text in wanted)
        return one[self.name.removeprefix("_")] in wanted


PARAMETERS = {
    one.name: one
    for one in (
        DefinitionParameter("_id", "token", "The logical id."),
        DefinitionParameter("name", "string", "The name for programs, from its beginning, in either case."),
        DefinitionParameter("url", "uri", "The canonical address of the definition."),
    )
}


class Definitions:
    """Every definition of the service, under its address."""

    def __init__(self, rulebook: Rulebook, public_url: str, further: Iterable[Definition] = ()) -> None:
        own = [*code_systems(rulebook, public_url), *search_parameters(public_url), *structure_definitions(public_url)]
        made = [*own, *further]
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

    def search(self, type: str, asked: Pairs) -> Definition:
        """A Bundle of those of a type that have one of the values of each parameter.

        Raises:
            NotAcceptable: parameters that are not offered, all of them named, or an empty value.
        """
        wanted = values_of(asked)
        among = [
            one
            for (of_type, _), one in self._by_name.items()
            if of_type == type and all(parameter.finds(one, values) for parameter, values in wanted)
        ]
        query = urlencode(asked, safe="/:,")
        return {
            "resourceType": "Bundle",
            "type": "searchset",
            "total": len(among),
            "link": [{"relation": "self", "url": f"{self.public_url}/fhir/R4/{type}" + (f"?{query}" if query else "")}],
            **({"entry": [self._entry(one) for one in among]} if among else {}),
        }

    def _entry(self, one: Definition) -> Definition:
        address = f"{self.public_url}/fhir/R4/{one['resourceType']}/{one['id']}"
        return {"fullUrl": address, "resource": one, "search": {"mode": "match"}}


def values_of(asked: Pairs) -> list[tuple[DefinitionParameter, list[str]]]:
    """Each parameter with its alternatives.

    Raises:
        NotAcceptable: parameters that are not offered, all of them named, or an empty value.
    """
    faults, found = [], []
    for name, text in asked:
        if name not in PARAMETERS:
            faults.append(Fault(parameter=name, code="not-supported", detail=f"Accepted: {', '.join(PARAMETERS)}."))
            continue
        try:
            found.append((PARAMETERS[name], [unescaped_part(part) for part in alternatives_of(name, text)]))
        except NotAcceptable as error:
            faults += error.faults
    if faults:
        raise NotAcceptable(faults)
    return found
