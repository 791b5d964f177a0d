"""A clinic on a fresh database of either kind, a receiver, and a worker between the two."""

from __future__ import annotations

from collections.abc import AsyncIterator, Iterator

import pytest

from application.clinic import Clinic, open_clinic
from delivery.post import Post
from delivery.receiver import Receiver, receiving
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.rules.catalog import load_rulebook
from quietcuff.storage.engine.store import Store


@pytest.fixture(scope="session")
def rulebook() -> Rulebook:
    return load_rulebook()


@pytest.fixture
async def clinic(store: Store, rulebook: Rulebook) -> Clinic:
    return await open_clinic(store, rulebook)


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    with receiving() as made:
        yield made


@pytest.fixture
async def post(clinic: Clinic, receiver: Receiver) -> AsyncIterator[Post]:
    made = Post(clinic, receiver)
    yield made
    await made.close()
    assert made.failures == []
