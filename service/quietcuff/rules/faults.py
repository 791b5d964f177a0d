"""Faults of rule files, all told at once: those of one file's shape, and those of what does not fit together."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from types import NoneType, UnionType
from typing import Any, Union, get_args, get_origin

import msgspec

from quietcuff.core.model.errors import RulesNotLoadable

_FOUND: ContextVar[list[str] | None] = ContextVar("faults of rule files", default=None)


@contextmanager
def all_at_once() -> Iterator[None]:
    """Collect the faults that ``expect`` and ``note`` find within, and refuse them together at the end.

    Raises:
        RulesNotLoadable: with every fault, a line each.
    """
    found: list[str] = []
    token = _FOUND.set(found)
    try:
        yield
    # A check that cannot go on after a fault ends the rest; what was found by then says why.
    except (LookupError, ValueError):
        if not found:
            raise
    finally:
        _FOUND.reset(token)
    if found:
        raise RulesNotLoadable("\n".join(found))


def expect(holds: bool, message: str) -> None:
    """Refuse what does not hold: at once, or at the end of ``all_at_once``."""
    if not holds:
        note(message)


@contextmanager
def noted() -> Iterator[None]:
    """Go on after a file that cannot be read, and refuse it at the end of ``all_at_once``."""
    try:
        yield
    except RulesNotLoadable as error:
        note(str(error))


def note(message: str) -> None:
    """Refuse with a message: at once, or at the end of ``all_at_once``."""
    found = _FOUND.get()
    if found is None:
        raise RulesNotLoadable(message)
    found.append(message)


def faults_in(value: Any, kind: Any, path: str = "$") -> list[str]:
    """Every fault of a value that was read from TOML, with its path, as far as its parts can be told apart."""
    try:
        msgspec.convert(value, kind)
    except msgspec.ValidationError as error:
        return _faults_of_parts(value, kind, path) or [_placed(error, path)]
    return []


def _faults_of_parts(value: Any, kind: Any, path: str) -> list[str]:
    """The faults of the parts of a value; none where only the value as a whole is at fault."""
    if get_origin(kind) in (Union, UnionType):
        arms = [arm for arm in get_args(kind) if arm is not NoneType]
        return _faults_of_parts(value, arms[0], path) if len(arms) == 1 else []
    if get_origin(kind) is list and isinstance(value, list):
        [item] = get_args(kind)
        return [fault for place, part in enumerate(value) for fault in faults_in(part, item, f"{path}[{place}]")]
    if get_origin(kind) is dict and isinstance(value, dict):
        item = get_args(kind)[1]
        return [fault for name, part in value.items() for fault in faults_in(part, item, f"{path}.{name}")]
    if isinstance(kind, type) and issubclass(kind, msgspec.Struct) and isinstance(value, dict):
        return _faults_of_fields(value, kind, path)
    return []


def _faults_of_fields(value: dict[str, Any], kind: type[msgspec.Struct], path: str) -> list[str]:
    fields = {field.encode_name: field for field in msgspec.structs.fields(kind)}
    faults = [
        fault
        for name, field in fields.items()
        if name in value
        for fault in faults_in(value[name], field.type, f"{path}.{name}")
    ]
    missing = [name for name, field in fields.items() if field.required and name not in value]
    faults += [f"Object missing required field `{name}` - at `{path}`" for name in missing]
    if kind.__struct_config__.forbid_unknown_fields:
        known = {*fields, kind.__struct_config__.tag_field}
        faults += [f"Object contains unknown field `{name}` - at `{path}`" for name in value if name not in known]
    return faults


def _placed(error: msgspec.ValidationError, path: str) -> str:
    """The message of a fault with its whole path, which the library tells from the part on."""
    told, _, below = str(error).partition(" - at `$")
    return f"{told} - at `{path}{below.removesuffix('`')}`"
