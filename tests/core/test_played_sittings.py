"""Ten thousand played sittings with each nurse: each ends within twelve attempts, with a reason, against nothing recorded."""

from __future__ import annotations

import msgspec
import pytest

from core.playing import FAILURES, MEASURING, Play, play
from quietcuff.core.evaluate import evaluate
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.rules.catalog import load_rulebook

GROUPS, A_GROUP = 10, 1000
MOST_ATTEMPTS = 12


@pytest.fixture(scope="module")
def rulebook() -> Rulebook:
    return load_rulebook()


def complaints(played: Play, rulebook: Rulebook) -> list[str]:
    """What is wrong with how a sitting went; nothing where all is well.."""
    found = []
    if played.ended_with is None:
        found.append(f"did not end: {[step.action for step in played.steps]}")
    elif not played.ended_with.reason:
        found.append(f"ended by {played.ended_with.action} without a reason")
    if played.attempts > MOST_ATTEMPTS:
        found.append(f"{played.attempts} attempts")
    restricted = {restriction.arm for restriction in played.reading_set.subject.arm_restrictions}
    for step in played.steps:
        if step.site is not None and not step.site.endswith("thigh") and step.site.partition("-")[0] in restricted:
            found.append(f"told to use a restricted arm: {step.site}")
        if step.action == "repeat-another-day":
            found.append("told to come another day while the person sits there")
    if played.attempts and not found:
        closed = msgspec.structs.replace(played.reading_set, closed=True)
        last = evaluate(closed, None, rulebook).next_step
        if last.action in MEASURING - {"change-cuff", "change-device", "confirm-now"}:
            found.append(f"closed, and told to measure: {last.action}")
    return found


@pytest.mark.parametrize("group", range(GROUPS))
def test_obedient_nurse_comes_to_an_end(group: int, rulebook: Rulebook) -> None:
    for seed in range(group * A_GROUP, (group + 1) * A_GROUP):
        played = play(seed, rulebook, fails_by=None)
        assert not complaints(played, rulebook), (seed, played.reading_set, complaints(played, rulebook))


@pytest.mark.parametrize("group", range(GROUPS))
def test_nurse_who_fails_in_the_same_way_comes_to_an_end(group: int, rulebook: Rulebook) -> None:
    for seed in range(group * A_GROUP, (group + 1) * A_GROUP):
        how = FAILURES[seed % len(FAILURES)]
        played = play(seed, rulebook, fails_by=how)
        assert not complaints(played, rulebook), (how, seed, played.reading_set, complaints(played, rulebook))
