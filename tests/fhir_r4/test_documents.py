"""What is decoded of a stored sitting is enough: from it and from all of it the resources come out the same, to the byte."""

from __future__ import annotations

from itertools import pairwise, product
from typing import Any

import msgspec

from fhir_r4.generated import generated_sets
from fhir_r4.rendered import PUBLIC_URL, STORED_AT, observations, resources, stored
from quietcuff.core.model.readings import Device, ReadingSet
from quietcuff.core.record.resource_states import ResourceStates, next_stands
from quietcuff.core.record.sitting_version import ResourceState, SittingVersion, is_described
from quietcuff.fhir import codes
from quietcuff.fhir.model.logical_ids import place_name
from quietcuff.fhir.model.resources import Observation
from quietcuff.fhir.resources.device import written_device
from quietcuff.fhir.resources.readings import BODY_SITE, BP_PANEL, BUILDERS, METHOD, PRESSURES, WRITERS
from quietcuff.fhir.resources.sitting import frame_of
from quietcuff.fhir.versions import documents
from quietcuff.rules.catalog import load_rulebook

encode = msgspec.json.Encoder().encode
SETS = 150


def as_shown(sitting: SittingVersion) -> SittingVersion:
    """The sitting as it is decoded from what is stored of it."""
    return msgspec.structs.replace(
        sitting,
        reading_set=documents.SET.decode(encode(sitting.reading_set)),
        evaluation=documents.EVALUATION.decode(encode(sitting.evaluation)),
    )


def lines_of_two(before: SittingVersion, after: SittingVersion) -> list[bytes]:
    """Every Observation after a second version, as a correction, a move or a voiding would make it."""
    first = next_stands(ResourceStates(), None, None, before, version=1, at=STORED_AT)
    of_mean = None if first.mean is None else before
    stands = next_stands(first, before, of_mean, after, version=2, at=STORED_AT)
    shown = before if stands.mean is not None and stands.mean.from_version == 1 else after
    return [encode(one) for one in observations(after, stands, shown)]


def test_what_is_decoded_of_a_sitting_makes_the_same_resources() -> None:
    sets, seen = list(generated_sets(20261129, SETS, load_rulebook())), 0
    for number, ((reading_set, evaluation), (other, evaluated)) in enumerate(pairwise(sets)):
        whole = stored(reading_set, evaluation)
        assert encode(resources(whole)) == encode(resources(as_shown(whole)))
        if len(other.readings) < len(reading_set.readings):
            continue
        later = stored(other, evaluated, is_voided=number % 5 == 0)
        made = lines_of_two(whole, later)
        assert made == lines_of_two(as_shown(whole), as_shown(later))
        seen += len(made)
    assert seen > SETS


def test_a_line_has_the_elements_of_an_observation_each_once_and_in_their_order() -> None:
    seen = set()
    for reading_set, evaluation in generated_sets(20261130, SETS, load_rulebook()):
        sitting = as_shown(stored(reading_set, evaluation))
        frame, stand = frame_of(sitting, PUBLIC_URL), ResourceState(3, "corrected", STORED_AT)
        # Of every reading a pulse and flags as well, as they are told when there are none any more.
        for kind, index in product(WRITERS, range(len(reading_set.readings))):
            line, resource = WRITERS[kind](sitting, frame, index, stand), BUILDERS[kind](sitting, frame, index, stand)
            # Decoded, it keeps what the type knows; encoded again, in the order of the type, and without what is empty.
            assert encode(resource) == line
            name = place_name(kind, index)
            assert (resource.id, resource.identifier[0].value) == (f"{sitting.set_id}-{name}", f"{sitting.set_id}/{name}")
            seen |= {key for key, value in msgspec.json.decode(line).items() if value}
    # Every element but those of a mean.
    assert seen - {"resourceType"} == {field.encode_name for field in msgspec.structs.fields(Observation)} - {"effectivePeriod"}


def test_numbers_and_times_are_taken_as_they_were_stored() -> None:
    body: dict[str, Any] = {
        "subject": {"identifier": {"system": "urn:example:mrn", "value": "p-1"}},
        "readings": [
            {"taken_at": "2026-05-04T09:00:00.250+02:00", "systolic_mmhg": 142.0, "diastolic_mmhg": 88.5, "pulse_per_min": 72.0}
        ],
    }
    checked = msgspec.convert(body, ReadingSet)
    shown = documents.SET.decode(encode(checked))
    assert encode(shown.readings[0].taken_at) == b'"2026-05-04T09:00:00.250000+02:00"'
    assert encode([shown.readings[0].systolic_mmhg, shown.readings[0].diastolic_mmhg]) == b"[142,88.5]"
    assert encode(shown.readings) == encode(checked.readings)


def test_a_stored_device_is_described_where_anything_is_said_of_it() -> None:
    reading = {"taken_at": "2026-05-04T09:00:00+02:00"}
    for said, is_told in (
        ({}, False),
        ({"validated_for": []}, False),
        ({"clock_drift_seconds": 0}, True),
        ({"kind": "cuffless"}, True),
    ):
        body = {"subject": {"identifier": {"system": "urn:example:mrn", "value": "p-1"}}, "device": said, "readings": [reading]}
        shown = documents.SET.decode(encode(msgspec.convert(body, ReadingSet)))
        assert shown.device is not None
        assert is_described(shown.device) is is_told
        assert written_device(shown.device, None) == written_device(msgspec.convert(said, Device), None)


def test_pieces_made_once_are_the_published_codes() -> None:
    pieces = [BP_PANEL, *PRESSURES.values(), *BODY_SITE.values(), *METHOD.values()]
    concepts = [codes.BP_PANEL, codes.SYSTOLIC, codes.DIASTOLIC, codes.MEAN_ARTERIAL]
    concepts += [*codes.BODY_SITE.values(), *codes.METHOD.values()]
    assert [encode(piece) for piece in pieces] == [encode(concept) for concept in concepts]
