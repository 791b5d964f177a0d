"""What the CapabilityStatement says of bulk export. Source: Bulk Data Access 3, CapabilityStatement."""

from __future__ import annotations

from typing import Any

BULK = "http://hl7.org/fhir/uv/bulkdata"
INSTANTIATES = [f"{BULK}/CapabilityStatement/bulk-data"]


def operations(name: str) -> list[dict[str, Any]]:
    """The operation ``$export`` at one level: ``export``, ``patient-export`` or ``group-export``."""
    return [{"name": "export", "definition": f"{BULK}/OperationDefinition/{name}"}]


SYSTEM_OPERATIONS = operations("export")
# By type, what is added to what is said of it.
ADDED: dict[str, dict[str, Any]] = {"Patient": {"operation": operations("patient-export")}}
GROUP = {
    "type": "Group",
    "interaction": [{"code": "read"}],
    "versioning": "versioned",
    "operation": operations("group-export"),
    "documentation": "Made at /v1/groups: people by identifier, or by a sitting that they had.",
}
