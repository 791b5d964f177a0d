"""Every fault of a JSON value at once, each with its place and what would be accepted.

msgspec stops at the first fault. This walk is taken only when it has refused a body: the plain value is followed beside
``msgspec.inspect.type_info``, and what is found is sorted by place. No fault quotes a value.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator
from datetime import date, datetime
from functools import cache
from typing import Any

import msgspec
from msgspec import inspect

from quietcuff.core.model.errors import Fault
from quietcuff.core.model.fields import (
    BIRTH_DATE_PATTERN,
    FIRST_YEAR,
    LAST_YEAR,
    SYSTEM_PATTERN,
    check_day,
    check_instant,
    plain_number,
)
from quietcuff.core.model.readings import Cuff, Reading
from quietcuff.core.model.registry import RegisteredCuff

LONGEST_NAMED_FIELD = 64
INSTANT = f"RFC 3339 with seconds and an offset, such as 2026-05-04T09:00:00+02:00; years {FIRST_YEAR} to {LAST_YEAR}."
DAY = f"A day, such as 2026-05-04; years {FIRST_YEAR} to {LAST_YEAR}."
BIRTH_DATE = "A day, a month or a year, such as 1971-01-15, 1971-01 or 1971."

Found = Iterator[Fault]
shape_of = cache(inspect.type_info)


def find_faults(value: object, shape: Any) -> list[Fault]:
    """Every reason why the value is not of the shape, in order of place."""
    return in_order(_walk(value, shape_of(shape), ""))


def in_order(faults: Iterable[Fault]) -> list[Fault]:
    """The faults as a reader of the body would meet them."""
    return sorted(faults, key=lambda fault: place(fault.pointer or ""))


def place(pointer: str) -> tuple[tuple[int, str], ...]:
    """A key that sorts pointers as a reader would: ``/readings/2`` before ``/readings/10``."""
    return tuple((int(token), "") if token.isdecimal() else (-1, token) for token in pointer.split("/"))


def split_pointer(pointer: str) -> tuple[str, ...]:
    """The steps of a pointer, unescaped: none for the whole body."""
    return tuple(token.replace("~1", "/").replace("~0", "~") for token in pointer.split("/")[1:])


def step_into(pointer: str, token: str | int) -> str:
    """The pointer one step further, escaped as RFC 6901 asks."""
    return f"{pointer}/{str(token).replace('~', '~0').replace('/', '~1')}"


def _fault(pointer: str, code: str, detail: str) -> Fault:
    return Fault(pointer=pointer, code=code, detail=detail)


def _walk(value: object, expected: inspect.Type, pointer: str) -> Found:
    if isinstance(expected, inspect.Metadata):
        decimals = (expected.extra or {}).get("decimals")
        yield from _walk(value, expected.type, pointer) if decimals is None else _decimal(value, expected, pointer)
    elif isinstance(expected, inspect.UnionType):
        yield from _walk_union(value, expected, pointer)
    elif isinstance(expected, inspect.StructType):
        yield from _walk_struct(value, expected, pointer)
    elif isinstance(expected, inspect.ListType):
        yield from _walk_list(value, expected, pointer)
    elif isinstance(expected, inspect.TupleType):
        yield from _walk_tuple(value, expected, pointer)
    elif isinstance(expected, inspect.DictType):
        yield from _walk_dict(value, expected, pointer)
    else:
        yield from LEAVES[type(expected)](value, expected, pointer)


def _walk_union(value: object, expected: inspect.UnionType, pointer: str) -> Found:
    """Null and one other type, or structs told apart by a tag: the only unions that come in."""
    others = [kind for kind in expected.types if not isinstance(kind, inspect.NoneType)]
    if value is None and len(others) < len(expected.types):
        return
    if len(others) == 1:
        yield from _walk(value, others[0], pointer)
        return
    tagged = {kind.tag: kind for kind in others if isinstance(kind, inspect.StructType)}
    tag_field = str(next(iter(tagged.values())).tag_field)
    if not isinstance(value, dict):
        yield _fault(pointer, "wrong-type", "An object.")
    elif value.get(tag_field) is None:
        yield _fault(step_into(pointer, tag_field), "missing", "Needed.")
    elif not isinstance(value[tag_field], str):
        yield _fault(step_into(pointer, tag_field), "wrong-type", _accepted(tagged))
    elif value[tag_field] not in tagged:
        yield _fault(step_into(pointer, tag_field), "unknown-code", _accepted(tagged))
    else:
        yield from _walk_struct(value, tagged[value[tag_field]], pointer)


def _walk_struct(value: object, expected: inspect.StructType, pointer: str) -> Found:
    if not isinstance(value, dict):
        yield _fault(pointer, "wrong-type", "An object.")
        return
    fields = {field.encode_name: field for field in expected.fields}
    for name in value:
        if name not in fields and name != expected.tag_field:
            # A name is told only while it can be one: a megabyte of it, or one made of a value, helps nobody.
            at = step_into(pointer, name) if len(name) <= LONGEST_NAMED_FIELD else pointer
            yield _fault(at, "unknown-field", f"Not a field of {_spoken(expected.cls)}.")
    for name, field in fields.items():
        if value.get(name) is not None:
            yield from _walk(value[name], field.type, step_into(pointer, name))
        elif field.required:
            yield _fault(step_into(pointer, name), "missing", "Needed.")
    if expected.cls in RULES:
        yield from RULES[expected.cls](value, pointer)


def _walk_dict(value: object, expected: inspect.DictType, pointer: str) -> Found:
    """An object whose names are not fixed: each value stands under its own name."""
    if not isinstance(value, dict):
        yield _fault(pointer, "wrong-type", "An object.")
        return
    for name, item in value.items():
        # As with unknown fields: a name that is too long to be one is not repeated.
        at = step_into(pointer, name) if len(name) <= LONGEST_NAMED_FIELD else pointer
        yield from _walk(name, expected.key_type, at)
        yield from _walk(item, expected.value_type, at)


def _walk_list(value: object, expected: inspect.ListType, pointer: str) -> Found:
    if not isinstance(value, list):
        yield _fault(pointer, "wrong-type", "A list.")
        return
    if expected.min_length is not None and len(value) < expected.min_length:
        yield _fault(pointer, "too-few", f"At least {expected.min_length}.")
    if expected.max_length is not None and len(value) > expected.max_length:
        yield _fault(pointer, "too-many", f"At most {expected.max_length}.")
        return
    for index, item in enumerate(value):
        yield from _walk(item, expected.item_type, step_into(pointer, index))


def _walk_tuple(value: object, expected: inspect.TupleType, pointer: str) -> Found:
    if not isinstance(value, list):
        yield _fault(pointer, "wrong-type", "A list.")
    elif len(value) != len(expected.item_types):
        code = "too-few" if len(value) < len(expected.item_types) else "too-many"
        yield _fault(pointer, code, f"Exactly {len(expected.item_types)}.")
    else:
        for index, (item, kind) in enumerate(zip(value, expected.item_types, strict=True)):
            yield from _walk(item, kind, step_into(pointer, index))


def _literal(value: object, expected: inspect.LiteralType, pointer: str) -> Found:
    if not isinstance(value, str):
        yield _fault(pointer, "wrong-type", _accepted(expected.values))
    elif value not in expected.values:
        yield _fault(pointer, "unknown-code", _accepted(expected.values))


def _text(value: object, expected: inspect.StrType, pointer: str) -> Found:
    if expected.pattern == BIRTH_DATE_PATTERN:
        yield from _birth_date(value, pointer)
        return
    accepted = f"Text of {expected.min_length or 0} to {expected.max_length} characters, not blank, without control characters"
    accepted += ", white space and |." if expected.pattern == SYSTEM_PATTERN else "."
    if not isinstance(value, str):
        yield _fault(pointer, "wrong-type", accepted)
    elif len(value) < (expected.min_length or 0):
        yield _fault(pointer, "too-short", accepted)
    elif expected.max_length is not None and len(value) > expected.max_length:
        yield _fault(pointer, "too-long", accepted)
    elif expected.pattern is not None and not re.search(expected.pattern, value):
        yield _fault(pointer, "unfit-characters", accepted)


def _birth_date(value: object, pointer: str) -> Found:
    if not isinstance(value, str):
        yield _fault(pointer, "wrong-type", BIRTH_DATE)
    elif not re.search(BIRTH_DATE_PATTERN, value) or (len(value) == 10 and not _converts(value, date)):
        yield _fault(pointer, "not-a-date", BIRTH_DATE)


def _decimal(value: object, expected: inspect.Metadata, pointer: str) -> Found:
    """A number that core keeps as a count of hundredths."""
    accepted = f"{_bounds(expected.type)[:-1]}, at most 2 decimals."
    found = [fault.code for fault in _number(value, expected.type, pointer)]
    if not found and not _holds(plain_number, value):
        found = ["too-many-decimals"]
    for code in found:
        yield _fault(pointer, code, accepted)


def _number(value: object, expected: Any, pointer: str) -> Found:
    wanted = int if isinstance(expected, inspect.IntType) else int | float
    if isinstance(value, bool) or not isinstance(value, wanted):
        yield _fault(pointer, "wrong-type", _bounds(expected))
    elif not _within(value, expected):
        yield _fault(pointer, "out-of-range", _bounds(expected))


def _within(value: float, expected: Any) -> bool:
    return (
        (expected.ge is None or value >= expected.ge)
        and (expected.gt is None or value > expected.gt)
        and (expected.le is None or value <= expected.le)
        and (expected.lt is None or value < expected.lt)
    )


def _bounds(expected: Any) -> str:
    kind = "whole number" if isinstance(expected, inspect.IntType) else "number"
    lowest = f"from {expected.ge}" if expected.ge is not None else f"above {expected.gt}"
    highest = f" to {expected.le}" if expected.le is not None else f" to below {expected.lt}"
    return f"A {kind} {lowest}{highest}."


def _flag(value: object, expected: inspect.BoolType, pointer: str) -> Found:
    if not isinstance(value, bool):
        yield _fault(pointer, "wrong-type", "true or false.")


def _instant(value: object, expected: inspect.DateTimeType, pointer: str) -> Found:
    if not isinstance(value, str):
        yield _fault(pointer, "wrong-type", INSTANT)
    elif not _converts(value, datetime):
        yield _fault(pointer, "not-a-time", INSTANT)
    elif (instant := msgspec.convert(value, datetime)).tzinfo is None:
        yield _fault(pointer, "zone-missing", INSTANT)
    elif not _holds(check_instant, instant):
        yield _fault(pointer, "out-of-range", f"{INSTANT[:-1]}, offsets to 14 hours.")


def _day(value: object, expected: inspect.DateType, pointer: str) -> Found:
    if not isinstance(value, str):
        yield _fault(pointer, "wrong-type", DAY)
    elif not _converts(value, date):
        yield _fault(pointer, "not-a-date", DAY)
    elif not _holds(check_day, msgspec.convert(value, date)):
        yield _fault(pointer, "out-of-range", DAY)


LEAVES: dict[type[inspect.Type], Callable[[Any, Any, str], Found]] = {
    inspect.LiteralType: _literal,
    inspect.StrType: _text,
    inspect.FloatType: _number,
    inspect.IntType: _number,
    inspect.BoolType: _flag,
    inspect.DateTimeType: _instant,
    inspect.DateType: _day,
}


def _pressures_together(reading: dict[str, Any], pointer: str) -> Found:
    """Both pressures or neither: neither is a failed attempt, one alone is a mistake of the sender."""
    names = ("systolic_mmhg", "diastolic_mmhg")
    absent = [name for name in names if reading.get(name) is None]
    if len(absent) == 1:
        yield _fault(step_into(pointer, absent[0]), "one-pressure-missing", "Both pressures, or neither after a failure.")


def _range_in_order(cuff: dict[str, Any], pointer: str) -> Found:
    match cuff.get("range_cm"):
        case [int() | float() as low, int() | float() as high] if low >= high:
            yield _fault(step_into(pointer, "range_cm"), "wrong-order", "The lower circumference, then the higher.")


RULES: dict[type, Callable[[dict[str, Any], str], Found]] = {
    Reading: _pressures_together,
    Cuff: _range_in_order,
    RegisteredCuff: _range_in_order,
}


def _accepted(codes: Any) -> str:
    return f"Accepted: {', '.join(sorted(codes))}."


def _spoken(shape: type) -> str:
    words = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", shape.__name__).lower()
    return f"{'an' if words[0] in 'aeiou' else 'a'} {words}"


def _converts(value: str, kind: type) -> bool:
    return _holds(lambda text: msgspec.convert(text, kind), value)


def _holds(check: Callable[[Any], object], value: object) -> bool:
    try:
        check(value)
    except (ValueError, OverflowError):
        return False
    return True
