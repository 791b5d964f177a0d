"""What is withheld of a share's parts: every small one, and so many that the rest tells nobody what a few of them are."""

from __future__ import annotations

import random

import pytest

from quietcuff.analytics.measures.strata import Counted, withheld


def numbers(eligible: int, counted: int) -> Counted:
    return Counted(eligible=eligible, counted=counted, missing=0)


@pytest.mark.parametrize(
    ("parts", "hidden"),
    [
        ({"a": (30, 9), "b": (10, 4)}, set()),
        ({"a": (30, 9), "b": (9, 4), "c": (12, 1)}, {"b", "c"}),
        ({"a": (30, 9), "b": (5, 2), "c": (6, 1)}, {"b", "c"}),
        # Of eleven nobody counts: so of the five and of the six nobody does, were the next one shown.
        ({"a": (30, 9), "b": (5, 0), "c": (6, 0), "d": (20, 3)}, {"b", "c", "d"}),
        ({"a": (30, 30), "b": (5, 5), "c": (6, 6)}, {"a", "b", "c"}),
        ({"a": (3, 1)}, {"a"}),
    ],
)
def test_as_many_parts_are_withheld_as_it_takes_the_smallest_first(parts: dict[str, tuple[int, int]], hidden: set[str]) -> None:
    assert withheld({word: numbers(*of) for word, of in parts.items()}) == hidden


def test_the_whole_less_what_is_shown_tells_of_no_few() -> None:
    drawn = random.Random(13)
    for _ in range(2_000):
        sizes = [drawn.choice((0, 1, 4, 9, 10, 11, 40)) for _ in range(drawn.randint(1, 9))]
        parts: dict[str | None, Counted] = {
            str(place): numbers(size, drawn.randint(0, size)) for place, size in enumerate(sizes)
        }
        hidden = withheld(parts)
        assert {word for word, one in parts.items() if one.eligible < 10} <= hidden
        rest = [parts[word] for word in hidden]
        known, counts = sum(one.eligible for one in rest), sum(one.counted for one in rest)
        if hidden and len(hidden) < len(parts):
            assert known >= 10 and 0 < counts < known
            # Nobody can tell one part's count: with the sum alone, another count of it would be possible too.
            assert len(rest) > 1
