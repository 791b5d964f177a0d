"""What the registries know and a caller left blank, and where the two differ. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TypeVar

import msgspec

from quietcuff.core.model.amend import defaults_of
from quietcuff.core.model.readings import Cuff, Device, Facts, Identifier, Reading, ReadingSet, YesNo
from quietcuff.core.model.registry import RegisteredDevice, as_in_a_set

S = TypeVar("S", bound=msgspec.Struct)
Registry = Mapping[Identifier, RegisteredDevice | None]

FACTS = tuple(field.name for field in msgspec.structs.fields(Facts))
DEVICE_FIELDS = tuple(field.name for field in msgspec.structs.fields(Device))


def filled(said: S, known: msgspec.Struct, names: tuple[str, ...]) -> S:
    """A struct whose blank fields of those names say what is known."""
    blank = defaults_of(type(said))
    values = {name: getattr(known, name) for name in names if getattr(said, name) == blank[name]}
    return msgspec.structs.replace(said, **values) if values else said


def facts_that_differ(said: Facts, known: Facts) -> list[str]:
    """Names of the facts that both hold, and hold differently."""
    blank = defaults_of(Facts)
    return [
        name
        for name in FACTS
        if blank[name] not in (getattr(said, name), getattr(known, name)) and getattr(said, name) != getattr(known, name)
    ]


def facts_of(said: Facts) -> Facts:
    """The facts alone, without whose they are."""
    return Facts(**{name: getattr(said, name) for name in FACTS})


def with_known_devices(reading_set: ReadingSet, registry: Registry) -> ReadingSet:
    """The set with what the registry knows of its devices and their cuffs, where the caller left it blank."""
    if not any(registry.values()):
        return reading_set
    own = registered(reading_set.device, registry)
    return msgspec.structs.replace(
        reading_set,
        device=known_device(reading_set.device, own),
        cuff=known_cuff(reading_set.cuff, own),
        readings=[with_known_device(reading, registry) for reading in reading_set.readings],
    )


def with_known_device(reading: Reading, registry: Registry) -> Reading:
    own = registered(reading.device, registry)
    if own is None:
        return reading
    return msgspec.structs.replace(reading, device=known_device(reading.device, own), cuff=known_cuff(reading.cuff, own))


def registered(device: Device | None, registry: Registry) -> RegisteredDevice | None:
    """The registry's document of a device, where there is one."""
    return None if device is None or device.identifier is None else registry.get(device.identifier)


def known_device(device: Device | None, known: RegisteredDevice | None) -> Device | None:
    return device if device is None or known is None else filled(device, as_in_a_set(known), DEVICE_FIELDS)


def known_cuff(cuff: Cuff | None, known: RegisteredDevice | None) -> Cuff | None:
    """The cuff with the range that is marked on the device's cuff of that size."""
    if cuff is None or known is None or cuff.size is None or cuff.range_cm is not None:
        return cuff
    ranges = [own.range_cm for own in known.cuffs if own.size == cuff.size]
    return msgspec.structs.replace(cuff, range_cm=ranges[0]) if ranges else cuff


def registration(registry: Registry) -> YesNo:
    """Whether every device that a set names is registered; not recorded where it names none."""
    if not registry:
        return "not-recorded"
    return "yes" if all(registry.values()) else "no"
