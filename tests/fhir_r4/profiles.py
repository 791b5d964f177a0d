"""What the published profiles demand of the resources that the service writes, as a table, and a check against it.

Written from the public definitions: FHIR R4 4.0.1 (Observation, vitalsigns, bp, heartrate, Bundle, DomainResource) and
US Core 9.0.0 (us-core-vital-signs, -blood-pressure, -heart-rate, -average-blood-pressure). It needs no definition file.
"""

from __future__ import annotations

import re
from typing import Any

import fhirkit

CORE = "http://hl7.org/fhir/StructureDefinition/"
US_CORE = "http://hl7.org/fhir/us/core/StructureDefinition/"
LOINC = "http://loinc.org"
UCUM = "http://unitsofmeasure.org"
CATEGORY = ("http://terminology.hl7.org/CodeSystem/observation-category", "vital-signs")

# profile: the panel's code, its components (code -> unit), the unit of its own value, and whether its parent is vitalsigns.
PROFILES: dict[str, dict[str, Any]] = {
    CORE + "bp": {"code": "85354-9", "components": {"8480-6": "mm[Hg]", "8462-4": "mm[Hg]"}, "value": None},
    US_CORE + "us-core-blood-pressure": {
        "code": "85354-9",
        "components": {"8480-6": "mm[Hg]", "8462-4": "mm[Hg]"},
        "value": None,
    },
    CORE + "heartrate": {"code": "8867-4", "components": {}, "value": "/min"},
    US_CORE + "us-core-heart-rate": {"code": "8867-4", "components": {}, "value": "/min"},
    US_CORE + "us-core-average-blood-pressure": {
        "code": "96607-7",
        "components": {"96608-5": "mm[Hg]", "96609-3": "mm[Hg]"},
        "value": "absent",
    },
}
# R4 demands these of every Observation with the code, whatever it claims.
INFERRED = {"85354-9": CORE + "bp", "8867-4": CORE + "heartrate"}
STATUSES = {"registered", "preliminary", "final", "amended", "corrected", "cancelled", "entered-in-error", "unknown"}
DATE_TIME = re.compile(
    r"\d{4}(-(0[1-9]|1[0-2])(-(0[1-9]|[12]\d|3[01])(T([01]\d|2[0-3]):[0-5]\d:([0-5]\d|60)(\.\d+)?"
    r"(Z|[+-]((0\d|1[0-3]):[0-5]\d|14:00)))?)?)?",
    re.ASCII,
)
INSTANT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)", re.ASCII)
DERIVED_FROM_TYPES = {"Observation", "DocumentReference", "ImagingStudy", "Media", "QuestionnaireResponse"}


def faults_of(resource: dict[str, Any]) -> list[str]:
    """Everything that is wrong with a resource; for a Bundle, with each entry too."""
    faults = [f"base: {issue.path} {issue.message}" for issue in fhirkit.validate(resource) if issue.severity == "error"]
    faults += empty_faults(resource, resource["resourceType"])
    if resource["resourceType"] == "Bundle":
        return faults + bundle_faults(resource)
    faults += contained_faults(resource)
    if resource["resourceType"] == "Observation":
        faults += observation_faults(resource)
    return faults


def empty_faults(value: Any, path: str) -> list[str]:
    """ele-1: nothing is empty or null."""
    if value is None or value in ("", [], {}):
        return [f"ele-1: {path} is empty"]
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [fault for key, item in items for fault in empty_faults(item, f"{path}.{key}")]


def bundle_faults(bundle: dict[str, Any]) -> list[str]:
    """bdl-1: total only in a search or a history; bdl-2: entry.search only in a search; bdl-3, bdl-4: each entry of a history
    has a request and a response; bdl-7: each fullUrl once, but in a history."""
    entries, faults = bundle.get("entry", []), []
    is_search, is_history = bundle["type"] == "searchset", bundle["type"] == "history"
    if "total" in bundle and not is_search and not is_history:
        faults.append("bdl-1: total outside a search")
    if any(("request" in entry and "response" in entry) != is_history for entry in entries):
        faults.append("bdl-3, bdl-4: requests and responses make a history, and nothing else here")
    if any("search" in entry for entry in entries) and not is_search:
        faults.append("bdl-2: entry.search outside a search")
    addresses = [entry["fullUrl"] for entry in entries]
    if len(set(addresses)) != len(addresses) and not is_history:
        faults.append("bdl-7: a fullUrl twice")
    for entry in entries:
        inner = entry["resource"]
        is_address = not entry["fullUrl"].startswith("urn:")
        if is_address and not entry["fullUrl"].endswith(f"/{inner['resourceType']}/{inner['id']}"):
            faults.append(f"fullUrl of {inner['id']} does not lead to it")
        faults += faults_of(inner)
    return faults


def contained_faults(resource: dict[str, Any]) -> list[str]:
    """dom-2 to dom-4, ref-1: what is contained is plain, is pointed to, and every inner pointer leads to it."""
    contained = {inner["id"]: inner for inner in resource.get("contained", [])}
    pointed = {reference[1:] for reference in references_of(resource) if reference.startswith("#")}
    faults = [f"dom-4: #{name} has a version" for name, inner in contained.items() if "meta" in inner]
    faults += [f"dom-3: #{name} is not pointed to" for name in contained.keys() - pointed]
    return faults + [f"ref-1: #{name} is not there" for name in pointed - contained.keys()]


def references_of(value: Any) -> list[str]:
    """Every reference inside."""
    if isinstance(value, dict):
        own = [value["reference"]] if isinstance(value.get("reference"), str) else []
        return own + [reference for item in value.values() for reference in references_of(item)]
    return [reference for item in value for reference in references_of(item)] if isinstance(value, list) else []


def observation_faults(observation: dict[str, Any]) -> list[str]:
    """What R4's Observation and each profile that applies demand."""
    code = codes_in(observation.get("code"))
    wanted = dict.fromkeys(observation.get("meta", {}).get("profile", []))
    wanted |= dict.fromkeys(INFERRED[found] for system, found in code if system == LOINC and found in INFERRED)
    faults = base_observation_faults(observation)
    for profile in wanted:
        facts = PROFILES.get(profile)
        if facts is None:
            faults.append(f"{profile} is not a profile that the service keeps")
            continue
        name = profile.rsplit("/", 1)[-1]
        faults += [f"{name}: {fault}" for fault in profile_faults(observation, facts)]
    return faults


def base_observation_faults(observation: dict[str, Any]) -> list[str]:
    """Status, times, obs-6 and obs-7, in any Observation."""
    faults = []
    if observation.get("status") not in STATUSES:
        faults.append("status is not one of R4's")
    if values_of(observation) and "dataAbsentReason" in observation:
        faults.append("obs-6: a value and the reason for its absence")
    if values_of(observation) and any(
        codes_in(component.get("code")) & codes_in(observation.get("code")) for component in components_of(observation)
    ):
        faults.append("obs-7: a component with the code of the whole, and a value of the whole")
    if "issued" in observation and not INSTANT.fullmatch(observation["issued"]):
        faults.append("issued is not an instant")
    for moment in times_of(observation):
        if not DATE_TIME.fullmatch(moment):
            faults.append("effective is not a dateTime of R4: a time needs seconds and a zone")
        if len(moment) < len("YYYY-MM-DD"):
            faults.append("vs-1: effective is not precise to the day")
    period = observation.get("effectivePeriod")
    if period and not {"start", "end"} <= period.keys():
        faults.append("effectivePeriod without start or end")
    return faults


def profile_faults(observation: dict[str, Any], facts: dict[str, Any]) -> list[str]:
    """Cardinalities, fixed codes and units, and the invariants vs-2, vs-3 and us-core-26."""
    faults = []
    if [CATEGORY in codes_in(concept) for concept in observation.get("category", [])].count(True) != 1:
        faults.append("category vital-signs is not there once")
    codings = [(coding.get("system"), coding.get("code")) for coding in observation.get("code", {}).get("coding", [])]
    if codings.count((LOINC, facts["code"])) != 1:
        faults.append(f"code {facts['code']} is not there once")
    if not observation.get("subject", {}).get("reference", "").startswith("Patient/"):
        faults.append("subject is not a Patient")
    if not times_of(observation):
        faults.append("effective is missing")
    faults += component_faults(components_of(observation), facts["components"])
    faults += value_faults(observation, facts["value"])
    if not components_of(observation) and not values_of(observation) and "dataAbsentReason" not in observation:
        faults.append("vs-2: neither components nor a value nor a reason")
    if any(
        reference.split("/")[0] not in DERIVED_FROM_TYPES for reference in references_of(observation.get("derivedFrom", []))
    ):
        faults.append("derivedFrom points to what a vital sign cannot come from")
    return faults


def component_faults(components: list[dict[str, Any]], wanted: dict[str, str]) -> list[str]:
    """Each slice once, its quantity in its unit, and a value or a reason in every component."""
    faults = []
    if wanted and len(components) < 2:
        faults.append("fewer than two components")
    for component in components:
        if not values_of(component) and "dataAbsentReason" not in component:
            faults.append("vs-3, us-core-26: a component with neither value nor reason")
    for code, unit in wanted.items():
        slices = [component for component in components if (LOINC, code) in codes_in(component.get("code"))]
        if len(slices) != 1:
            faults.append(f"component {code} is there {len(slices)} times")
        for component in slices:
            faults += [f"component {code}: {fault}" for fault in quantity_faults(component, unit)]
    return faults


def value_faults(observation: dict[str, Any], unit: str | None) -> list[str]:
    """bp has no quantity of its own, the average no value at all, the heart rate one in /min."""
    if unit == "absent":
        return ["a value beside the components"] if values_of(observation) else []
    if unit is None:
        return ["a quantity beside the components"] if "valueQuantity" in observation else []
    return quantity_faults(observation, unit)


def quantity_faults(holder: dict[str, Any], unit: str) -> list[str]:
    """Value, unit, system and code are all there, and the last two are fixed."""
    if "valueQuantity" not in holder:
        return [f"{name} instead of a quantity" for name in values_of(holder)]
    quantity = holder["valueQuantity"]
    faults = [f"{name} is missing" for name in ("value", "unit", "system", "code") if name not in quantity]
    if quantity.get("system") != UCUM or quantity.get("code") != unit:
        faults.append(f"unit is not {unit} of UCUM")
    return faults


def codes_in(concept: dict[str, Any] | None) -> set[tuple[str | None, str | None]]:
    return {(coding.get("system"), coding.get("code")) for coding in (concept or {}).get("coding", [])}


def components_of(observation: dict[str, Any]) -> list[dict[str, Any]]:
    components: list[dict[str, Any]] = observation.get("component", [])
    return components


def values_of(holder: dict[str, Any]) -> list[str]:
    return [name for name in holder if re.fullmatch(r"value[A-Z]\w*", name)]


def times_of(observation: dict[str, Any]) -> list[str]:
    period = observation.get("effectivePeriod", {})
    times = [observation.get("effectiveDateTime"), period.get("start"), period.get("end")]
    return [moment for moment in times if moment]
