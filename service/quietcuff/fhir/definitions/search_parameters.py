"""SearchParameters of Observation that the service defines, made from the table that searches read."""

from __future__ import annotations

from typing import Any

from quietcuff.fhir.definitions.code_systems import camel
from quietcuff.fhir.definitions.extensions import FINDING, PROTOCOL, SETTING, STATE, extension_url
from quietcuff.fhir.search.observation_parameters import OWN_PARAMETERS
from quietcuff.fhir.search.parameter import OWN
from quietcuff.terminology.systems import LOCATION_EXTENSION

EXTENSIONS = {"finding": FINDING, "protocol": PROTOCOL, "state": STATE}


def search_parameter_url(public_url: str, name: str) -> str:
    """The address of a search parameter of ours, which is published there."""
    return f"{public_url}/fhir/R4/SearchParameter/Observation-{name}"


def expression_of(public_url: str, name: str) -> str:
    """The path of a parameter's value."""
    if name == "label":
        return "Observation.interpretation"
    if name == "location":
        return f"Observation.extension('{LOCATION_EXTENSION}').value"
    if name == "setting":
        return f"Observation.extension('{extension_url(public_url, SETTING)}').extension('setting').value"
    return f"Observation.extension('{extension_url(public_url, EXTENSIONS[name])}').value"


def search_parameters(public_url: str) -> list[dict[str, Any]]:
    """Every search parameter of ours."""
    return [
        {
            "resourceType": "SearchParameter",
            "id": f"Observation-{one.name}",
            "url": search_parameter_url(public_url, one.name),
            "name": camel(f"observation-{one.name}"),
            "status": "active",
            "description": one.documentation,
            "code": one.name,
            "base": ["Observation"],
            "type": one.type,
            "expression": expression_of(public_url, one.name),
            **({"target": ["Location"]} if one.type == "reference" else {}),
        }
        for one in OWN_PARAMETERS
        if one.definition == OWN
    ]
