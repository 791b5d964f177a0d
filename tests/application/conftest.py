"""A clinic on a fresh database of either kind."""

from __future__ import annotations

import pytest

from application.clinic import Clinic, open_clinic
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.rules.catalog import load_rulebook
from quietcuff.storage.engine.store import Store


@pytest.fixture(scope="session")
def rulebook() -> Rulebook:
    return load_rulebook()


@pytest.fixture
async def clinic(store: Store, rulebook: Rulebook) -> Clinic:
    return await open_clinic(store, rulebook)
