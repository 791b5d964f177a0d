"""Definitions as they are published: found by type and id, or by what a search asks. They say nothing of anybody."""

from __future__ import annotations

import re
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
NUMBER = re.compile(r"[0-9]{1,9}", re.ASCII)
EVERYTHING = 10**9


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


# The length of a page, and the place where one begins. Definitions do not change while the service runs.
COUNT, CURSOR = "_count", "_cursor"
PAGING = {COUNT: "The length of a page; 0 for the total alone.", CURSOR: "From the next link of an earlier page."}
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
        """A Bundle of those of a type that have one of the values of each parameter; a page of them where one is asked for.

        Raises:
            NotAcceptable: parameters that are not offered or not understood, all of them named.
        """
        wanted, page = values_of([pair for pair in asked if pair[0] not in PAGING]), page_of(asked)
        among = [
            one
            for (of_type, _), one in self._by_name.items()
            if of_type == type and all(parameter.finds(one, values) for parameter, values in wanted)
        ]
        shown = among[page.start : page.start + page.length]
        links = [{"relation": "self", "url": self._address(type, asked)}]
        if shown and page.start + page.length < len(among):
            kept = [pair for pair in asked if pair[0] != CURSOR]
            links.append({"relation": "next", "url": self._address(type, [*kept, (CURSOR, str(page.start + page.length))])})
        return {
            "resourceType": "Bundle",
            "type": "searchset",
            "total": len(among),
            "link": links,
            **({"entry": [self._entry(one) for one in shown]} if shown else {}),
        }

    def _address(self, type: str, asked: Pairs) -> str:
        query = urlencode(asked, safe="/:,")
        return f"{self.public_url}/fhir/R4/{type}" + (f"?{query}" if query else "")

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
            faults.append(Fault(parameter=name, code="not-supported", detail=f"Accepted: {', '.join([*PARAMETERS, *PAGING])}."))
            continue
        try:
            found.append((PARAMETERS[name], [unescaped_part(part) for part in alternatives_of(name, text)]))
        except NotAcceptable as error:
            faults += error.faults
    if faults:
        raise NotAcceptable(faults)
    return found


class DefinitionPage(msgspec.Struct, frozen=True):
    """A part of what was found."""

    start: int
    length: int


def page_of(asked: Pairs) -> DefinitionPage:
    """The page that is asked for; all on one where none is.

    Raises:
        NotAcceptable: no whole numbers, or one that is given twice.
    """
    faults = []
    for name in PAGING:
        texts = [text for of, text in asked if of == name]
        if len(texts) > 1 or not all(NUMBER.fullmatch(text) for text in texts):
            faults.append(Fault(parameter=name, code="not-a-count", detail="A whole number from 0, once."))
    if faults:
        raise NotAcceptable(faults)
    said = {name: int(text) for name, text in asked if name in PAGING}
    return DefinitionPage(said.get(CURSOR, 0), said.get(COUNT, EVERYTHING))
