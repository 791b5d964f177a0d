"""The CapabilityStatement: search, read, history and bulk export, listed from the tables that serve them.

Sources: [R4] CapabilityStatement; Bulk Data Access 3, CapabilityStatement.
"""

from __future__ import annotations

from datetime import date
from typing import Any

import msgspec

from quietcuff import __version__
from quietcuff.fhir import codes
from quietcuff.fhir.definitions.published import PARAMETERS, PUBLISHED
from quietcuff.fhir.definitions.search_parameters import search_parameter_url
from quietcuff.fhir.history.read import READERS
from quietcuff.fhir.history.versions import PASTS
from quietcuff.fhir.search.includes import stars
from quietcuff.fhir.search.lastn import OPERATION as LASTN
from quietcuff.fhir.search.parameter import OWN, SearchParameter
from quietcuff.fhir.search.types import SEARCHED

BULK = "http://hl7.org/fhir/uv/bulkdata"
INSTANTIATES = [f"{BULK}/CapabilityStatement/bulk-data"]


def operations(name: str) -> list[dict[str, Any]]:
    """The operation ``$export`` at one level: ``export``, ``patient-export`` or ``group-export``."""
    return [{"name": "export", "definition": f"{BULK}/OperationDefinition/{name}"}]


SYSTEM_OPERATIONS = operations("export")
# By type, what is added to its entry.
ADDED: dict[str, dict[str, Any]] = {"Patient": {"operation": operations("patient-export")}}
GROUP = {
    "type": "Group",
    "interaction": [{"code": "read"}],
    "versioning": "versioned",
    "operation": operations("group-export"),
    "documentation": "Made at /v1/groups: people by identifier, or by a sitting that they had. Beside them Group/follow-ups, "
    "with its members: who is to be seen and was not (scope system/FollowUp.s); Group/follow-ups-REASON for one reason, of "
    "CodeSystem/follow-up-reason. It has no versions, and is not exported.",
}

FHIR_VERSION = "4.0.1"
OAUTH_URIS = "http://fhir-registry.smarthealthit.org/StructureDefinition/oauth-uris"
SECURITY_SERVICE = "http://terminology.hl7.org/CodeSystem/restful-security-service"
SEARCH_PARAMETER = "http://hl7.org/fhir/SearchParameter/"
PROFILES = [
    codes.BP_PROFILE,
    codes.HEART_RATE_PROFILE,
    codes.US_BP_PROFILE,
    codes.US_HEART_RATE_PROFILE,
    codes.US_AVERAGE_BP_PROFILE,
]
OBSERVATION = "Observation"
OF_MEASURES = (
    "A share of the report at /v1/quality. $evaluate-measure answers a MeasureReport of type summary to whoever may read that "
    "report (system/Quality.r): periodStart and periodEnd are days, months or years; reportType is population or summary; "
    "location, observer, device, protocol and setting narrow it as they narrow the report. At the type, measure is the id "
    "or the canonical address."
)
EVALUATE_MEASURE = {
    "name": "evaluate-measure",
    "definition": "http://hl7.org/fhir/OperationDefinition/Measure-evaluate-measure",
}
OF_DEFINITIONS = "Our own. What is not listed is refused with 400."
OF_SEARCHES = (
    "A search parameter that FHIR R4 defines for this type and that is not listed, a modifier or a chain that is not listed, "
    "and _has are refused with 400: without them more would be found. Chains are listed as parameters; modifiers are the type "
    "of a reference, :identifier of based-on, encounter and performer, :not of category, code and status, and :missing of all "
    "but composites and chains. A parameter that FHIR does not define is left out of the search and of the self link, and told "
    "in an OperationOutcome; with Prefer: handling=strict it is refused."
)
LASTN_DEFINITION = "http://hl7.org/fhir/OperationDefinition/Observation-lastn"
FHIR_TYPES = tuple(sorted(READERS))


def capability_statement(public_url: str, token_url: str, as_of: date) -> bytes:
    """The CapabilityStatement of this service, in JSON."""
    statement = {
        "resourceType": "CapabilityStatement",
        "status": "active",
        "date": as_of.isoformat(),
        "kind": "instance",
        "instantiates": INSTANTIATES,
        "software": {"name": "Quietcuff", "version": __version__},
        "implementation": {
            "description": "Blood-pressure readings, their means and how these came about; read only",
            "url": f"{public_url}/fhir/R4",
        },
        "fhirVersion": FHIR_VERSION,
        "format": ["application/fhir+json", "json"],
        "rest": [
            {
                "mode": "server",
                "security": security(token_url),
                "resource": [
                    resource_capability(resource_type, public_url) | ADDED.get(resource_type, {})
                    for resource_type in sorted(READERS)
                ]
                + [GROUP, *(definition_capability(kind) for kind in PUBLISHED)],
                "operation": SYSTEM_OPERATIONS,
            }
        ],
    }
    return msgspec.json.encode(statement)


def security(token_url: str) -> dict[str, Any]:
    """The security entry, with the token route for older clients. Source: SMART App Launch 2.2, conformance."""
    return {
        "extension": [{"url": OAUTH_URIS, "extension": [{"url": "token", "valueUri": token_url}]}],
        "service": [{"coding": [{"system": SECURITY_SERVICE, "code": "SMART-on-FHIR"}], "text": "SMART Backend Services"}],
        "description": "A bearer token: given to a client that signs for itself, or a key of this service.",
    }


def resource_capability(resource_type: str, public_url: str) -> dict[str, Any]:
    """The entry of one type of resource."""
    asking = SEARCHED[resource_type].asking
    has_past = resource_type in PASTS
    capability: dict[str, Any] = {
        "type": resource_type,
        "documentation": OF_SEARCHES,
        "interaction": [{"code": code} for code in interactions(resource_type)],
        "versioning": "versioned",
        "readHistory": has_past,
        "conditionalRead": "full-support",
        "searchInclude": [*asking.includes, *stars(asking.includes)],
        "searchRevInclude": [*asking.reverse_includes, *stars(asking.reverse_includes)],
        # A CapabilityStatement has no place for modifiers: the documentation of the type lists them.
        "searchParam": [
            search_parameter(parameter, public_url) for parameter in asking.parameters if ":" not in parameter.name
        ],
    }
    if resource_type == OBSERVATION:
        capability |= {
            "supportedProfile": PROFILES,
            "operation": [{"name": LASTN.removeprefix("$"), "definition": LASTN_DEFINITION}],
        }
    return {name: value for name, value in capability.items() if value != []}


def definition_capability(kind: str) -> dict[str, Any]:
    """The entry of a type that the service defines itself; it says nothing of anybody, and is read without a key."""
    capability: dict[str, Any] = {
        "type": kind,
        "documentation": OF_DEFINITIONS,
        "interaction": [{"code": "read"}, {"code": "search-type"}],
        "searchParam": [
            {
                "name": one.name,
                "type": one.type,
                "definition": SEARCH_PARAMETER + one.definition(kind),
                "documentation": one.documentation,
            }
            for one in PARAMETERS.values()
        ],
    }
    if kind == "Measure":
        capability |= {"documentation": f"{OF_DEFINITIONS} {OF_MEASURES}", "operation": [EVALUATE_MEASURE]}
    return capability


def interactions(resource_type: str) -> list[str]:
    """The interactions that the routes of a type offer."""
    return ["read", "vread", *(["history-instance"] if resource_type in PASTS else []), "search-type"]


def search_parameter(parameter: SearchParameter, public_url: str) -> dict[str, Any]:
    """The entry of one search parameter. A chain has no definition of its own."""
    told = {"name": parameter.name, "type": parameter.type, "documentation": parameter.documentation}
    if parameter.definition == OWN:
        return told | {"definition": search_parameter_url(public_url, parameter.name)}
    return told if parameter.definition is None else told | {"definition": SEARCH_PARAMETER + parameter.definition}
