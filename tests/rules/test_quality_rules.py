"""The rules of the report on measuring: what does not hold together does not load."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

import pytest

from quietcuff.analytics.quality.words import NAME, load_quality_rules
from quietcuff.core.model.errors import RulesNotLoadable
from quietcuff.rules.catalog import load_rulebook

RELEASED = files("quietcuff.rules").joinpath(NAME).read_text("utf-8")
LONG = " ".join(["word"] * 26)


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('source = ["DIGITS", "PRACTICE"]', 'source = ["NOBODY"]', "NOBODY is not in sources.toml"),
        ('effect = "talking"', 'effect = "singing"', "faults/talking: effect is not one"),
        ('figure = "both-arms"', 'figure = "three-arms"', "faults/second-arm: figure is not one"),
        ('same_as = "cuff-too-small"', 'same_as = "no-cuff"', "same_as is not a fault"),
        ('how = "Look at the legs before you start the device."', f'how = "{LONG}"', "more than 25 words"),
        ("{value} of people talked", "{who} of people talked", "faults/talking: places are"),
        ('guideline = "aha-acc-2025"', 'guideline = "none"', "guideline is not one"),
        ("tolerated = 0.1\n", "tolerates = 0.1\n", "tolerates"),
    ],
)
def test_a_file_that_does_not_hold_together_does_not_load(tmp_path: Path, old: str, new: str, told: str) -> None:
    assert old in RELEASED
    (tmp_path / NAME).write_text(RELEASED.replace(old, new, 1), "utf-8")
    with pytest.raises(RulesNotLoadable, match=told):
        load_quality_rules(load_rulebook(), tmp_path)


def test_every_sentence_of_the_first_paragraph_is_short() -> None:
    rules = load_quality_rules(load_rulebook())
    assert all(len(line.split()) <= 25 for line in rules.words.values())
