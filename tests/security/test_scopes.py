"""Scopes: what is granted, and that nothing else is."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietcuff.core.model.errors import NotAcceptable
from quietcuff.security.scopes import LETTERS, Need, grant, parse_scopes


@pytest.mark.parametrize(
    ("text", "letters"),
    [
        ("system/Observation.rs", "rs"),
        ("system/Observation.c", "c"),
        ("system/Observation.cruds", "cruds"),
        ("system/Observation.read", "rs"),
        ("system/Observation.write", "cud"),
        ("system/Observation.*", "cruds"),
        ("system/*.cruds", "cruds"),
        ("system/*.read", "rs"),
        ("system/Observation.r system/Observation.s", "rs"),
        ("system/*.r system/Observation.c", "cr"),
    ],
)
def test_exactly_the_letters_named_are_granted(text: str, letters: str) -> None:
    scopes = parse_scopes(text)
    assert {letter for letter in LETTERS if scopes.allow(Need("Observation", letter))} == set(letters)


def test_a_type_that_is_not_named_is_not_granted() -> None:
    scopes = parse_scopes("system/Observation.cruds")
    assert not any(scopes.allow(Need("Patient", letter)) for letter in LETTERS)


def test_names_are_a_scope_of_their_own() -> None:
    assert parse_scopes("system/*.rs quietcuff/identified").identified
    assert not parse_scopes("system/*.cruds").identified


@pytest.mark.parametrize(
    "text",
    [
        "",
        " ",
        "quietcuff/identified",
        "system/Observation",
        "system/Observation.",
        "system/Observation.sr",
        "system/Observation.x",
        "system/observation.r",
        "system/Observation.rs?status=final",
        "system/Observation.rs?category=",
        "system/Observation.rs?category",
        "system/Observation.rs?",
        "system/Patient.rs?category=vital-signs",
        "system/*.rs?category=vital-signs",
        "patient/Observation.rs",
        "user/Observation.rs",
        "*",
        "system/**.r",
        "openid",
    ],
)
def test_what_is_no_scope_is_refused(text: str) -> None:
    with pytest.raises(NotAcceptable):
        parse_scopes(text)


@given(st.text(max_size=40))
def test_no_text_at_all_grants_by_accident(text: str) -> None:
    try:
        scopes = parse_scopes(text)
    except NotAcceptable:
        return
    kinds = {*scopes.letters, *(scope.type for scope in scopes.narrowed)}
    assert kinds and all(f"system/{kind}." in text for kind in kinds)


VITAL_SIGNS = "category=http://terminology.hl7.org/CodeSystem/observation-category|vital-signs"


def test_a_narrowed_scope_opens_a_part_and_not_the_whole() -> None:
    """Source: SMART App Launch 2.2, the granular scope of its own example."""
    scopes = parse_scopes(f"system/Observation.rs?{VITAL_SIGNS} system/Patient.r")
    need = Need("Observation", "s")
    assert not scopes.allow(need)
    assert scopes.parts(need) == [(("category", "http://terminology.hl7.org/CodeSystem/observation-category|vital-signs"),)]
    assert scopes.parts(Need("Observation", "c")) == [] and scopes.parts(Need("Patient", "r")) is None
    whole = parse_scopes(f"system/Observation.rs?{VITAL_SIGNS} system/*.s")
    assert whole.parts(need) is None and whole.parts(Need("Observation", "r")) is not None


@pytest.mark.parametrize(
    ("wanted", "held", "granted"),
    [
        ("system/Observation.rs", "system/*.cruds", "system/Observation.rs"),
        ("system/Observation.read", "system/*.cruds", "system/Observation.read"),
        ("system/Observation.cruds", "system/Observation.rs", "system/Observation.rs"),
        ("system/Observation.*", "system/Observation.rs", "system/Observation.read"),
        ("system/*.read", "system/Patient.rs system/Device.r", "system/Patient.read system/Device.r"),
        ("system/*.*", "system/*.cruds", "system/*.*"),
        ("system/Observation.rs system/Patient.rs", "system/Patient.rs", "system/Patient.rs"),
        ("system/AllergyIntolerance.read system/Observation.read", "system/Observation.rs", "system/Observation.read"),
        ("system/Observation.rs", f"system/Observation.rs?{VITAL_SIGNS}", f"system/Observation.rs?{VITAL_SIGNS}"),
        (f"system/Observation.r?{VITAL_SIGNS}", "system/*.rs", f"system/Observation.r?{VITAL_SIGNS}"),
        ("system/*.r", f"system/Observation.rs?{VITAL_SIGNS}", f"system/Observation.r?{VITAL_SIGNS}"),
        ("quietcuff/identified system/Patient.r", "system/*.rs quietcuff/identified", "quietcuff/identified system/Patient.r"),
        ("quietcuff/identified system/Patient.r", "system/*.rs", "system/Patient.r"),
        ("system/Observation.c", "system/Observation.rs", ""),
        ("openid launch offline_access user/Observation.rs", "system/*.cruds", ""),
    ],
)
def test_of_what_is_asked_for_what_is_held_is_granted(wanted: str, held: str, granted: str) -> None:
    """Source: SMART App Launch 2.2: the scopes granted may be fewer; ``read`` is ``rs``, ``*`` of a type all five letters."""
    assert " ".join(grant(wanted, held)) == granted


@given(
    st.lists(st.sampled_from(["Observation", "Patient", "*"]), min_size=1, max_size=3),
    st.lists(st.sampled_from(["rs", "r", "cud", "read", "write", "cruds", "*"]), min_size=3, max_size=3),
    st.sampled_from(["system/*.rs", "system/Observation.cruds", "system/Patient.r system/Observation.s"]),
)
def test_nothing_is_granted_that_is_not_both_asked_for_and_held(kinds: list[str], letters: list[str], held: str) -> None:
    wanted = " ".join(f"system/{kind}.{word}" for kind, word in zip(kinds, letters, strict=False))
    words = grant(wanted, held)
    granted = parse_scopes(" ".join(words)) if words else None
    for kind in ("Observation", "Patient", "Device"):
        for letter in LETTERS:
            need = Need(kind, letter)
            both = parse_scopes(wanted).allow(need) and parse_scopes(held).allow(need)
            assert (granted is not None and granted.allow(need)) == both
