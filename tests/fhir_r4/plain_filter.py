"""Searches drawn at random, each as the text that a client sends and as a plain filter over emitted resources.

The filters read nothing but JSON. Sources: FHIR R4 search (token, reference, date, number and quantity, composite).
"""

from __future__ import annotations

import random
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any

Resource = dict[str, Any]
Filter = Callable[[Resource], bool]
Drawn = tuple[str, Filter]
# By id, system and value.
Identified = dict[str, tuple[str, str]]

PREFIXES = ("eq", "ne", "gt", "lt", "ge", "le", "sa", "eb")
UCUM = "http://unitsofmeasure.org"
# ISO 80000-4: 1 mmHg = 133.322387415 Pa.
KPA = Decimal("0.133322387415")
BASE = "https://bp.example.org"


def escaped(text: str) -> str:
    """A value as a client must write it."""
    return "".join(f"\\{letter}" if letter in "\\,|$" else letter for letter in text)


def codings(concept: Resource | None) -> list[tuple[str, str]]:
    return [(one.get("system", ""), one["code"]) for one in (concept or {}).get("coding", [])]


def measured(one: Resource) -> tuple[datetime, datetime]:
    """From and to, the same for an instant."""
    period = one.get("effectivePeriod") or {"start": one["effectiveDateTime"], "end": one["effectiveDateTime"]}
    return datetime.fromisoformat(period["start"]), datetime.fromisoformat(period["end"])


def updated(one: Resource) -> tuple[datetime, datetime]:
    moment = datetime.fromisoformat(one["meta"]["lastUpdated"])
    return moment, moment


def within(times: Callable[[Resource], tuple[datetime, datetime]], prefix: str, low: datetime, high: datetime) -> Filter:
    """R4's prefixes, word by word: each side is a range, that of the search from low up to high."""

    def holds(one: Resource) -> bool:
        start, end = times(one)
        contained = low <= start and end < high
        above, below = end >= high, start < low
        return {
            "eq": contained,
            "ne": not contained,
            "gt": above,
            "lt": below,
            "ge": above or contained,
            "le": below or contained,
            "sa": start >= high,
            "eb": end < low,
            "ap": start < high and end >= low,
        }[prefix]

    return holds


def spelled(moment: datetime) -> list[tuple[str, datetime, datetime]]:
    """A moment as search dates of four precisions, each with the range that it names. Without an offset it is UTC."""
    utc = moment.astimezone(UTC)
    day = utc.replace(hour=0, minute=0, second=0, microsecond=0)
    month = day.replace(day=1)
    minute, second = utc.replace(second=0, microsecond=0), moment.replace(microsecond=0)
    next_month = (month + timedelta(days=32)).replace(day=1)
    return [
        (f"{month:%Y-%m}", month, next_month),
        (f"{day:%Y-%m-%d}", day, day + timedelta(days=1)),
        (f"{utc:%Y-%m-%dT%H:%M}Z", minute, minute + timedelta(minutes=1)),
        (second.isoformat(), second, second + timedelta(seconds=1)),
    ]


class Drawer:
    """Draws conditions whose values are those of the resources, nearly those, or none of them."""

    def __init__(self, resources: list[Resource], persons: Identified, devices: Identified, seed: int) -> None:
        self.resources, self.persons, self.rng = resources, persons, random.Random(seed)
        self.identified_devices = devices
        self.concepts = sorted({pair for one in resources for pair in codings(one["code"])})
        self.parts = sorted({pair for one in resources for part in one.get("component", []) for pair in codings(part["code"])})
        self.devices = sorted({one["device"]["reference"] for one in resources if "device" in one} - {"#device"})
        self.pointers = {name: sorted({pair for one in resources for pair in pointed(one, name)}) for name in POINTERS}
        self.sources = sorted({by["reference"] for one in resources for by in one.get("derivedFrom", [])})

    def condition(self) -> tuple[str, str, Filter]:
        """One parameter: its name, its text, and what it lets through."""
        name = self.rng.choices(list(DRAWS), weights=[1 if name in RARE else 3 for name in DRAWS])[0]
        if name == MISSING:
            return self.missing()
        drawn = [DRAWS[name](self) for _ in range(self.rng.choice([1, 1, 1, 2]))]
        is_denied = name.endswith(":not")
        return name, ",".join(text for text, _ in drawn), lambda one: any(holds(one) for _, holds in drawn) is not is_denied

    def missing(self) -> tuple[str, str, Filter]:
        """Whether an element is there. What R4 says of the modifier holds for every type of parameter but composites."""
        name = self.rng.choice(list(ELEMENTS))
        wanted = self.rng.random() < 0.5
        return f"{name}:missing", "true" if wanted else "false", lambda one: bool(ELEMENTS[name](one)) is not wanted

    def of_token(self, known: list[tuple[str, str]], of: Callable[[Resource], list[tuple[str, str]]]) -> Drawn:
        system, code = self.rng.choice([*known, *known, ("urn:example:none", "none")])
        form = self.rng.choice(["code", "both", "both", "system", "without"])
        if form == "code":
            return escaped(code), lambda one: any(pair[1] == code for pair in of(one))
        if form == "both":
            return f"{escaped(system)}|{escaped(code)}", lambda one: (system, code) in of(one)
        if form == "system":
            return f"{escaped(system)}|", lambda one: any(pair[0] == system for pair in of(one))
        return f"|{escaped(code)}", lambda one: ("", code) in of(one)

    def reference(self, type: str, id: str) -> str:
        return self.rng.choice([id, f"{type}/{id}", f"{BASE}/fhir/R4/{type}/{id}"])

    def patient(self) -> Drawn:
        wanted = self.rng.choice([*self.persons, "p1"])
        return self.reference("Patient", wanted), lambda one: one["subject"]["reference"] == f"Patient/{wanted}"

    def patient_identifier(self) -> Drawn:
        system, value = self.rng.choice([*self.persons.values(), ("urn:example:mrn", "nobody")])
        ids = {f"Patient/{id}" for id, pair in self.persons.items() if pair == (system, value)}
        by_value = {f"Patient/{id}" for id, pair in self.persons.items() if pair[1] == value}
        if self.rng.random() < 0.5:
            return f"{escaped(system)}|{escaped(value)}", lambda one: one["subject"]["reference"] in ids
        return escaped(value), lambda one: one["subject"]["reference"] in by_value

    def own_code(self) -> Drawn:
        return self.of_token([*self.concepts, *self.parts[:2]], own_codes)

    def component_code(self) -> Drawn:
        return self.of_token([*self.parts, *self.concepts[:1]], component_codes)

    def combo_code(self) -> Drawn:
        return self.of_token([*self.parts, *self.concepts], lambda one: own_codes(one) + component_codes(one))

    def category(self) -> Drawn:
        known = ("http://terminology.hl7.org/CodeSystem/observation-category", "vital-signs")
        return self.of_token([known, known], lambda one: [pair for part in one.get("category", []) for pair in codings(part)])

    def status(self) -> Drawn:
        wanted = self.rng.choice(["final", "amended", "corrected", "preliminary", "entered-in-error", "registered"])
        text = wanted if self.rng.random() < 0.7 else f"http://hl7.org/fhir/observation-status|{wanted}"
        return text, lambda one: one["status"] == wanted

    def id(self) -> Drawn:
        wanted = self.rng.choice([self.rng.choice(self.resources)["id"], "none"])
        return wanted, lambda one: one["id"] == wanted

    def identifier(self) -> Drawn:
        known = self.rng.choice(self.resources)["identifier"][0]
        value, system = known["value"], self.rng.choice([known["system"], "urn:example:other"])
        if self.rng.random() < 0.4:
            return value, lambda one: any(own["value"] == value for own in one["identifier"])
        return f"{system}|{value}", lambda one: {"system": system, "value": value} in one["identifier"]

    def device(self) -> Drawn:
        wanted = self.rng.choice([*self.devices, "Device/none"])
        return self.reference("Device", wanted.partition("/")[2]), lambda one: one.get("device", {}).get("reference") == wanted

    def device_identifier(self) -> Drawn:
        system, value = self.rng.choice([*self.identified_devices.values(), ("urn:example:device", "none")])
        is_whole = self.rng.random() < 0.5
        known = self.identified_devices.items()
        ids = {f"Device/{id}" for id, pair in known if pair[1] == value and (not is_whole or pair[0] == system)}
        text = f"{escaped(system)}|{escaped(value)}" if is_whole else escaped(value)
        return text, lambda one: one.get("device", {}).get("reference") in ids

    def pointer(self, name: str) -> Drawn:
        known = self.pointers[name]
        return self.of_token([*known, *known, *known, ("urn:example:none", "none")], lambda one: pointed(one, name))

    def literal(self, name: str) -> Drawn:
        wanted = f"{self.rng.choice(['Encounter', 'Practitioner', 'ServiceRequest'])}/1"
        return wanted, lambda one: any(by.get("reference") == wanted for by in listed(one.get(name)))

    def method(self) -> Drawn:
        known = sorted({pair for one in self.resources for pair in codings(one.get("method"))})
        return self.of_token(known, lambda one: codings(one.get("method")))

    def source(self) -> Drawn:
        wanted = self.rng.choice([*self.sources, "Observation/none"])
        text = self.reference("Observation", wanted.partition("/")[2])
        return text, lambda one: any(by["reference"] == wanted for by in one.get("derivedFrom", []))

    def date(self) -> Drawn:
        return self.moment(measured)

    def last_updated(self) -> Drawn:
        return self.moment(updated)

    def moment(self, times: Callable[[Resource], tuple[datetime, datetime]]) -> Drawn:
        near = self.rng.choice(times(self.rng.choice(self.resources))) + timedelta(seconds=self.rng.choice([0, 0, 1, 3600]))
        text, low, high = self.rng.choice(spelled(near))
        prefix = self.rng.choice(PREFIXES)
        written = text if prefix == "eq" and self.rng.random() < 0.5 else prefix + text
        return written, within(times, prefix, low, high)

    def quantity(self) -> tuple[str, Callable[[Resource], bool]]:
        """A quantity, and whether a Quantity is it."""
        found = [part for one in self.resources[: 4 * self.rng.randint(1, 40)] for part in quantities(one)]
        near = Decimal(str(self.rng.choice(found)[1]["value"])) if found else Decimal(120)
        unit = self.rng.choice(["", "", "ucum", "text", "kPa", "other"])
        shown = near * KPA if unit == "kPa" else near + self.rng.choice([0, 0, 1, -1])
        number = round(shown, self.rng.choice([0, 0, 1, 2]))
        prefix = self.rng.choice([*PREFIXES, "ap", ""])
        half = Decimal(10) ** int(number.as_tuple().exponent) / 2
        written = {
            "": "",
            "ucum": f"|{UCUM}|mm[Hg]",
            "text": "||mmHg",
            "kPa": f"|{UCUM}|kPa",
            "other": f"|{UCUM}|mg",
        }[unit]

        def holds(quantity: Resource) -> bool:
            value = Decimal(str(quantity["value"]))
            if unit == "other" or (unit in ("ucum", "text", "kPa") and quantity["code"] != "mm[Hg]"):
                return False
            return compared(value * KPA if unit == "kPa" else value, prefix or "eq", number, half)

        return f"{prefix}{number}{written}", holds

    def value(self, parts: Callable[[Resource], list[tuple[Resource, Resource]]]) -> Drawn:
        text, is_it = self.quantity()
        return text, lambda one: any(is_it(quantity) for _, quantity in parts(one))

    def pair(self, parts: Callable[[Resource], list[tuple[Resource, Resource]]]) -> Drawn:
        system, code = self.rng.choice([*self.parts, *self.concepts])
        text, is_it = self.quantity()
        wanted = self.rng.choice([code, f"{system}|{code}"])
        return f"{wanted}${text}", lambda one: any(
            is_it(quantity) and any(own[1] == code and wanted in (code, f"{own[0]}|{own[1]}") for own in codings(concept))
            for concept, quantity in parts(one)
        )


def compared(value: Decimal, prefix: str, number: Decimal, half: Decimal) -> bool:
    """Whether a value satisfies a number: as written it means what rounds to it; with a comparator it is exact."""
    return {
        "eq": number - half <= value < number + half,
        "ne": not number - half <= value < number + half,
        "gt": value > number,
        "sa": value > number,
        "lt": value < number,
        "eb": value < number,
        "ge": value >= number,
        "le": value <= number,
        "ap": abs(value - number) <= abs(number) / 10,
    }[prefix]


def own_codes(one: Resource) -> list[tuple[str, str]]:
    return codings(one["code"])


def component_codes(one: Resource) -> list[tuple[str, str]]:
    return [pair for part in one.get("component", []) for pair in codings(part["code"])]


def own_quantities(one: Resource) -> list[tuple[Resource, Resource]]:
    return [(one["code"], one["valueQuantity"])] if "valueQuantity" in one else []


def component_quantities(one: Resource) -> list[tuple[Resource, Resource]]:
    return [(part["code"], part["valueQuantity"]) for part in one.get("component", []) if "valueQuantity" in part]


def quantities(one: Resource) -> list[tuple[Resource, Resource]]:
    return own_quantities(one) + component_quantities(one)


def listed(value: Any) -> list[Resource]:
    return value if isinstance(value, list) else [] if value is None else [value]


def pointed(one: Resource, name: str) -> list[tuple[str, str]]:
    """The identifiers of what an element points to."""
    return [(by["identifier"]["system"], by["identifier"]["value"]) for by in listed(one.get(name)) if "identifier" in by]


# By parameter, the element that it is about.
POINTERS = {"basedOn": "based-on", "encounter": "encounter", "performer": "performer"}
ELEMENTS: dict[str, Callable[[Resource], Any]] = {
    **{parameter: lambda one, name=name: one.get(name) for name, parameter in POINTERS.items()},
    **{name: lambda one, name=name: one.get(name) for name in ("category", "code", "device", "identifier", "method", "status")},
    "derived-from": lambda one: one.get("derivedFrom"),
    # A code in words alone is a code.
    "component-code": lambda one: one.get("component"),
    "combo-code": lambda one: one["code"],
    "value-quantity": lambda one: one.get("valueQuantity"),
    "date": measured,
    "patient": lambda one: one["subject"],
    "subject": lambda one: one["subject"],
    "_id": lambda one: one["id"],
    "_lastUpdated": updated,
}
MISSING = ":missing"
# Of so few Observations that they leave little to the other conditions.
RARE = frozenset(("_id", "identifier", "derived-from", "based-on", "encounter", "performer"))
DRAWS: dict[str, Callable[[Drawer], Drawn]] = {
    "patient": Drawer.patient,
    "subject": Drawer.patient,
    "patient.identifier": Drawer.patient_identifier,
    "code": Drawer.own_code,
    "component-code": Drawer.component_code,
    "combo-code": Drawer.combo_code,
    "category": Drawer.category,
    "status": Drawer.status,
    "_id": Drawer.id,
    "identifier": Drawer.identifier,
    "device": Drawer.device,
    "device.identifier": Drawer.device_identifier,
    **{f"{parameter}:identifier": lambda drawer, name=name: drawer.pointer(name) for name, parameter in POINTERS.items()},
    **{parameter: lambda drawer, name=name: drawer.literal(name) for name, parameter in POINTERS.items()},
    "method": Drawer.method,
    "code:not": Drawer.own_code,
    "category:not": Drawer.category,
    "status:not": Drawer.status,
    MISSING: lambda drawer: ("", lambda one: True),
    "derived-from": Drawer.source,
    "date": Drawer.date,
    "_lastUpdated": Drawer.last_updated,
    "value-quantity": lambda drawer: drawer.value(own_quantities),
    "code-value-quantity": lambda drawer: drawer.pair(own_quantities),
    "component-code-value-quantity": lambda drawer: drawer.pair(component_quantities),
    "combo-code-value-quantity": lambda drawer: drawer.pair(quantities),
}
