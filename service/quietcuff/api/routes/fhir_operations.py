"""What the routes of FHIR are, for the guard and the OpenAPI document: made from the tables that the searches read."""

from __future__ import annotations

from typing import Any

from quietcuff.api import problem_types as kinds
from quietcuff.api.fhir_responses import FHIR_JSON
from quietcuff.api.operations import FORM, JSON, Operation, Parameter, Reply
from quietcuff.api.routes.bulk_operations import PARAMETERS_BODY
from quietcuff.fhir.search.request import Asking
from quietcuff.fhir.search.types import OBSERVATIONS, SEARCHED
from quietcuff.security.scopes import Need

TAG = "FHIR R4"
ETAGGED = ("ETag", "Last-Modified")
KNOWN_ALREADY = Reply(status=304, description="You have it already.", headers=("ETag",))
FORMAT = {"_format": "json."}
LOOKING_BACK = {
    "_since": "Only versions from this moment on.",
    "_at": "Only versions that stood at some time in this day, month, year or moment.",
    "_count": "The length of a page; 0 for the total alone. By default there is one page.",
    "_cursor": "From the next link of an earlier page.",
    **FORMAT,
}
PART = {
    "_elements": "The elements wanted, with commas between.",
    "_summary": "true, text, data or false.",
    **FORMAT,
}
EXAMPLES = {
    "AuditEvent": {"what was done in May": {"date": "2026-05"}},
    "Device": {"one device": {"identifier": "urn:example:device|SN-0007"}},
    "Observation": {"means of May": {"code": "96607-7", "date": "2026-05"}},
    "Patient": {"one person": {"identifier": "urn:example:mrn|p-0001"}},
    "Provenance": {"newest first": {"_sort": "-recorded"}},
}

METADATA = Operation(
    id="capability_statement",
    tag=TAG,
    summary="What this FHIR server can do",
    access="open",
    speaks_fhir=True,
    replies=(Reply(description="A CapabilityStatement.", media_type=FHIR_JSON),),
    problems=(kinds.FORMAT_NOT_OFFERED,),
)


# What is deleted with its person or its sitting, and read ever after as gone.
DELETED_OF = {kind: (kinds.DELETED,) for kind in ("Observation", "Patient", "Provenance")}


def read_of(kind: str) -> Operation:
    return _read(kind, f"read_{_word(kind)}", f"One {kind}")


def read_version_of(kind: str) -> Operation:
    return _read(kind, f"read_{_word(kind)}_version", f"One {kind} as it was")


def _read(kind: str, id: str, summary: str) -> Operation:
    return Operation(
        id=id,
        tag=TAG,
        summary=summary,
        access=Need(kind, "r"),
        speaks_fhir=True,
        narrows=kind == "Observation",
        parameters=_parameters(PART),
        replies=(Reply(description=f"The {kind}.", media_type=FHIR_JSON, headers=ETAGGED), KNOWN_ALREADY),
        problems=(kinds.NOT_FOUND, *DELETED_OF.get(kind, ()), kinds.BAD_REQUEST, kinds.FORMAT_NOT_OFFERED),
    )


def history_of(kind: str) -> Operation:
    return Operation(
        id=f"history_of_{_word(kind)}",
        tag=TAG,
        summary=f"Every version of one {kind}",
        access=Need(kind, "r"),
        speaks_fhir=True,
        narrows=kind == "Observation",
        parameters=_parameters(LOOKING_BACK),
        replies=(Reply(description="A Bundle of type history, the newest first.", media_type=FHIR_JSON),),
        problems=(kinds.NOT_FOUND, kinds.BAD_REQUEST, kinds.FORMAT_NOT_OFFERED),
    )


def search_of(kind: str) -> Operation:
    asked = asked_of(SEARCHED[kind].asking)
    return _search(kind, f"search_{_plural(kind)}", f"Find {kind} resources", parameters=_parameters(asked))


def search_by_post_of(kind: str) -> Operation:
    asked = asked_of(SEARCHED[kind].asking)
    return _search(
        kind,
        f"search_{_plural(kind)}_by_post",
        f"Find {kind} resources, with the parameters in the body",
        media_type=FORM,
        body={"type": "object", "properties": {name: {"type": "string", "description": text} for name, text in asked.items()}},
        examples=EXAMPLES[kind],
    )


def _search(kind: str, id: str, summary: str, **more: Any) -> Operation:
    return Operation(
        id=id,
        tag=TAG,
        summary=summary,
        access=Need(kind, "s"),
        speaks_fhir=True,
        narrows=kind == "Observation",
        replies=(Reply(description="A Bundle of type searchset.", media_type=FHIR_JSON),),
        problems=(kinds.BAD_REQUEST, kinds.FORMAT_NOT_OFFERED),
        **more,
    )


def asked_of(asking: Asking) -> dict[str, str]:
    """Every parameter of a search, in words."""
    controls = {
        "_count": "The length of a page; 0 for the total alone.",
        "_sort": f"One of {', '.join(asking.orders)}.",
        "_summary": "true, text, data, count or false.",
        "_elements": "The elements wanted, with commas between.",
        "_total": "none or accurate.",
        "_include": ", ".join(asking.includes),
        "_include:iterate": ", ".join(asking.includes),
        "_revinclude": ", ".join(asking.reverse_includes),
        "_revinclude:iterate": ", ".join(asking.reverse_includes),
        "_cursor": "From the next link of an earlier page.",
        **FORMAT,
    }
    own = {parameter.name: parameter.documentation for parameter in asking.parameters}
    return {name: text for name, text in {**own, **controls}.items() if text}


def _parameters(asked: dict[str, str]) -> tuple[Parameter, ...]:
    return tuple(
        Parameter(name=name, within="query", schema={"type": "string"}, description=text) for name, text in asked.items()
    )


def _word(kind: str) -> str:
    return "audit_event" if kind == "AuditEvent" else kind.lower()


def _plural(kind: str) -> str:
    return f"{_word(kind)}s"


LASTN = _search(
    "Observation",
    "last_observations",
    "The newest Observations of each code",
    parameters=_parameters(
        {
            "max": "How many of each code, 1 by default.",
            **{one.name: one.documentation for one in OBSERVATIONS.asking.parameters},
            **FORMAT,
        }
    ),
)
LASTN_BY_POST = _search(
    "Observation",
    "last_observations_by_post",
    "The newest Observations of each code, with a Parameters resource",
    body=PARAMETERS_BODY,
    media_type=JSON,
    examples={
        "the newest mean": {
            "resourceType": "Parameters",
            "parameter": [
                {"name": "patient", "valueString": "cda41017-1d9a-8818-bb1a-da6d8d866445"},
                {"name": "code", "valueString": "96607-7"},
                {"name": "max", "valuePositiveInt": 1},
            ],
        }
    },
)
