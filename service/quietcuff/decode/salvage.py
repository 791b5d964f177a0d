"""A body whose shape has faults, without them: what is left can be understood, so that faults of meaning are told as well.

A field that may be left out is left out; anything else gets a stand-in, and keeps its place. No stand-in is ever told of.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

import msgspec
from msgspec import inspect

from quietcuff.core.model.errors import Fault
from quietcuff.decode.faults import shape_of, split_pointer

Tokens = tuple[str, ...]


def faults_of_the_rest(value: Any, shape: type, faults: list[Fault], meaning: Callable[[Any], Iterable[Fault]]) -> list[Fault]:
    """The faults of meaning in a body with these faults of shape, at places that have none yet."""
    places = {split_pointer(fault.pointer or "") for fault in faults}
    try:
        struct: Any = msgspec.convert(without(value, shape_of(shape), places), shape)
    except (msgspec.ValidationError, OverflowError):
        return []
    return [
        fault
        for fault in meaning(struct)
        if split_pointer(fault.pointer or "") not in places and not rests_on_any(fault, places)
    ]


def rests_on_any(fault: Fault, places: set[Tokens]) -> bool:
    """True for a fault that was found with the help of a value that is faulty itself."""
    return any(
        all(wanted in ("*", token) for token, wanted in zip(place, pattern, strict=False))
        for pattern in RESTS_ON.get(fault.code, ())
        for place in places
    )


# By fault, what it is found from besides the value at its own place.
RESTS_ON: dict[str, tuple[Tokens, ...]] = {
    "sitting-over": (("setting",), ("readings", "*", "taken_at"), ("readings", "*", "voided")),
    "after-the-readings": (("readings", "*", "taken_at"), ("readings", "*", "voided")),
    "wrong-order": (("sleep", "*", "asleep_at"),),
}


def without(value: Any, expected: inspect.Type, faulty: set[Tokens]) -> Any:
    """The value without what is faulty in it; ``faulty`` names places below it, the empty one itself."""
    if () in faulty:
        return stand_in(expected)
    if isinstance(expected, inspect.Metadata):
        return without(value, expected.type, faulty)
    if isinstance(expected, inspect.UnionType):
        return without(value, member(value, expected), faulty)
    if isinstance(expected, inspect.StructType) and isinstance(value, dict):
        return struct_without(value, expected, faulty)
    if isinstance(expected, inspect.ListType) and isinstance(value, list):
        return [
            without(item, expected.item_type, below(faulty, str(place))) if below(faulty, str(place)) else item
            for place, item in enumerate(value)
        ]
    return stand_in(expected) if faulty else value


def struct_without(value: dict[str, Any], expected: inspect.StructType, faulty: set[Tokens]) -> dict[str, Any]:
    fields = {field.encode_name: field for field in expected.fields}
    kept = {name: item for name, item in value.items() if name in fields or name == expected.tag_field}
    for name in {tokens[0] for tokens in faulty} & set(fields):
        inside = below(faulty, name)
        if () in inside and not fields[name].required:
            kept.pop(name, None)
        else:
            kept[name] = without(value.get(name), fields[name].type, inside)
    return kept


def below(faulty: set[Tokens], token: str) -> set[Tokens]:
    """The places below one of the parts, from there on."""
    return {tokens[1:] for tokens in faulty if tokens[:1] == (token,)}


def member(value: Any, union: inspect.UnionType) -> inspect.Type:
    """The type of the union that the value can be meant for."""
    if value is None:
        return inspect.NoneType()
    others = [kind for kind in union.types if not isinstance(kind, inspect.NoneType)]
    if isinstance(value, dict):
        for kind in others:
            if isinstance(kind, inspect.StructType) and kind.tag_field and value.get(kind.tag_field) == kind.tag:
                return kind
    return others[0]


def stand_in(expected: inspect.Type) -> Any:
    """The least value of a type."""
    match expected:
        case inspect.Metadata(type=kind):
            return stand_in(kind)
        case inspect.UnionType(types=kinds):
            return stand_in(kinds[0])
        case inspect.StructType(fields=fields):
            return {field.encode_name: stand_in(field.type) for field in fields if field.required}
        case inspect.ListType(item_type=kind, min_length=least):
            return [stand_in(kind)] * (least or 0)
        case inspect.LiteralType(values=codes):
            return codes[0]
        case inspect.DateTimeType():
            return "2000-01-01T00:00:00Z"
        case inspect.DateType():
            return "2000-01-01"
        case inspect.StrType():
            return "x"
        case inspect.IntType() | inspect.FloatType():
            return 1
    return None
