"""Examples shown in the OpenAPI document: JSON files under ``openapi/examples``, read when the document is made.

People, devices and readings in them are invented.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import msgspec

import quietcuff

# Three routes take these; the others name their files themselves.
SITTINGS = {"a sitting that is under way": "sitting-under-way", "a whole sitting, with little said": "whole-sitting"}


def examples_folder() -> Path:
    """The folder of the examples: inside an installed package, or at the top of a checkout."""
    package = Path(quietcuff.__file__).parent
    installed = package / "_examples"
    return installed if installed.is_dir() else package.parents[1] / "openapi" / "examples"


def example(name: str | tuple[str, ...]) -> Any:
    """The example in a file, by its name without ending; of several files, a list of them."""
    if isinstance(name, tuple):
        return [example(one) for one in name]
    return msgspec.json.decode((examples_folder() / f"{name}.json").read_bytes())
