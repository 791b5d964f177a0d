"""``quietcuff tenants``: list tenants, and show or change their settings. A tenant is created with its first key."""

from __future__ import annotations

import argparse
import sys
from typing import Any
from zoneinfo import ZoneInfo

import msgspec

from quietcuff.cli.keys import on_store
from quietcuff.cli.support.listing import add_json_to, show_list
from quietcuff.cli.support.tenant_work import named, record_command
from quietcuff.cli.support.words import say
from quietcuff.core.model.errors import Fault, NotAcceptable
from quietcuff.core.model.fields import System, Text
from quietcuff.storage.rows.tenants import Tenant, TenantSettings, all_tenant_ids, find_tenant_by_id, save_settings

MOST_YEARS = 200


class Authority(msgspec.Struct, frozen=True):
    """Name by which HL7 v2 senders call an identifier system."""

    name: Text
    system: System


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    actions = parser.add_subparsers(title="actions", metavar="ACTION", required=True)
    show = actions.add_parser("show", help="its settings, as JSON")
    show.set_defaults(run=run_show)
    change = actions.add_parser("set", help="change settings; those not named stay")
    change.add_argument("--time-zone", help="of plain days and of times without an offset, such as Europe/Amsterdam")
    change.add_argument(
        "--authority",
        action="append",
        default=[],
        metavar="NAME=SYSTEM",
        help="the system of identifiers that HL7 v2 senders know by a name; without SYSTEM the name is forgotten",
    )
    change.add_argument(
        "--keep-years",
        type=int,
        metavar="YEARS",
        help="delete what was measured longer ago, 1 to 200; 0 keeps everything, as it is at first",
    )
    change.set_defaults(run=run_set)
    listing = actions.add_parser("list", help="the tenants there are")
    add_json_to(listing)
    listing.set_defaults(run=run_list)
    for action in (show, change):
        action.add_argument("tenant", metavar="NAME")


def run_list(arguments: argparse.Namespace) -> int:
    """Show the tenants."""

    def read(connection: Any) -> list[Tenant]:
        found = (find_tenant_by_id(connection, tenant_id) for tenant_id in all_tenant_ids(connection))
        return [tenant for tenant in found if tenant is not None]

    names = ("tenant", "number", "time_zone", "keep_years")
    rows = ((one.name, one.tenant_id, one.settings.time_zone, one.settings.keep_years) for one in on_store(read))
    show_list(names, rows, as_json=arguments.json)
    return 0


def run_show(arguments: argparse.Namespace) -> int:
    """Write the settings of a tenant."""
    tenant = on_store(lambda connection: named(connection, arguments.tenant))
    sys.stdout.write(msgspec.json.format(msgspec.json.encode(tenant.settings)).decode() + "\n")
    return 0


def run_set(arguments: argparse.Namespace) -> int:
    """Change settings of a tenant."""
    faults: list[Fault] = []
    zone = arguments.time_zone
    if zone is not None and not is_zone(zone):
        accepted = "A zone of the time-zone database, such as Europe/Amsterdam."
        faults.append(Fault(parameter="time-zone", code="unknown-code", detail=accepted))
    keep_years = arguments.keep_years
    if keep_years is not None and not 0 <= keep_years <= MOST_YEARS:
        accepted = f"A whole number of years, 1 to {MOST_YEARS}; 0 keeps everything."
        faults.append(Fault(parameter="keep-years", code="out-of-range", detail=accepted))
    # Removed before others are added: one call may move a name to another system.
    forgotten = {said[:-1] for said in arguments.authority if said.endswith("=")}
    added = [authority_of(said, faults) for said in arguments.authority if not said.endswith("=")]
    if faults:
        raise NotAcceptable(faults)

    def change(connection: Any) -> None:
        tenant = named(connection, arguments.tenant)
        kept = {name: system for name, system in tenant.settings.authorities.items() if name not in forgotten}
        authorities = kept | {authority.name: authority.system for authority in added if authority is not None}
        settings: TenantSettings = msgspec.structs.replace(
            tenant.settings,
            time_zone=zone or tenant.settings.time_zone,
            authorities=authorities,
            keep_years=tenant.settings.keep_years if keep_years is None else keep_years or None,
        )
        save_settings(connection, tenant.tenant_id, settings)
        changed = [
            name for name in TenantSettings.__struct_fields__ if getattr(settings, name) != getattr(tenant.settings, name)
        ]
        record_command(connection, tenant.tenant_id, "change-settings", "tenants set: " + (", ".join(changed) or "nothing"))

    on_store(change)
    say("Set. Servers notice within five seconds.")
    return 0


def is_zone(name: str) -> bool:
    """True if the time-zone database has a zone of that name."""
    try:
        ZoneInfo(name)
    except (KeyError, OSError, ValueError):
        return False
    return True


def authority_of(said: str, faults: list[Fault]) -> Authority | None:
    """Name and system of ``NAME=SYSTEM``; None, with a fault added, for any other text."""
    name, _, system = said.partition("=")
    try:
        return msgspec.convert({"name": name, "system": system}, Authority)
    except msgspec.ValidationError:
        accepted = "NAME=SYSTEM, where the system is a URI such as urn:oid:2.999.41."
        faults.append(Fault(parameter="authority", code="unfit-characters", detail=accepted))
        return None
