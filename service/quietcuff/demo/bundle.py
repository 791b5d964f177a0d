"""One sitting's FHIR Bundle: listed entry by entry, and compared with the service's answer."""

from __future__ import annotations

from typing import Any

import msgspec
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from quietcuff.core.model.errors import DemoFailed
from quietcuff.demo.gateway import SittingSeen
from quietcuff.demo.narrative import MARGIN, tell_heading
from quietcuff.demo.play import mishaps_of
from quietcuff.terminology import loinc

Json = dict[str, Any]

SYSTOLIC, DIASTOLIC = loinc.SYSTOLIC, loinc.DIASTOLIC
MEAN_SYSTOLIC, MEAN_DIASTOLIC = "96608-5", "96609-3"


def read_bundle(raw: bytes) -> Json:
    """The Bundle as plain JSON values.

    Raises:
        DemoFailed: it is not JSON.
    """
    try:
        return msgspec.json.decode(raw, type=Json)
    except msgspec.DecodeError as exc:
        raise DemoFailed(f"The Bundle cannot be read: {exc}") from exc


def compare_bundle(bundle: Json, envelope: SittingSeen) -> list[str]:
    """The differences between a sitting's Bundle and its evaluation."""
    resources = {entry["resource"]["id"]: entry["resource"] for entry in bundle.get("entry", [])}
    readings = [resource for name, resource in resources.items() if "-r" in name.removeprefix(envelope.id)]
    evaluation, mean = envelope.evaluation, resources.get(f"{envelope.id}-mean")
    facts: list[tuple[str, object, object]] = [
        ("Bundle", "collection", bundle.get("type")),
        ("reading Observations", len(envelope.reading_set.readings), len(readings)),
        ("an Observation of the result", True, mean is not None),
        ("no result", evaluation.result is None, "dataAbsentReason" in (mean or {})),
    ]
    if mean is not None and evaluation.result is not None:
        counted = [f"Observation/{envelope.id}-r{index}" for index in evaluation.counted]
        facts += [
            ("mean systolic", evaluation.result.systolic_mmhg, component(mean, MEAN_SYSTOLIC)),
            ("mean diastolic", evaluation.result.diastolic_mmhg, component(mean, MEAN_DIASTOLIC)),
            ("derivedFrom", counted, [reference["reference"] for reference in mean.get("derivedFrom", [])]),
            ("mean status", "final", mean.get("status")),
        ]
    return [f"FHIR {mishap}" for mishap in mishaps_of(facts)]


def component(observation: Json, loinc: str) -> Any:
    """The value of the component with that LOINC code, or None."""
    for part in observation.get("component", []):
        if any(coding.get("code") == loinc for coding in part["code"].get("coding", [])):
            return part.get("valueQuantity", {}).get("value")
    return None


def show_bundle(console: Console, bundle: Json, envelope: SittingSeen, who: str, size_bytes: int) -> None:
    """Print the Bundle, one line for each entry."""
    tell_heading(console, f"{who}'s sitting as one FHIR R4 Bundle")
    said = (
        f"{len(bundle['entry'])} entries, {size_bytes / 1000:.0f} kB, shown a line each; “…” stands for the id of the sitting, "
        f"{envelope.id}. --bundle FILE writes the whole. No name is in it: none was sent."
    )
    console.print(Padding(Text(said), (0, MARGIN), expand=False))
    lines = Table.grid(padding=(0, 2, 0, 0))
    for entry in bundle["entry"]:
        resource = entry["resource"]
        name = str(resource["id"]).replace(envelope.id, "…")
        shown_name = f"{name[:8]}…" if len(name) > 20 else name
        lines.add_row(Text(resource["resourceType"], "cyan"), Text(shown_name), Text(entry_in_words(resource)))
    console.print(Padding(lines, (1, MARGIN), expand=False))


def entry_in_words(resource: Json) -> str:
    """A few words about an entry."""
    match resource["resourceType"]:
        case "Observation":
            return observation_in_words(resource)
        case "Patient":
            return ", ".join(str(resource[field]) for field in ("gender", "birthDate") if field in resource)
        case "Device":
            return str(resource.get("serialNumber") or resource.get("type", {}).get("text") or "the service itself")
        case "Provenance":
            return "how the result came about"
    return ""


def observation_in_words(observation: Json) -> str:
    """The value of an Observation, with its notes, which tell whether a reading counts."""
    if "valueQuantity" in observation:
        return f"pulse {observation['valueQuantity']['value']:g}/min"
    is_mean = component(observation, MEAN_SYSTOLIC) is not None
    codes = (MEAN_SYSTOLIC, MEAN_DIASTOLIC) if is_mean else (SYSTOLIC, DIASTOLIC)
    values = [component(observation, code) for code in codes]
    if None in values:
        said = observation["dataAbsentReason"] if "dataAbsentReason" in observation else observation["code"]
        return str(said.get("text", ""))
    value = f"{values[0]:g}/{values[1]:g}"
    if is_mean:
        return f"mean {value}, derived from {len(observation['derivedFrom'])} readings"
    notes = [note["text"] for note in observation.get("note", [])]
    return ". ".join([f"reading {value}", *notes])
