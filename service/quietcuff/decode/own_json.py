"""Our own JSON: bytes to the struct of a request, or everything that is wrong with them.

A good body is decoded once, straight into its struct. Only a refused one is read again as plain values, to find every
fault. In requests null is the same as left out, and a whole number may carry a point.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from functools import cache
from typing import Any, NoReturn, TypeVar

import msgspec
from msgspec import inspect

from quietcuff.core.model.changes import Append
from quietcuff.core.model.errors import Fault, NotAcceptable, NotReadable
from quietcuff.decode.faults import find_faults, in_order, shape_of
from quietcuff.decode.salvage import faults_of_the_rest, member

MAX_DEPTH = 32

T = TypeVar("T", bound=msgspec.Struct)
Meaning = Callable[[T], Iterable[Fault]]

decoder_of = cache(msgspec.json.Decoder)


def read(body: bytes, shape: type[T], meaning: Meaning[T] | None = None) -> T:
    """The struct that the bytes say. ``meaning`` finds what would be refused of a struct of that shape: it is asked only where
    the shape has faults, so that those of meaning in the rest of the body are told together with them.

    Raises:
        NotReadable: not UTF-8, not JSON, a repeated key, nested too deep, or empty.
        NotAcceptable: JSON of another shape or with impossible values; every fault is named.
    """
    try:
        struct: T = decoder_of(shape).decode(body)
    except (UnicodeDecodeError, RecursionError, msgspec.DecodeError):
        return _read_again(body, shape, meaning)
    if _has_repeated_key(body, msgspec.json.decode(body)):
        _refuse("repeated-key", "Each key once in an object.")
    if not _pressures_are_paired(struct):
        raise NotAcceptable(find_faults(msgspec.json.decode(body), shape))
    return struct


def read_known(body: bytes, shape: type[T]) -> T:
    """The struct that bytes say which ``read`` found good before.

    Raises:
        NotReadable, NotAcceptable: as ``read``, of other bytes.
    """
    try:
        struct: T = decoder_of(shape).decode(body)
    except (UnicodeDecodeError, RecursionError, msgspec.DecodeError):
        return _read_again(body, shape, None)
    return struct


def _read_again(body: bytes, shape: type[T], meaning: Meaning[T] | None) -> T:
    """The slow way: forgive what may be forgiven, and name every fault of the rest."""
    value = plain_values(body)
    forgiven = _forgive(value, shape_of(shape))
    try:
        struct = msgspec.convert(forgiven, shape)
    except (msgspec.ValidationError, OverflowError) as error:
        faults = find_faults(forgiven, shape)
        whole = Fault(pointer="", code="not-acceptable", detail="A body of the documented shape.")
        more = faults_of_the_rest(forgiven, shape, faults, meaning) if meaning is not None else []
        raise NotAcceptable(in_order(faults + more) or [whole]) from error
    if not _pressures_are_paired(struct):
        raise NotAcceptable(find_faults(forgiven, shape))
    return struct


def plain_values(body: bytes) -> object:
    """The bytes as plain values.

    Raises:
        NotReadable: they are not one well-formed JSON text that is fit to be read.
    """
    if not body.strip():
        _refuse("empty-body", "A JSON object.")
    try:
        value = msgspec.json.decode(body)
    except UnicodeDecodeError as error:
        _refuse("not-utf-8", "JSON in UTF-8.", error)
    except RecursionError as error:
        _refuse("too-deep", f"Objects and lists nested at most {MAX_DEPTH} deep.", error)
    except msgspec.DecodeError as error:
        _refuse("not-json", "JSON as RFC 8259 has it, with numbers a double can hold.", error)
    if _is_too_deep(value):
        _refuse("too-deep", f"Objects and lists nested at most {MAX_DEPTH} deep.")
    if _has_repeated_key(body, value):
        _refuse("repeated-key", "Each key once in an object.")
    return value


def _refuse(code: str, accepted: str, cause: Exception | None = None) -> NoReturn:
    raise NotReadable(Fault(pointer="", code=code, detail=accepted)) from cause


def _is_too_deep(value: object) -> bool:
    level = [value]
    for _ in range(MAX_DEPTH):
        level = [child for parent in level for child in _children(parent)]
        if not level:
            return False
    return any(isinstance(value, dict | list) for value in level)


def _children(value: object) -> Any:
    if isinstance(value, dict):
        return value.values()
    return value if isinstance(value, list) else ()


def _has_repeated_key(body: bytes, value: object) -> bool:
    """True where a key is repeated in one object, of which a decoder keeps the last in silence.

    Written again, the value has fewer quotation marks exactly when a key was lost, as long as none is escaped.
    """
    if b"\\" not in body:
        return body.count(b'"') != msgspec.json.encode(value).count(b'"')
    try:
        json.loads(body, object_pairs_hook=_keys_once)
    except _RepeatedKey:
        return True
    return False


class _RepeatedKey(Exception):
    """Ends the reading of a body at the first key that its object already has."""


def _keys_once(pairs: list[tuple[str, object]]) -> None:
    if len({key for key, _ in pairs}) != len(pairs):
        raise _RepeatedKey


def _forgive(value: Any, expected: inspect.Type) -> Any:
    """The value without needless nulls, and with whole numbers whole where the shape counts.

    A null stays where the shape gives it a meaning of its own, and inside a list.
    """
    if isinstance(expected, inspect.Metadata):
        return _forgive(value, expected.type)
    if isinstance(expected, inspect.UnionType):
        return _forgive(value, member(value, expected))
    if isinstance(expected, inspect.StructType) and isinstance(value, dict):
        kinds = {field.encode_name: field.type for field in expected.fields}
        return {
            key: _forgive(item, kinds[key]) if key in kinds else item
            for key, item in value.items()
            if item is not None or key not in kinds or _admits_null(kinds[key])
        }
    if isinstance(expected, inspect.ListType) and isinstance(value, list):
        return [_forgive(item, expected.item_type) for item in value]
    if isinstance(expected, inspect.IntType) and isinstance(value, float) and value.is_integer():
        return int(value)
    return value


def _admits_null(expected: inspect.Type) -> bool:
    return isinstance(expected, inspect.UnionType) and any(isinstance(t, inspect.NoneType) for t in expected.types)


def _pressures_are_paired(struct: object) -> bool:
    """Of readings that will be put behind others, whose places in the sitting are then not those in the body."""
    readings = struct.readings if isinstance(struct, Append) else []
    return all((reading.systolic_mmhg is None) == (reading.diastolic_mmhg is None) for reading in readings)
