"""Functions by which the search parameters of Observation narrow a query."""

from __future__ import annotations

from collections.abc import Iterable

import msgspec

from quietcuff.fhir import codes
from quietcuff.fhir.codes import code_system
from quietcuff.fhir.model.logical_ids import observation_key, place_key
from quietcuff.fhir.model.resources import CodeableConcept
from quietcuff.fhir.resources.derived import derived_keys
from quietcuff.fhir.search.parameter import (
    AskedParameter,
    Lacking,
    Narrow,
    SearchToken,
    both,
    identified_devices,
    identified_people,
    ids_of,
    ranges,
    reference_id,
    refused,
    split,
    token,
)
from quietcuff.fhir.search.quantity_values import (
    CATEGORY_OF_KIND,
    CODE_OF_KIND,
    COMPONENTS,
    FURTHER_CODE,
    HAS_FURTHER_CODE,
    METHOD_COLUMNS,
    Slot,
    opposite,
    parse_quantity,
    test_of,
)
from quietcuff.storage.schema.codes import METHOD, OBSERVATION_STATUS, SETTING, STATE, Codes
from quietcuff.storage.search.named_readings import find_named_readings
from quietcuff.storage.search.query import (
    KINDS,
    Kind,
    ObservationKey,
    ObservationQuery,
    Pointer,
    PointerTest,
    ValueTest,
)

# What says where it was measured, what says in which setting, and what says how a sitting was evaluated.
PLACED: frozenset[Kind] = frozenset(("reading", "pulse", "mean"))
SITUATED: frozenset[Kind] = frozenset(("reading", "mean"))
RESULTS: frozenset[Kind] = frozenset(("mean",))


def by_patient(query: ObservationQuery, asked: AskedParameter) -> ObservationQuery:
    """Observations of these persons."""
    return msgspec.structs.replace(query, subject_ids=both(query.subject_ids, ids_of(asked, "Patient")))


def by_patient_identifier(query: ObservationQuery, asked: AskedParameter) -> ObservationQuery:
    """Observations of the persons whom identifiers name. One without its system may name several persons."""
    found = frozenset(str(one) for one in identified_people(asked))
    return msgspec.structs.replace(query, subject_ids=both(query.subject_ids, found))


def by_device(query: ObservationQuery, asked: AskedParameter) -> ObservationQuery:
    """Measured with these devices; a mean where all of its readings were."""
    return msgspec.structs.replace(query, device_ids=both(query.device_ids, ids_of(asked, "Device")))


def by_device_identifier(query: ObservationQuery, asked: AskedParameter) -> ObservationQuery:
    """Measured with the devices of these identifiers."""
    found = frozenset(str(one) for one in identified_devices(asked))
    return msgspec.structs.replace(query, device_ids=both(query.device_ids, found))


def by_pointer(pointer: Pointer) -> Narrow:
    """Observations that point to something of another system, known here by its identifier alone."""

    def narrow(query: ObservationQuery, asked: AskedParameter) -> ObservationQuery:
        return with_pointer(query, pointer_test(pointer, asked))

    return narrow


def pointer_test(pointer: Pointer, asked: AskedParameter) -> PointerTest:
    """The test for identifiers: ``system|value``, ``value`` in whatever system, or ``system|``. Every one here has a system.

    Raises:
        NotAcceptable: neither a system nor a value.
    """
    # No text that is stored holds a NUL, and PostgreSQL takes none.
    tokens = [one for one in asked.tokens if "\0" not in f"{one.system}{one.code}"]
    if any(not one.code and not one.system for one in tokens):
        raise refused(asked.name, "value-missing", "system|value, system|, or a value alone.")
    return PointerTest(
        pointer=pointer,
        pairs=frozenset(f"{one.system}|{one.code}" for one in tokens if one.system and one.code),
        values=frozenset(one.code for one in tokens if one.system is None),
        systems=frozenset(one.system for one in tokens if one.system and not one.code),
    )


def by_literal(pointer: Pointer) -> Narrow:
    """Observations that point to a resource of this type. None is kept here, so nothing is found."""
    return lambda query, asked: with_pointer(query, PointerTest(pointer=pointer))


def lacking_pointer(pointer: Pointer) -> Lacking:
    """Observations without such a pointer, or with one."""
    return lambda query, is_missing: with_pointer(query, PointerTest(pointer=pointer, is_missing=is_missing))


def by_setting(query: ObservationQuery, asked: AskedParameter) -> ObservationQuery:
    """Observations of sittings in one of these settings."""
    return of_kinds(with_pointer(query, numbered_test("setting", asked, SETTING)), SITUATED)


def by_state(query: ObservationQuery, asked: AskedParameter) -> ObservationQuery:
    """The results of sittings in one of these states."""
    return of_kinds(with_pointer(query, numbered_test("state", asked, STATE)), RESULTS)


def numbered_test(pointer: Pointer, asked: AskedParameter, words: Codes) -> PointerTest:
    """A test of our codes that are stored as numbers."""
    system = code_system(asked.publisher.public_url, f"sitting-{pointer}")
    named = (word for word in words.words if any(one.names(system, word) for one in asked.tokens))
    return PointerTest(pointer=pointer, numbers=frozenset(words.number(word) for word in named))


def by_protocol(query: ObservationQuery, asked: AskedParameter) -> ObservationQuery:
    """The results of sittings that one of these protocols was followed in."""
    ids = frozenset(one.code for one in asked.tokens if one.system in (None, codes.PROTOCOL_SYSTEM) and "\0" not in one.code)
    if "" in ids:
        return of_kinds(query, RESULTS)
    return of_kinds(with_pointer(query, PointerTest(pointer="protocol", pairs=ids)), RESULTS)


def by_finding(query: ObservationQuery, asked: AskedParameter) -> ObservationQuery:
    """The results of sittings in which one of these was found."""
    system = code_system(asked.publisher.public_url, "finding")
    ids = frozenset(f" {one.code} " for one in asked.tokens if one.system in (None, system) and is_word(one.code))
    return of_kinds(with_pointer(query, PointerTest(pointer="finding", words=ids)), RESULTS)


def by_label(query: ObservationQuery, asked: AskedParameter) -> ObservationQuery:
    """The results that a guideline calls so: its own code system and word, or a word of whatever guideline."""
    words = frozenset(word for one in asked.tokens if (word := label_word(one)) is not None)
    return of_kinds(with_pointer(query, PointerTest(pointer="label", words=words)), RESULTS)


def label_word(wanted: SearchToken) -> str | None:
    """A label as it stands in the text that holds those of a set; None for what is none of them."""
    if wanted.system is None:
        return f":{wanted.code} " if is_word(wanted.code) else None
    prefix = codes.GUIDELINE_SYSTEM.format(guideline="")
    guideline = wanted.system.removeprefix(prefix)
    if not wanted.system.startswith(prefix) or not is_word(guideline):
        return None
    if not wanted.code:
        return f" {guideline}:"
    return f" {guideline}:{wanted.code} " if is_word(wanted.code) else None


def is_word(text: str) -> bool:
    """True where a text can be a code of ours: they hold neither spaces nor what separates them."""
    return bool(text) and not any(letter in " :\0" for letter in text)


def of_kinds(query: ObservationQuery, kinds: frozenset[Kind]) -> ObservationQuery:
    return msgspec.structs.replace(query, kinds=query.kinds & kinds)


def at_location(query: ObservationQuery, asked: AskedParameter) -> ObservationQuery:
    """Measured at a place of one of these identifiers; what devices flagged names no place."""
    return of_kinds(with_pointer(query, pointer_test("location", asked)), PLACED)


def at_no_location(query: ObservationQuery, asked: AskedParameter) -> ObservationQuery:
    """Measured at a place that is a resource here. None is: nothing is found."""
    return with_pointer(query, PointerTest(pointer="location"))


def with_pointer(query: ObservationQuery, test: PointerTest) -> ObservationQuery:
    return msgspec.structs.replace(query, pointers=(*query.pointers, test))


def by_code(query: ObservationQuery, asked: AskedParameter) -> ObservationQuery:
    """Observations of the code. A component's code, such as systolic, finds nothing: it is not the Observation's code."""
    return with_tests(query, whole_tests(asked))


def whole_tests(asked: AskedParameter) -> list[ValueTest]:
    """The kinds that a code of the whole names, and those of a kind that have a further code."""
    tests = [ValueTest(kind=kind) for kind in sorted(kinds_named(asked, CODE_OF_KIND))]
    return tests + ([HAS_FURTHER_CODE] if any(is_named(one, FURTHER_CODE) for one in asked.tokens) else [])


def by_other_code(query: ObservationQuery, asked: AskedParameter) -> ObservationQuery:
    """Observations with none of these codes, neither the one that all of a kind have nor the further one of some."""
    named = kinds_named(asked, CODE_OF_KIND)
    is_further = any(is_named(one, FURTHER_CODE) for one in asked.tokens)
    tests = [ValueTest(kind=kind) for kind in KINDS if kind not in named]
    lacks = opposite(HAS_FURTHER_CODE)
    return with_tests(query, [lacks if is_further and test.kind == lacks.kind else test for test in tests])


def by_method(query: ObservationQuery, asked: AskedParameter) -> ObservationQuery:
    """Measured in one of these ways; a mean, where all of its readings were."""
    numbers = [
        METHOD.number(word) for word, concept in codes.METHOD.items() if any(is_named(one, concept) for one in asked.tokens)
    ]
    tests = [
        ValueTest(kind=kind, column=column, operator="within", low=number, high=number + 1)
        for kind, column in METHOD_COLUMNS.items()
        for number in numbers
    ]
    return with_tests(query, tests)


def lacking(held: dict[Kind, ValueTest]) -> Lacking:
    """Without an element, or with it. ``held`` says by kind what those that have it satisfy; other kinds never have it."""

    def narrow(query: ObservationQuery, is_missing: bool) -> ObservationQuery:
        if not is_missing:
            return with_tests(query, list(held.values()))
        without = [ValueTest(kind=kind) for kind in KINDS if kind not in held]
        return with_tests(query, without + [opposite(test) for test in held.values() if test.operator != "always"])

    return narrow


def by_category(query: ObservationQuery, asked: AskedParameter) -> ObservationQuery:
    """Observations of this category; device flags have none."""
    return msgspec.structs.replace(query, kinds=query.kinds & kinds_named(asked, CATEGORY_OF_KIND))


def by_other_category(query: ObservationQuery, asked: AskedParameter) -> ObservationQuery:
    """Observations of none of these categories; those without a category are found."""
    return msgspec.structs.replace(query, kinds=query.kinds - kinds_named(asked, CATEGORY_OF_KIND))


def kinds_named(asked: AskedParameter, concepts: dict[Kind, CodeableConcept]) -> frozenset[Kind]:
    """The kinds whose concept one of the tokens names."""
    return frozenset(kind for kind, concept in concepts.items() if any(is_named(one, concept) for one in asked.tokens))


def kinds_of(conditions: Iterable[tuple[str, str]]) -> frozenset[Kind]:
    """The kinds that are of a category and a code: what a scope may be narrowed to."""
    found = frozenset(KINDS)
    for name, value in conditions:
        concepts = CATEGORY_OF_KIND if name == "category" else CODE_OF_KIND
        wanted = [token(text) for text in split(value, ",")]
        found &= {kind for kind, concept in concepts.items() if any(is_named(one, concept) for one in wanted)}
    return found


def is_named(wanted: SearchToken, concept: CodeableConcept) -> bool:
    return any(wanted.names(coding.system, coding.code) for coding in concept.coding or [])


def by_component_code(query: ObservationQuery, asked: AskedParameter) -> ObservationQuery:
    """With a component of one of these codes."""
    return with_tests(query, component_tests(asked))


def by_combo_code(query: ObservationQuery, asked: AskedParameter) -> ObservationQuery:
    """With one of these codes, as a whole or in a component."""
    return with_tests(query, whole_tests(asked) + component_tests(asked))


def component_tests(asked: AskedParameter) -> list[ValueTest]:
    return [test for concept, test in COMPONENTS if any(is_named(one, concept) for one in asked.tokens)]


def with_tests(query: ObservationQuery, tests: list[ValueTest]) -> ObservationQuery:
    """The query with one more group of tests, of which one must hold. Of a kind that passes whole nothing more is asked."""
    kinds = query.kinds & {test.kind for test in tests}
    whole = {test.kind for test in tests if test.operator == "always"}
    if whole >= kinds:
        return msgspec.structs.replace(query, kinds=kinds)
    asked = tuple(test for test in tests if test.operator == "always" or test.kind not in whole)
    return msgspec.structs.replace(query, kinds=kinds, values=(*query.values, asked))


def by_value(slots: tuple[Slot, ...], *, has_code: bool) -> Narrow:
    """With one of these values in one of the slots; with ``has_code`` each value stands behind a code and a dollar."""

    def narrow(query: ObservationQuery, asked: AskedParameter) -> ObservationQuery:
        tests = []
        for text in asked.alternatives:
            code, *values = split(text, "$") if has_code else ["", text]
            if len(values) != 1:
                raise refused(asked.name, "not-a-pair", "A code and a value with $ between, such as 8480-6$ge140.")
            wanted = parse_quantity(values[0], asked.name)
            among = [slot for slot in slots if not has_code or is_named(token(code), slot.concept)]
            tests += [test for slot in among if (test := test_of(slot, wanted)) is not None]
        return with_tests(query, tests)

    return narrow


def by_status(query: ObservationQuery, asked: AskedParameter) -> ObservationQuery:
    """Observations in one of these states."""
    return msgspec.structs.replace(query, statuses=both(query.statuses, states_named(asked)))


def by_other_status(query: ObservationQuery, asked: AskedParameter) -> ObservationQuery:
    """Observations in none of these states."""
    others = frozenset(OBSERVATION_STATUS.words) - states_named(asked)
    return msgspec.structs.replace(query, statuses=both(query.statuses, others))


def states_named(asked: AskedParameter) -> frozenset[str]:
    return frozenset(
        status
        for status in OBSERVATION_STATUS.words
        if any(one.names(codes.OBSERVATION_STATUS, status) for one in asked.tokens)
    )


def by_id(query: ObservationQuery, asked: AskedParameter) -> ObservationQuery:
    """Observations of these ids. An id that cannot be one of ours finds nothing."""
    keys = frozenset(key for text in asked.plain if (key := observation_key(text)) is not None)
    return msgspec.structs.replace(query, keys=both(query.keys, keys))


def by_identifier(query: ObservationQuery, asked: AskedParameter) -> ObservationQuery:
    """Observations with these identifiers: ours, which every Observation has, or the sender's own of a reading.

    Raises:
        NotAcceptable: neither a system nor a value, or a system of senders without a value.
    """
    system = f"{asked.publisher.public_url}/id/observation"
    if any(not one.code and one.system != system for one in asked.tokens):
        raise refused(asked.name, "value-missing", "system|value, or a value alone.")
    ours = [one for one in asked.tokens if one.system in (None, system)]
    if any(not one.code for one in ours):
        return query
    keys = frozenset(key for one in ours if (key := place_key(one.code)) is not None)
    return msgspec.structs.replace(query, keys=both(query.keys, keys | named_by_senders(asked, system)))


def named_by_senders(asked: AskedParameter, system: str) -> frozenset[ObservationKey]:
    """The readings that their senders named so; nothing is looked up for what only we name."""
    # No text that is stored holds a NUL, and PostgreSQL takes none.
    tokens = [one for one in asked.tokens if "\0" not in f"{one.system}{one.code}"]
    pairs = frozenset(f"{one.system}|{one.code}" for one in tokens if one.system)
    values = frozenset(one.code for one in tokens if one.system is None and place_key(one.code) is None)
    if not pairs and not values or asked.snapshot is None and all(one.system == system for one in tokens):
        return frozenset()
    found = find_named_readings(asked.found_in, asked.publisher.tenant.tenant_id, pairs, values)
    return frozenset(ObservationKey(str(one.set_id), "reading", one.index) for one in found)


def by_source(query: ObservationQuery, asked: AskedParameter) -> ObservationQuery:
    """Derived from these readings: their device flags, and the means in which they count."""
    named = (reference_id(text, "Observation", asked.publisher.fhir_url) for text in asked.plain)
    sources = frozenset(key for text in named if (key := observation_key(text)) is not None and key.kind == "reading")
    keys = derived_keys(asked.found_in, asked.publisher.tenant.tenant_id, sources)
    return msgspec.structs.replace(query, keys=both(query.keys, keys))


def by_date(query: ObservationQuery, asked: AskedParameter) -> ObservationQuery:
    """Measured then; for a mean, its whole period counts."""
    return msgspec.structs.replace(query, taken=(*query.taken, ranges(asked)))


def lacking_columns(columns: dict[Kind, str]) -> Lacking:
    """Without an element that stands in a column, or with it."""
    return lacking({kind: ValueTest(kind=kind, column=column, operator="present") for kind, column in columns.items()})


def lacking_kinds(*kinds: Kind) -> Lacking:
    """Without an element that all of these kinds have and no other has."""
    return lacking({kind: ValueTest(kind=kind) for kind in kinds})
