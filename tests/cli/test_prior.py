"""``quietcuff prior``: a prior fitted to a tenant's own history."""

from __future__ import annotations

import asyncio
import json
import sys
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest

from api.serving import new_key
from quietcuff.analytics.prior_fit import OwnVisits, fit_prior, keep_positive
from quietcuff.cli import main
from quietcuff.core.evaluate import evaluate
from quietcuff.core.model.readings import ReadingSet
from quietcuff.core.rulebook.variability import TenantFit
from quietcuff.rules.catalog import load_rulebook
from quietcuff.storage.engine.store import NO_TENANT, open_store
from quietcuff.storage.rows.tenants import TenantSettings, find_tenant

PEOPLE = 210
SEED = 20260504


@pytest.fixture
def clinic_url(database_url: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> str:
    """A database of either kind with the tenant ``clinic``, in a folder of its own."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("QUIETCUFF_DATABASE_URL", database_url)
    new_key(database_url)
    return database_url


def people_drawn(count: int, visits: int) -> np.ndarray:
    """By person, visit and pressure: invented people, one in seven of them high, whose visits vary by 6/4."""
    rng = np.random.default_rng(SEED)
    high = rng.random(count) < 1 / 7
    systolic = np.where(high, rng.normal(150, 14, count), rng.normal(122, 9, count))
    usual = np.stack([systolic, 75 + 0.4 * (systolic - 122) + rng.normal(0, 5, count)], 1)
    both = rng.standard_normal((2, count, visits))
    level = np.stack([6 * both[0], 4 * (0.5 * both[0] + np.sqrt(0.75) * both[1])], 2)
    result: np.ndarray = usual[:, None] + level
    return result


def body(person: int, day: str, value: tuple[float, float], **subject: Any) -> dict[str, Any]:
    """One visit of an invented person of about fifty, two readings around a value."""
    return {
        "identifier": {"system": "urn:example:visit", "value": f"{person}-{day}"},
        "subject": {
            "identifier": {"system": "urn:example:person", "value": f"p-{person}"},
            "birth_date": "1976-01-15",
            "antihypertensive_treatment": "no",
        }
        | subject,
        "visit": "follow-up",
        "guidelines": ["nice-2019"],
        "protocol": "office-one-arm",
        "closed": True,
        "readings": [
            {
                "taken_at": f"{day}T09:0{2 * place}:00+02:00",
                "systolic_mmhg": round(value[0]) + away,
                "diastolic_mmhg": round(value[1]) - away,
                "site": "left-upper-arm",
                "position": "sitting",
                "method": "oscillometric",
            }
            for place, away in enumerate((1, -1))
        ],
    }


def store(folder: Path, lines: list[dict[str, Any]]) -> None:
    path = folder / "visits.ndjson"
    path.write_text("".join(json.dumps(line) + "\n" for line in lines))
    assert main(["import", "--tenant", "clinic", str(path)]) == 0


def settings(url: str) -> TenantSettings:
    async def look() -> TenantSettings:
        opened = open_store(url)
        try:
            tenant = await opened.read(NO_TENANT, lambda connection: find_tenant(connection, "clinic"))
            assert tenant is not None
            return tenant.settings
        finally:
            await opened.close()

    return asyncio.run(look())


def test_a_fit_is_told_and_kept_only_where_that_is_asked_for(
    clinic_url: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    drawn = people_drawn(PEOPLE, 2)
    lines = [
        body(person, day, tuple(drawn[person, place]))
        for place, day in enumerate(("2026-04-01", "2026-05-01"))
        for person in range(PEOPLE if place == 0 else 80)
    ]
    # Treated people, pregnancy and youth do not count.
    others = ({"antihypertensive_treatment": "yes"}, {"sex": "female", "pregnancy": "pregnant"}, {"birth_date": "2012-01-15"})
    lines += [body(900 + place, "2026-04-01", (190, 100), **other) for place, other in enumerate(others)]
    store(tmp_path, lines)
    capsys.readouterr()
    assert main(["prior", "fit", "--tenant", "clinic"]) == 0
    out = capsys.readouterr().out
    assert f"{PEOPLE} people, {PEOPLE + 80} visits; 80 people with two visits or more." in out
    assert "Moved from the rules' prior at 50 years by" in out and "Visits vary by" in out
    assert out.count("Mean systolic at or above") == 4
    assert settings(clinic_url).prior is None
    assert main(["prior", "fit", "--tenant", "clinic", "--apply"]) == 0
    kept = settings(clinic_url).prior
    assert kept is not None and len(kept.parts) == 2 and kept.visits is not None and not kept.includes_treated
    assert kept.systolic_mmhg == pytest.approx(drawn[:, :, 0].mean(), abs=1.5)
    assert kept.visits.systolic_sd_mmhg == pytest.approx(6, abs=2.5)
    new = msgspec.convert(body(1, "2026-05-04", (150, 90)) | {"intake": {"prior": msgspec.to_builtins(kept)}}, ReadingSet)
    (entry,) = evaluate(new, None, load_rulebook()).certainty
    assert entry.prior == "tenant" and "this clinic's own people" in entry.statement
    assert main(["prior", "clear", "--tenant", "clinic"]) == 0
    assert settings(clinic_url).prior is None


def test_too_few_people_give_no_prior(clinic_url: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    store(tmp_path, [body(person, "2026-04-01", (130, 80)) for person in range(3)])
    capsys.readouterr()
    assert main(["prior", "fit", "--tenant", "clinic", "--apply"]) == 1
    assert "At least 200 people" in " ".join(capsys.readouterr().err.split())
    assert settings(clinic_url).prior is None


RULES = load_rulebook().variability.tenant_fit


def fitted(count: int, visits: int, rules: TenantFit = RULES) -> Any:
    drawn = people_drawn(count, visits)
    people = [OwnVisits(values=[tuple(visit) for visit in person], within=[(0.0, 0.0, 0.0)] * visits) for person in drawn]
    return fit_prior(people, (56.25, 18.9, 17.64), rules, includes_treated=False)


def test_without_numeric_packages_nothing_is_fitted_and_a_sentence_says_why(
    clinic_url: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "scipy", None)
    assert main(["prior", "fit", "--tenant", "clinic"]) == 1
    told = capsys.readouterr()
    assert "the extra analytics" in told.err and "sh deploy/setup.sh full" in told.err and told.out == ""


def test_the_people_that_were_drawn_are_found_again() -> None:
    """Six in seven N(122, 9²), one in seven N(150, 14²), diastolic 75 and 0.4 a mmHg; visits 6/4 with correlation 0.5."""
    found = fitted(6000, 2)
    lower, higher = found.prior.parts
    assert (lower.systolic_mmhg, higher.systolic_mmhg) == pytest.approx((122, 150), abs=3)
    assert (lower.systolic_sd_mmhg, higher.systolic_sd_mmhg) == pytest.approx((9, 14), abs=2)
    assert higher.share == pytest.approx(1 / 7, abs=0.03) and lower.share + higher.share == pytest.approx(1)
    assert found.prior.visits.systolic_sd_mmhg == pytest.approx(6, abs=0.2)
    assert found.prior.visits.diastolic_sd_mmhg == pytest.approx(4, abs=0.2)
    assert found.prior.visits.correlation == pytest.approx(0.5, abs=0.04)
    for check in found.checks:
        assert check.fitted == pytest.approx(check.seen, abs=0.01)


def test_where_nobody_came_twice_visits_vary_as_the_rules_have_it() -> None:
    found = fitted(400, 1)
    assert not found.visits_fitted and found.prior.visits is None


def test_a_part_that_next_to_nobody_is_of_is_none() -> None:
    found = fitted(400, 1, msgspec.structs.replace(RULES, least_share=0.6))
    assert found.prior.parts == []


def test_a_spread_is_one() -> None:
    assert keep_positive(np.array([[-4.0, 9.0], [9.0, 25.0]])) == pytest.approx(np.array([[1, 4.5], [4.5, 25]]))
