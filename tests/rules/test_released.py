"""A released rule file never changes: what evaluations name by digest must stay what it was."""

from __future__ import annotations

import copy
import runpy
import tomllib
from pathlib import Path

import pytest

from quietcuff.rules.catalog import load_rulebook

TOP = Path(__file__).parents[2]
RELEASED = tomllib.loads(Path(__file__).with_name("released.toml").read_text("utf-8"))


@pytest.mark.parametrize("kind", ["protocols", "guidelines", "cuffs", "heights", "pressures", "screening"])
def test_every_rule_file_is_as_it_was_released(kind: str) -> None:
    book = load_rulebook()
    found = {
        rule_id: {"version": rule.version, "digest": book.digests[rule_id]} for rule_id, rule in getattr(book, kind).items()
    }
    assert found == RELEASED[kind]


def test_the_release_command_pins_the_same_and_refuses_what_was_released() -> None:
    command = runpy.run_path(str(TOP / "docs/release_rules.py"))
    text = (TOP / "tests/rules/released.toml").read_text("utf-8")
    now = command["pins_of"](load_rulebook())
    assert command["text_of"](now, text.split("\n\n")[0]) == text
    assert command["faults_of"](RELEASED, now) == [] and command["changes_between"](RELEASED, now) == []
    pin = RELEASED["protocols"]["office-one-arm"]
    for changed, faults, changes in (
        ({**pin, "digest": "sha256:0"}, ["give it a new one"], ["office-one-arm"]),
        ({"version": "999", "digest": "sha256:0"}, [], ["office-one-arm.toml: version 999"]),
        (None, ["is gone"], []),
    ):
        after = copy.deepcopy(now)
        del after["protocols"]["office-one-arm"]
        after["protocols"] |= {} if changed is None else {"office-one-arm": changed}
        assert [word in fault for word, fault in zip(faults, command["faults_of"](RELEASED, after), strict=True)] == [
            True for _ in faults
        ]
        told = command["changes_between"](RELEASED, after)
        assert [word in line for word, line in zip(changes, told, strict=True)] == [True for _ in changes]
