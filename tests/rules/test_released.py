"""A released rule file never changes: what evaluations name by digest must stay what it was."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from quietcuff.rules.catalog import load_rulebook

RELEASED = tomllib.loads(Path(__file__).with_name("released.toml").read_text("utf-8"))


@pytest.mark.parametrize("kind", ["protocols", "guidelines", "cuffs", "heights", "pressures", "screening"])
def test_every_rule_file_is_as_it_was_released(kind: str) -> None:
    book = load_rulebook()
    found = {
        rule_id: {"version": rule.version, "digest": book.digests[rule_id]} for rule_id, rule in getattr(book, kind).items()
    }
    assert found == RELEASED[kind]
