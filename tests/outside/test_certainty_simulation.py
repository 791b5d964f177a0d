"""The published chances and intervals against whole sittings played in an invented world.

``protocol_world`` draws readings and plays the protocols anew, with readings dropped, further ones asked for and arms chosen:
2^20 sittings of each protocol, shared by all cases. Of every case the service gets readings and history as a body and answers;
the world says from its draws what is to be believed of the usual pressure behind the same values. ``docs/certainty.md`` tells
the figures.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import msgspec
import numpy as np
import numpy.typing as npt
import pytest

from core.golden import evaluate_body
from outside import protocol_world as world
from outside.protocol_world import PRIORS, TREATED, UNTREATED, Draws, World
from quietcuff.core.model.evaluation import Certainty
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.rules.catalog import load_rulebook

SEED = 20260504
DRAWS = 1 << 20
CASES = 200
AGREE_WITHIN = 0.003
ROUNDED = 0.5e-4
LIMITS: dict[str, list[tuple[float, float]]] = {
    "aha-acc-2025": [(120, 80), (130, 80), (140, 90), (180, 120)],
    "esc-2024": [(120, 70), (140, 90)],
}
# An age at which visits do not vary as those of older people yet; the priors are a tenant's own.
BORN = "1985-01-15"
Pair = tuple[float, float]
Way = tuple[str, str]

# Each way that a sitting may go: the protocol served, the readings in the result arm as they differ from a level, and of how
# many of them, from the last, the value is made. A first visit has a reading of the other arm before.
AS_SERVED: dict[Way, tuple[str, list[int], int]] = {
    ("first-visit", "three"): ("office-both-arms", [3, 1, 0], 2),
    ("first-visit", "four"): ("office-both-arms", [3, 6, -6, 0], 3),
    ("first-visit", "five"): ("office-both-arms", [3, 6, -6, 6, 2], 4),
    ("first-visit-closed-early", "two"): ("office-both-arms", [3, 1], 1),
    ("follow-up", "two"): ("office-one-arm", [1, -2], 2),
    ("follow-up", "rising, three"): ("office-one-arm", [-6, 6, 0], 3),
    ("lower-of-two", "two"): ("office-nice-2019", [4, 0], 2),
    ("lower-of-two", "three"): ("office-nice-2019", [8, -4, 0], 3),
    ("last-two-of-three", "three"): ("office-esc-2024", [2, 0, 1], 2),
    ("last-two-of-three", "four"): ("office-esc-2024", [6, -6, 0, 1], 4),
    ("all-of-three", "three"): ("office-canada-2025", [2, 0, 1], 3),
    ("stable-pair", "first and second"): ("office-jsh-2019", [1, 0], 2),
    ("stable-pair", "second and third"): ("office-jsh-2019", [8, 1, 0], 2),
}
ASKED_FOR_A_THIRD: list[Way] = [("follow-up", "rising, three"), ("lower-of-two", "three")]
# Of these the last two count though the first was looked at too, which leaves a little more.
FIRST_LOOKED_AT: dict[Way, float] = {("last-two-of-three", "three"): 0.006, ("stable-pair", "second and third"): 0.020}
DROPPED: Way = ("follow-up", "dropped, three")
USUAL_WAYS: list[Way] = [
    ("first-visit", "three"),
    ("first-visit-closed-early", "two"),
    ("follow-up", "two"),
    ("lower-of-two", "two"),
    ("all-of-three", "three"),
]
EXACT = [way for way in AS_SERVED if way not in FIRST_LOOKED_AT]
DROPPED_AS_SERVED = ("office-one-arm", [14, 0, 1], 2)


@cache
def rulebook() -> Rulebook:
    """The rules without the test of a change: the people drawn here stand still, and no visit of theirs is to be left out."""
    book = load_rulebook()
    never = [msgspec.structs.replace(limit, still=1e9, moving=1e9) for limit in book.drift.limits]
    return msgspec.structs.replace(book, drift=msgspec.structs.replace(book.drift, limits=never))


def body(
    way: Way, readings: list[tuple[int, int]], *, age: str | None, treated: bool, earlier: list[tuple[int, Pair]]
) -> dict[str, Any]:
    """A person and the newest sitting, with earlier ones as a snapshot has them."""
    protocol = DROPPED_AS_SERVED[0] if way == DROPPED else AS_SERVED[way][0]
    taken = [(systolic, diastolic, "left-upper-arm") for systolic, diastolic in readings]
    if protocol == "office-both-arms":
        taken = [(readings[0][0] - 4, readings[0][1] - 2, "right-upper-arm"), *taken]
    sittings = [
        {
            "taken_from": f"2026-0{1 + place}-15T09:00:00+01:00",
            "setting": "office",
            "site": "left-upper-arm",
            "systolic_mmhg": value[0],
            "diastolic_mmhg": value[1],
            "readings_counted": count,
            "value_rule": "all",
        }
        for place, (count, value) in enumerate(earlier)
    ]
    return {
        "subject": {
            "identifier": {"system": "urn:example:world", "value": "p"},
            "birth_date": BORN,
            "antihypertensive_treatment": "yes" if treated else "no",
        },
        "visit": "first" if protocol == "office-both-arms" else "follow-up",
        "protocol": protocol,
        "guidelines": list(LIMITS),
        "history": {"as_of": "2026-05-04T09:00:00+02:00", "sittings": sittings},
        "intake": {"without_prior": True} if age is None else {"prior": as_sent(PRIORS[age])},
        "readings": [
            {
                "taken_at": f"2026-05-04T09:{minute:02d}:00+02:00",
                "systolic_mmhg": systolic,
                "diastolic_mmhg": diastolic,
                "site": site,
                "position": "sitting",
                "method": "oscillometric",
            }
            for minute, (systolic, diastolic, site) in enumerate(taken)
        ],
    }


def as_sent(prior: world.Prior) -> dict[str, Any]:
    """A prior as a tenant sets it, for treated people as well."""
    return {
        "systolic_mmhg": prior.mean[0],
        "systolic_sd_mmhg": prior.sd[0],
        "diastolic_mmhg": prior.mean[1],
        "diastolic_sd_mmhg": prior.sd[1],
        "correlation": prior.correlation,
        "includes_treated": True,
    }


class Case:
    """One person, drawn from the seed: age, treatment, how the newest sitting went, its readings, up to two earlier visits."""

    def __init__(self, number: int, way: Way | None = None) -> None:
        rng = np.random.default_rng([SEED, number])
        self.way = way or EXACT[number % len(EXACT)]
        self.treated = bool(rng.random() < 0.35)
        self.age = (*PRIORS, None)[rng.integers(4)]
        systolic, diastolic = (11.7, 6.8) if self.treated else (8.2, 5.2)
        covariance = [[systolic**2, 0.47 * systolic * diastolic], [0.47 * systolic * diastolic, diastolic**2]]
        visits = rng.multivariate_normal(self.draw_usual(rng), covariance, 1 + rng.integers(3))
        _, differ, self.taken = DROPPED_AS_SERVED if way == DROPPED else AS_SERVED[self.way]
        high, low = (int(each) for each in visits[0])
        # Below 140/90 the protocol of the lower of two takes one reading only.
        high = max(high, low + 30, 141 if self.way[0] == "lower-of-two" else 0)
        self.readings = [(high + each, low + each // 2) for each in differ]
        self.earlier = [(1 + int(rng.integers(3)), (round(float(v[0]), 1), round(float(v[1]), 1))) for v in visits[1:]]

    def draw_usual(self, rng: np.random.Generator) -> npt.NDArray[np.float64]:
        """A usual pressure of that age, near enough to limits to be worth asking about."""
        prior = PRIORS[self.age or "40-59"]
        while True:
            systolic, diastolic = rng.normal(prior.mean, prior.sd)
            if 115 < systolic < 155 and 68 < diastolic < 100 and systolic - diastolic > 35:
                return np.array([systolic, diastolic])

    def value(self) -> Pair:
        """What the description makes of the readings, before anything is added for a dropped one."""
        used = [np.array(each, float)[:, None] for each in self.readings[-self.taken :]]
        more = self.way[1] in ("four", "five") or self.way in ASKED_FOR_A_THIRD
        systolic, diastolic = (world.levelled if more else world.mean)(*used)[:, 0]
        return float(systolic), float(diastolic)

    def answered(self) -> list[Certainty]:
        sent = body(self.way, self.readings, age=self.age, treated=self.treated, earlier=self.earlier)
        return evaluate_body(sent, rulebook()).certainty


class Played:
    """Every protocol played in a world, and how densely its values lie around the usual pressure."""

    def __init__(self, untreated: World = UNTREATED, treated: World = TREATED) -> None:
        readings = world.sitting_readings(np.random.default_rng(SEED), untreated, DRAWS)
        self.ways = {name: protocol(readings) for name, protocol in world.PROTOCOLS.items()}
        self.plain = {count: world.mean(*readings[:count]) for count in (1, 2, 3)}
        self.worlds = {False: untreated, True: treated}
        self.found: dict[tuple[Any, ...], Draws] = {}

    def added(self, way: Way) -> Draws:
        """What sittings that went a way add to their visit's level."""
        mask, value = self.ways[way[0]][way[1]]
        return value[:, mask]

    def density(self, drawn: Way | int | str, *, treated: bool) -> Draws:
        """Of one way; of the plain mean of so many readings; or of a whole protocol, whichever way each sitting went."""
        if (drawn, treated) not in self.found:
            if isinstance(drawn, int):
                added = self.plain[drawn]
            else:
                added = world.whole(self.ways[drawn]) if isinstance(drawn, str) else self.added(drawn)
            self.found[drawn, treated] = world.density_of_values(added, self.worlds[treated])
        return self.found[drawn, treated]

    def differences(self, case: Case, drawn: Way | str, value: Pair) -> list[float]:
        """By how much each chance that is published for a case is off what the draws say: with its prior and without any."""
        visits = [(value, self.density(drawn, treated=case.treated))]
        visits += [(each, self.density(count, treated=case.treated)) for count, each in case.earlier]
        limits = list(dict.fromkeys(sum(LIMITS.values(), start=[])))
        told, prior = world.likelihood(visits), PRIORS[case.age] if case.age else None
        flat, weighed = (dict(zip(limits, world.chances(told, each, limits), strict=True)) for each in (None, prior))
        off = []
        for entry in case.answered():
            assert entry.visits_used == 1 + len(case.earlier)
            for row, each in zip(entry.rows[1:], LIMITS[entry.guideline], strict=True):
                off += [abs(row.at_or_above_flat - flat[each]), abs(row.at_or_above - weighed[each])]
        return off


@pytest.fixture(scope="module")
def played() -> Played:
    return Played()


def test_two_hundred_cases_agree_with_what_the_draws_say(played: Played) -> None:
    """Each against the sittings that went the same way, with more readings or fewer, an arm chosen, the lower of two; and
    against all sittings of its protocol, whichever way they went: with first readings dropped as well."""
    same_way, whole_protocol = [], []
    for case in map(Case, range(CASES)):
        same_way += played.differences(case, case.way, case.value())
        if case.way in USUAL_WAYS:
            whole_protocol += played.differences(case, case.way[0], case.value())
    print(f"{len(same_way)} chances against the same way: worst difference {max(same_way):.5f}")
    print(f"{len(whole_protocol)} chances against the whole protocol: worst difference {max(whole_protocol):.5f}")
    assert len(same_way) == 12 * CASES and len(whole_protocol) > 5 * CASES
    assert max(same_way + whole_protocol) <= AGREE_WITHIN + ROUNDED


@pytest.mark.parametrize(("way", "within"), FIRST_LOOKED_AT.items(), ids=map(" ".join, FIRST_LOOKED_AT))
def test_where_a_first_reading_was_looked_at_and_left_out_a_little_more_is_left(
    played: Played, way: Way, within: float
) -> None:
    worst = max(max(played.differences(case, way, case.value())) for case in (Case(number, way) for number in range(30)))
    print(f"{' '.join(way)}: worst difference {worst:.5f}")
    assert worst <= within


def test_a_dropped_first_reading_is_made_up_for_in_the_systolic_and_overdone_in_the_diastolic(played: Played) -> None:
    """In this world the next two readings are 2.4 and 1.8 too low after a first one more than 10 above the second in either
    pressure; 2.4 is added to both. Whichever pressure decides, the whole protocol stays within the tolerance above."""
    short = played.added(DROPPED).mean(axis=1)
    assert short == pytest.approx([0, 0.6], abs=0.1)
    off = {"systolic": 0.0, "diastolic": 0.0}
    for high in range(124, 157, 4):
        for pressure, level in (("systolic", (high, 55)), ("diastolic", (high - 20, high - 55))):
            case = Case(0, DROPPED)
            case.treated, case.age, case.earlier = False, None, []
            case.readings = [(level[0] + each, level[1] + each // 2) for each in DROPPED_AS_SERVED[1]]
            value = tuple(each + 2.4 for each in case.value())
            off[pressure] = max(off[pressure], *played.differences(case, DROPPED, (value[0], value[1])))
    print(f"dropped first reading: worst difference {off['systolic']:.5f} systolic, {off['diastolic']:.5f} diastolic")
    assert off["systolic"] <= 0.01
    assert 0.02 < off["diastolic"] <= 0.05


@pytest.mark.parametrize(("apart", "too_high"), [(0, 1.0), (5, 0.6), (10, 0.2)])
def test_the_reading_that_chose_the_arm_would_be_too_high(apart: int, too_high: float) -> None:
    """Where arms are alike the higher of two readings is high by chance as well: counted in a mean of two it would add
    1.0 mmHg, fading as arms truly differ. Left out, it adds nothing whatever the arms do."""
    readings = world.sitting_readings(np.random.default_rng([SEED, 5]), UNTREATED, DRAWS // 4, 6)
    differ = (float(apart), apart / 2)
    chooser = np.where((readings[1] + np.array(differ)[:, None])[0] > readings[0][0], readings[1], readings[0])
    assert world.mean(chooser, readings[2])[0].mean() == pytest.approx(too_high, abs=0.15)
    value = world.whole(world.first_visit(readings, differ))
    assert value.mean(axis=1) == pytest.approx([0, 0], abs=0.02)


# Half-widths of the published interval go by group, prior and how many readings the value has, not by the value itself.
def half_widths(way: Way, *, treated: bool) -> npt.NDArray[np.float64]:
    """Half of the published interval without a prior, systolic and diastolic."""
    _, differ, _ = DROPPED_AS_SERVED if way == DROPPED else AS_SERVED[way]
    readings = [(150 + each, 80 + each // 2) for each in differ]
    interval = evaluate_body(body(way, readings, age=None, treated=treated, earlier=[]), rulebook()).certainty[0].interval_95
    return np.array([(high - low) / 2 for low, high in (interval.systolic_mmhg, interval.diastolic_mmhg)])


def covered(played: Played, way: Way, *, treated: bool) -> npt.NDArray[np.float64]:
    """The share of drawn sittings whose interval holds the usual pressure, systolic and diastolic."""
    added = played.added(way)
    levels = world.visit_levels(np.random.default_rng([SEED, 2]), played.worlds[treated], added.shape[1])
    result: npt.NDArray[np.float64] = (np.abs(levels + added) <= half_widths(way, treated=treated)[:, None]).mean(axis=1)
    return result


@pytest.mark.parametrize("treated", [False, True], ids=["untreated", "treated"])
@pytest.mark.parametrize("way", [*AS_SERVED, DROPPED], ids=" ".join)
def test_intervals_hold_the_usual_pressure_in_95_of_100_sittings(played: Played, way: Way, treated: bool) -> None:
    shares = covered(played, way, treated=treated)
    print(f"{' '.join(way)}: {100 * shares[0]:.2f} and {100 * shares[1]:.2f} %")
    assert shares == pytest.approx([0.95, 0.95], abs=0.01)


# Two ways in which people are not as the model has them. Neither is allowed for: what they change is told as a limit.


def worst_by_counting(way: Way, *, heavy: World | None = None, rising: bool = False) -> tuple[float, float]:
    """The worst difference over values from 110/70 to 170/110 of the chance at 140/90 and 130/80 without a prior, and of the
    share of intervals that hold the usual pressure, from sittings counted one by one."""
    rng = np.random.default_rng([SEED, 4])
    kind = heavy or UNTREATED
    readings = world.sitting_readings(rng, kind, DRAWS)
    levels = world.visit_levels(rng, kind, DRAWS)
    half = half_widths(way, treated=False)[:, None]

    @cache
    def played(spread: float) -> Draws:
        """How far values are off where readings spread so much in the systolic."""
        noise = [each * np.array([[spread / 4.1], [1.0]]) for each in readings]
        mask, added = world.PROTOCOLS[way[0]](noise)[way[1]]
        return (levels + added)[:, mask]

    worst = widest = 0.0
    for systolic in range(110, 171, 6):
        off = played(3.2 + 1.3 * min(max((systolic - 110) / 40, 0), 1) if rising else 4.1)
        widest = max(widest, *np.abs((np.abs(off) <= half).mean(axis=1) - 0.95))
        diastolic = round(0.55 * systolic + 8)
        sent = [(systolic + each, diastolic + each // 2) for each in AS_SERVED[way][1]]
        entry = evaluate_body(body(way, sent, age=None, treated=False, earlier=[]), rulebook()).certainty[0]
        taken = sent[-AS_SERVED[way][2] :]
        value = np.mean(taken, axis=0)
        for row, limits in zip(entry.rows[1:], LIMITS[entry.guideline], strict=True):
            counted = ((value[0] - off[0] >= limits[0]) | (value[1] - off[1] >= limits[1])).mean()
            worst = max(worst, abs(row.at_or_above_flat - float(counted)))
    return worst, widest


@pytest.mark.parametrize(
    ("name", "more", "chance", "share"),
    [
        ("as the model has it", {}, 0.003, 0.005),
        ("heavy tails, kurtosis 4.5", {"heavy": World(freedom=8)}, 0.02, 0.005),
        ("spread within a sitting from 3.2 at 110 to 4.5 at 150", {"rising": True}, 0.01, 0.01),
    ],
    ids=["as modelled", "heavy tails", "rising spread"],
)
def test_what_the_model_leaves_out_changes_this_much(name: str, more: dict[str, Any], chance: float, share: float) -> None:
    worst, widest = worst_by_counting(("follow-up", "two"), **more)
    print(f"{name}: chances off by {worst:.4f} at most, coverage by {100 * widest:.2f} points")
    assert worst <= chance and widest <= share
