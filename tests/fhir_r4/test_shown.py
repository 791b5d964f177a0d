"""What moves is found from plain values: two are equal exactly where the Observations, built of them, are equal."""

from __future__ import annotations

import random
from collections import Counter
from datetime import UTC, datetime
from itertools import pairwise
from typing import Any

import msgspec

from fhir_r4.generated import generated_bodies
from fhir_r4.rendered import stored
from quietcuff.core.evaluate import evaluate
from quietcuff.core.model.errors import NotAcceptable
from quietcuff.core.model.readings import ReadingSet
from quietcuff.core.record.resource_states import KINDS
from quietcuff.core.record.sitting_version import (
    CUFF_SIZES,
    INTERPRETED,
    OTHER,
    SETTINGS_REMARKED,
    SILENT_REASONS,
    ResourceState,
    SittingVersion,
    mean_measured,
    mean_shown,
)
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.fhir import codes
from quietcuff.fhir.model.logical_ids import KINDS_BY_LETTER
from quietcuff.fhir.model.resources import Observation
from quietcuff.fhir.resources import notes
from quietcuff.fhir.resources.readings import BUILDERS, OBSERVATION
from quietcuff.fhir.resources.result import mean_observation
from quietcuff.fhir.resources.sitting import frame_of
from quietcuff.rules.catalog import load_rulebook
from quietcuff.storage.schema.codes import CUFF_SIZE, REASON

NEUTRAL = ResourceState(0, "final", datetime(2000, 1, 1, tzinfo=UTC))
PAIRS = 700


def crossed(rng: random.Random, one: Any, other: Any) -> Any:
    """A body with some values of another."""
    if rng.random() < 0.06:
        return other
    if isinstance(one, dict) and isinstance(other, dict):
        return {key: crossed(rng, value, other[key]) if key in other else value for key, value in one.items()}
    if isinstance(one, list) and isinstance(other, list):
        return [crossed(rng, *both) for both in zip(one, other, strict=False)] + one[len(other) :]
    return one


def pairs(rulebook: Rulebook) -> list[tuple[SittingVersion, SittingVersion]]:
    """Sittings, and the same with a few other values."""
    rng, found = random.Random(20261129), []
    for one, other in pairwise(generated_bodies(7)):
        try:
            sets = [msgspec.convert(body, ReadingSet) for body in (one, crossed(rng, one, other))]
            found.append([stored(each, evaluate(each, each.history, rulebook)) for each in sets])
        except (NotAcceptable, msgspec.ValidationError):
            continue
        if len(found) == PAIRS:
            return [(before, after) for before, after in found]
    raise AssertionError


def built(sitting: SittingVersion, letter: str, index: int) -> Observation:
    return BUILDERS[KINDS_BY_LETTER[letter]](sitting, frame_of(sitting, ""), index, NEUTRAL)


def mean_of(sitting: SittingVersion) -> Observation | None:
    """The mean without our own extensions, which alone never move it."""
    mean = mean_observation(sitting, frame_of(sitting, ""), NEUTRAL)
    if mean is None:
        return None
    own, mean = "/fhir/R4/StructureDefinition/", OBSERVATION.decode(msgspec.json.encode(mean))
    return msgspec.structs.replace(mean, extension=[one for one in mean.extension or [] if not one.url.startswith(own)])


def values_of(found: Observation | None) -> Any:
    """The values and times of an Observation; the cuff is a circumstance."""
    return found and (
        found.effective_date_time,
        found.effective_period,
        found.value_quantity,
        [part for part in found.component or [] if part.code != codes.CUFF_SIZE],
    )


def test_plain_values_move_with_their_resources_and_with_nothing_else() -> None:
    seen: Counter[tuple[str, bool, bool]] = Counter()
    for before, after in pairs(load_rulebook()):
        for index in range(min(len(each.reading_set.readings) for each in (before, after))):
            readings = [each.reading_set.readings[index] for each in (before, after)]
            for letter, (measured, shown) in KINDS.items():
                was, now = built(before, letter, index), built(after, letter, index)
                same_values = measured(readings[0]) == measured(readings[1])
                is_same = same_values and shown(before, index) == shown(after, index)
                assert same_values == (values_of(was) == values_of(now)), (letter, readings)
                assert is_same == (was == now), (letter, readings, shown(before, index), shown(after, index))
                seen[letter, same_values, is_same] += 1
        old, new = mean_of(before), mean_of(after)
        same_values = mean_measured(before) == mean_measured(after)
        is_same = same_values and mean_shown(before) == mean_shown(after)
        assert same_values == (values_of(old) == values_of(new))
        assert is_same == (old == new), (mean_shown(before), mean_shown(after))
        given = {"mean" if each.evaluation.result else "no result" for each in (before, after) if mean_of(each)}
        seen[given.pop() if len(given) == 1 else "either", same_values, is_same] += 1
    wanted = [(kind, *how) for kind in (*KINDS, "mean", "no result") for how in ((True, True), (True, False), (False, False))]
    assert [kind for kind in wanted if seen[kind] < 5] == []


def test_the_words_that_count_are_those_that_resources_show() -> None:
    assert {*notes.NOT_USED, *SILENT_REASONS} == set(REASON.words)
    assert set(notes.SETTING) == set(SETTINGS_REMARKED)
    assert set(codes.FINDING_INTERPRETATION) == set(INTERPRETED)
    assert {*CUFF_SIZES, OTHER} == set(CUFF_SIZE.words)
    assert set(codes.CUFF_SIZES) <= CUFF_SIZES
