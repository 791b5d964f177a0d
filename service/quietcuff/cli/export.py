"""``quietcuff export``: write a tenant's data as FHIR into a folder, without a server."""

from __future__ import annotations

import argparse
import asyncio
import os
from pathlib import Path
from uuid import uuid4

from quietcuff.application import AppContext, Caller, open_desk
from quietcuff.application.bulk.folder import COMMAND, Folder, empty_folder, export_to_folder
from quietcuff.application.groups import members_of_group
from quietcuff.cli.support.desk import note_command
from quietcuff.cli.support.opening import opened
from quietcuff.cli.support.progress import work_done
from quietcuff.cli.support.public_url import settle_public_url
from quietcuff.cli.support.tenant_work import named
from quietcuff.cli.support.words import say
from quietcuff.fhir.bulk.manifest import Manifest
from quietcuff.fhir.bulk.plan import EXPORTED_TYPES, ExportPlan
from quietcuff.fhir.bulk.plan import Progress as Reached
from quietcuff.fhir.bulk.request import KickOff, plan_of
from quietcuff.fhir.versions.stored_sets import Publisher
from quietcuff.rules.catalog import load_rulebook
from quietcuff.settings import Settings, read_settings
from quietcuff.storage.bulk.groups import Members
from quietcuff.storage.engine.store import NO_TENANT
from quietcuff.storage.rows.tenants import Tenant

SEARCHES = {"type": "_type", "since": "_since", "until": "_until", "type_filter": "_typeFilter", "elements": "_elements"}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.description = "Write NDJSON files, a type in each, and a manifest. The files hold patient data: guard the folder."
    parser.add_argument("--tenant", required=True, help="whose data")
    parser.add_argument("--to", required=True, metavar="FOLDER", help="a folder that is empty or not there yet")
    parser.add_argument("--type", action="append", help=f"of {', '.join(EXPORTED_TYPES)}; may be repeated; all by default")
    parser.add_argument("--since", help="only what changed after: the transactionTime of the manifest before")
    parser.add_argument("--until", help="only what changed before")
    parser.add_argument("--type-filter", action="append", help="such as Observation?code=96607-7; may be repeated")
    parser.add_argument("--elements", help="such as Observation.component,subject")
    parser.add_argument("--group", help="the id of a group: its people only")
    parser.add_argument("--gzip", action="store_true", help="compress the files")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Export with a progress bar."""
    settings = read_settings(os.environ)
    manifest = asyncio.run(export(arguments, settings))
    resources = sum(output.count for output in manifest.output)
    say(f"{resources} resources in {len(manifest.output)} files, as of {manifest.transaction_time}.")
    return 0


async def export(arguments: argparse.Namespace, settings: Settings) -> Manifest:
    """Open the database, plan the export and write the folder.

    Raises:
        NotAcceptable: an option is not understood, or the folder is not empty.
        NotFound: no such tenant or group.
    """
    async with opened(settings) as store:
        settings = await settle_public_url(store, settings, os.environ)
        tenant = await store.read(NO_TENANT, lambda snapshot: named(snapshot, arguments.tenant))
        desk = open_desk(store, load_rulebook())
        await note_command(desk, Caller(tenant_id=tenant.tenant_id, actor=COMMAND, request_id=str(uuid4())))
        publisher = Publisher(tenant=tenant, public_url=settings.public_url)
        asked, people, now = asked_by(arguments), await members(desk, tenant, arguments.group), desk.clock()
        plan = await store.read(tenant.tenant_id, lambda snapshot: plan_of(snapshot, asked, publisher, people, EVERYTHING, now))
        # After the plan: a wrong option must not leave an empty folder behind.
        path = empty_folder(Path(arguments.to))
        folder = Folder(path, settings.export_file_resources, packed=arguments.gzip)
        return await with_bar(desk, publisher, plan, folder)


EVERYTHING: dict[str, None] = dict.fromkeys(EXPORTED_TYPES)


def asked_by(arguments: argparse.Namespace) -> KickOff:
    """The options as the parameters of a kick-off request."""
    pairs = []
    for option, name in SEARCHES.items():
        given = getattr(arguments, option)
        for value in [given] if isinstance(given, str) else given or []:
            pairs.append((name, value))
    return KickOff(request="quietcuff export", level="system", parameters=pairs)


async def members(desk: AppContext, tenant: Tenant, group_id: str | None) -> Members:
    """Members of a group, or everybody."""
    if group_id is None:
        return Members()
    caller = Caller(tenant_id=tenant.tenant_id, actor=COMMAND, request_id=str(uuid4()))
    return await members_of_group(desk, caller, group_id)


async def with_bar(desk: AppContext, publisher: Publisher, plan: ExportPlan, folder: Folder) -> Manifest:
    """Export with a progress bar on standard error."""
    with work_done("resources") as told:

        def report(reached: Reached) -> None:
            told(reached.percent / 100, reached.resources)

        return await export_to_folder(desk, publisher, plan, folder, report)
