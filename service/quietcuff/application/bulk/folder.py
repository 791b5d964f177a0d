"""Export into a folder: the same pages, lines and manifest as a job's, without a job."""

from __future__ import annotations

import gzip
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any, BinaryIO
from uuid import uuid4

import msgspec

from quietcuff.application.bulk.worker import moment_with_all_before, reading_of
from quietcuff.application.context import AppContext, Caller, note, now
from quietcuff.core.model.errors import NotAcceptable
from quietcuff.fhir.bulk.gzip_files import LEVEL
from quietcuff.fhir.bulk.manifest import Manifest, Output
from quietcuff.fhir.bulk.pages import Walk, make_lines
from quietcuff.fhir.bulk.plan import ExportPlan, Progress
from quietcuff.fhir.resources.sitting import instant
from quietcuff.fhir.versions.stored_sets import Publisher

COMMAND = "command"
# Not beside the resources: whoever reads every file of the folder, or every ``*.json``, meets resources alone.
MANIFEST_FOLDER, MANIFEST = "manifest", "manifest.json"
UNFINISHED = ".part"
OWNER_ONLY = 0o600


class Folder:
    """The files of an export in a folder. They get their final names once all of them are complete."""

    def __init__(self, path: Path, most: int, *, packed: bool) -> None:
        self._path, self._most, self._packed = path, most, packed
        self._open: dict[tuple[str, str], tuple[Output, Any]] = {}
        self._done: dict[str, list[Output]] = {"output": [], "deleted": [], "error": []}
        self._numbers: dict[str, int] = {}

    def put(self, purpose: str, resource_type: str, lines: list[bytes]) -> None:
        """Write lines to the file of their kind, and to further files when one is full."""
        while lines:
            is_open = (purpose, resource_type) in self._open
            output, stream = self._open.pop((purpose, resource_type)) if is_open else self._begin(resource_type)
            part, lines = lines[: self._most - output.count], lines[self._most - output.count :]
            stream.write(b"\n".join((*part, b"")))
            grown = msgspec.structs.replace(output, count=output.count + len(part))
            if grown.count < self._most:
                self._open[purpose, resource_type] = grown, stream
            else:
                self._close(purpose, grown, stream)

    def finish(self, manifest: Manifest) -> Manifest:
        """Close and rename the files, then write the manifest. Its presence means that the export is complete."""
        self.close()
        whole: Manifest = msgspec.structs.replace(manifest, **self._done)
        for output in (*whole.output, *whole.deleted, *whole.error):
            # Renamed only now: a reader of the folder never takes half a file of an export that failed for a whole one.
            (self._path / f"{output.url}{UNFINISHED}").rename(self._path / output.url)
        (self._path / MANIFEST_FOLDER).mkdir(mode=0o700)
        with self._create(f"{MANIFEST_FOLDER}/{MANIFEST}") as stream:
            stream.write(msgspec.json.format(msgspec.json.encode(whole), indent=2) + b"\n")
        return whole

    def close(self) -> None:
        for (purpose, _), (output, stream) in sorted(self._open.items()):
            self._close(purpose, output, stream)
        self._open.clear()

    def _begin(self, resource_type: str) -> tuple[Output, Any]:
        number = self._numbers[resource_type] = self._numbers.get(resource_type, 0) + 1
        name = f"{resource_type}.{number:03}.ndjson{'.gz' if self._packed else ''}"
        stream = self._create(f"{name}{UNFINISHED}")
        packer: Any = gzip.GzipFile(fileobj=stream, mode="wb", compresslevel=LEVEL) if self._packed else stream
        return Output(type=resource_type, url=name, count=0), packer

    def _close(self, purpose: str, output: Output, stream: Any) -> None:
        # A gzip stream leaves the file under it open.
        below: Any = getattr(stream, "fileobj", None)
        stream.close()
        if below is not None:
            below.close()
        self._done[purpose].append(output)

    def _create(self, name: str) -> BinaryIO:
        return open(os.open(self._path / name, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, OWNER_ONLY), "wb")


async def export_to_folder(
    desk: AppContext, publisher: Publisher, plan: ExportPlan, folder: Folder, report: Callable[[Progress], None]
) -> Manifest:
    """Write an export into a folder, and report progress after each page.

    Raises:
        Busy: the database cannot be reached, or a write that has been open for long holds the export up.
    """
    tenant_id = publisher.tenant.tenant_id
    caller = Caller(tenant_id=tenant_id, actor=COMMAND, request_id=str(uuid4()))
    begun = now(desk)
    # Before the first page is read: the trail must show an export even if it fails half way.
    await desk.store.write(tenant_id, lambda transaction: note(transaction, caller, "start-export", begun))
    walk = Walk(publisher=publisher, plan=plan, at=await moment_with_all_before(desk, tenant_id))
    progress = Progress()
    try:
        while progress.step != "end":
            page = await desk.store.read(tenant_id, reading_of(walk, progress))
            produced = make_lines(walk, progress, page)
            for (purpose, resource_type), lines in produced.lines.items():
                folder.put(purpose, resource_type, lines)
            progress = produced.progress
            report(progress)
    finally:
        folder.close()
    empty = Manifest(
        transaction_time=instant(walk.at),
        request=plan.request,
        requires_access_token=False,
        output=[],
        deleted=[],
        error=[],
    )
    return folder.finish(empty)


def empty_folder(path: Path) -> Path:
    """An empty folder. It is created for its owner alone if it does not exist.

    Raises:
        NotAcceptable: it is not empty, or not a folder.
    """
    if path.exists() and (not path.is_dir() or any(path.iterdir())):
        raise NotAcceptable.of(parameter="to", code="not-acceptable", detail="A folder that is empty or not there yet.")
    path.mkdir(mode=0o700, parents=True, exist_ok=True)
    return path
