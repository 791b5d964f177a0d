"""Scopes: what is granted, and that nothing else is."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietcuff.core.errors import NotAcceptable
from quietcuff.security.scopes import LETTERS, Need, parse_scopes


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
        "system/Observation.rs?category=vital-signs",
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
    assert scopes.letters and all(f"system/{kind}." in text for kind in scopes.letters)
