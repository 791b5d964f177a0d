"""Ids: a person's follows from what the caller calls them; a set's tells its subject's first bits and its time."""

from __future__ import annotations

from datetime import timedelta
from uuid import UUID, uuid4

import pytest
from asyncpg.pgproto.pgproto import UUID as DriverUUID

from quietcuff.core.model.errors import NotFound
from quietcuff.core.model.readings import Identifier
from quietcuff.storage.engine import ids
from quietcuff.storage.schema.base import id_of_bytes, id_to_bytes
from storage.rows import NOON

SECRET, OTHER_SECRET = b"a" * 32, b"b" * 32
PERSON = Identifier(system="urn:example:mrn", value="p-0001")


def test_a_persons_id_follows_from_tenant_and_identifier() -> None:
    found = ids.subject_id(SECRET, PERSON)
    assert found == ids.subject_id(SECRET, Identifier(system="urn:example:mrn", value="p-0001"))
    assert found != ids.subject_id(OTHER_SECRET, PERSON)
    assert found != ids.subject_id(SECRET, Identifier(system="urn:example:mrn", value="p-0002"))
    assert found != ids.subject_id(SECRET, Identifier(system="urn:example:mr", value="np-0001"))
    assert found != ids.device_id(SECRET, PERSON)


def test_derived_ids_are_of_version_8() -> None:
    """RFC 9562, section 5.8."""
    for number in range(200):
        found = ids.subject_id(SECRET, Identifier(system="urn:example:mrn", value=f"p-{number}"))
        assert (found.version, found.variant) == (8, uuid4().variant)


def test_a_sets_id_is_of_version_7_and_carries_its_subjects_first_bits() -> None:
    """RFC 9562, section 5.7: 48 bits of milliseconds, then rand_a."""
    for number in range(200):
        subject = ids.subject_id(SECRET, Identifier(system="urn:example:mrn", value=f"p-{number}"))
        found = ids.new_set_id(subject, NOON)
        assert (found.version, found.variant) == (7, uuid4().variant)
        assert found.int >> 80 == 1780315200000
        assert found.hex[13:16] == subject.hex[:3]
        assert ids.order_of_subject(subject).startswith(ids.order_of_set(found))


def test_sets_ids_differ_and_grow_with_time() -> None:
    subject = ids.subject_id(SECRET, PERSON)
    assert len({ids.new_set_id(subject, NOON) for _ in range(1000)}) == 1000
    assert ids.new_set_id(subject, NOON) < ids.new_set_id(subject, NOON + timedelta(milliseconds=1))


def test_digests_are_keyed_and_tell_parts_apart() -> None:
    digest = ids.keyed_digest(SECRET, b"key", b"visit-1001")
    assert len(digest) == 16
    assert digest != ids.keyed_digest(OTHER_SECRET, b"key", b"visit-1001")
    assert digest != ids.keyed_digest(SECRET, b"keyv", b"isit-1001")


@pytest.mark.parametrize("text", ["", "x", "019DF237-3e80-7cda-ae6c-acc0e2b83dda", "019df2373e807cdaae6cacc0e2b83dda"])
def test_text_that_is_no_id_of_ours_is_not_found(text: str) -> None:
    with pytest.raises(NotFound):
        ids.read_id(text)


def test_an_id_is_read_as_it_stands_in_an_answer() -> None:
    text = "019df237-3e80-7cda-ae6c-acc0e2b83dda"
    assert ids.read_id(text) == UUID(text)


def test_an_id_is_written_and_read_as_python_does_it() -> None:
    # The second is the type that PostgreSQL's driver gives.
    for made in (UUID(int=0), UUID("0197a2c4-0b5f-7abc-8def-0123456789ab"), UUID(int=2**128 - 1)):
        assert ids.id_text(made) == ids.id_text(DriverUUID(str(made))) == str(made)
        assert id_of_bytes(made.bytes) == made and hash(id_of_bytes(made.bytes)) == hash(made)
        assert id_to_bytes(id_of_bytes(made.bytes)) == made.bytes
