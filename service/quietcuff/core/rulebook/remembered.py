"""Results remembered for the rules that they follow from, worked out once for each rule that is loaded."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from typing import TypeVar

R = TypeVar("R")
T = TypeVar("T")


def remembered(work_out: Callable[..., T], most: int = 512) -> Callable[..., T]:
    """A function of a rule, and of more arguments that can be compared, that keeps at most ``most`` results.

    A rule is never changed, only replaced, so it is known again by being the same object; it is kept with its result, so that
    no other object can come to have its place. Nothing but the time a call takes shows what was remembered.
    """
    known: dict[Hashable, tuple[object, T]] = {}

    def look_up(rule: R, *more: Hashable) -> T:
        key = id(rule), more
        found = known.get(key)
        if found is not None and found[0] is rule:
            return found[1]
        result = work_out(rule, *more)
        # Several threads may evaluate at once: each of these steps leaves a dictionary that is true.
        if len(known) >= most:
            known.clear()
        known[key] = rule, result
        return result

    return look_up


def remembered_alone(work_out: Callable[[R], T], most: int = 512) -> Callable[[R], T]:
    """The same for a function of a rule alone, which is found again without making and hashing a key."""
    known: dict[int, tuple[R, T]] = {}

    def look_up(rule: R) -> T:
        found = known.get(id(rule))
        if found is not None and found[0] is rule:
            return found[1]
        result = work_out(rule)
        if len(known) >= most:
            known.clear()
        known[id(rule)] = rule, result
        return result

    return look_up
