"""Extensions of ours, filled: what a sitting and its evaluation say that FHIR R4 has no element for."""

from __future__ import annotations

from functools import lru_cache
from typing import cast

import msgspec

from quietcuff.core.model.evaluation import Certainty, Evaluation
from quietcuff.fhir import codes
from quietcuff.fhir.definitions.extensions import (
    CERTAINTY,
    FINDING,
    NO_RESULT,
    OWN_EXTENSIONS,
    PROTOCOL,
    PROVISIONAL,
    SETTING,
    STATE,
    OwnExtension,
    extension_url,
)
from quietcuff.fhir.model.ready import ENCODER, ready
from quietcuff.fhir.model.resources import CodeableConcept, Coding, Extension, Quantity, Range
from quietcuff.terminology.systems import UCUM
from quietcuff.terminology.units import MMHG, MMHG_CODE

# In the place of a number that is filled in later.
GAP = cast(float, msgspec.Raw(b"\0"))
_EDGE = Quantity(value=GAP, unit=MMHG, system=UCUM, code=MMHG_CODE)
RANGE = Range(low=_EDGE, high=_EDGE)
# Short keys for what is remembered of each.
BY_ID = {one.id: one for one in OWN_EXTENSIONS}


@lru_cache(maxsize=64)
def setting_extension(setting: str, attendance: str, public_url: str) -> bytes:
    """The setting of a sitting, and whether anybody else was in the room, as they begin the extensions."""
    parts = [
        coded("setting", public_url, "sitting-setting", setting),
        coded("attendance", public_url, "sitting-attendance", attendance),
    ]
    return b',"extension":[' + ENCODER.encode(made_of(SETTING, public_url, *parts))


def result_extensions(evaluation: Evaluation, public_url: str) -> bytes:
    """The rules, state and findings of an evaluation, why it has no result, what is provisional about its labels, and how sure
    they are: each as it follows another extension."""
    protocol, known = evaluation.protocol, findings_at(public_url)
    found = [rules_and_state(protocol.version, protocol.id, evaluation.state, tuple(evaluation.blocked_by), public_url)]
    found += [known[code] for code in dict.fromkeys([finding.code for finding in evaluation.findings])]
    for label in evaluation.categories:
        if label.provisional:
            found.append(provisional(label.guideline, tuple(label.provisional_because), public_url))
    for certainty in evaluation.certainty:
        found.append(certainty_extension(certainty, public_url))
    return b"".join(found)


class FindingExtensions(dict[str, bytes]):
    """The extension of each finding by its code, made when it is first looked up: a sitting has some ten of a few dozen."""

    def __init__(self, public_url: str) -> None:
        super().__init__()
        self._public_url = public_url

    def __missing__(self, code: str) -> bytes:
        made = self[code] = own_code(FINDING.id, "finding", code, self._public_url)
        return made


findings_at = lru_cache(maxsize=16)(FindingExtensions)


# Protocols and states are few, and so are the reasons why there is no result.
@lru_cache(maxsize=1024)
def rules_and_state(version: str, id: str, state: str, blocked_by: tuple[str, ...], public_url: str) -> bytes:
    """The protocol that a sitting was judged by, the state of the sitting, and why it has no result."""
    coding = Coding(system=codes.PROTOCOL_SYSTEM, version=version, code=id)
    protocol = Extension(url=extension_url(public_url, PROTOCOL), value_codeable_concept=CodeableConcept(coding=[coding]))
    reasons = [own_code(NO_RESULT.id, "reason", code, public_url) for code in blocked_by]
    return b"".join([following(protocol), own_code(STATE.id, "sitting-state", state, public_url), *reasons])


@lru_cache(maxsize=2048)
def own_code(id: str, system: str, code: str, public_url: str) -> bytes:
    """An extension of ours, by its id, that holds one word of ours."""
    return following(coded(extension_url(public_url, BY_ID[id]), public_url, system, code))


# As many as there are guidelines, each for some reasons.
@lru_cache(maxsize=1024)
def provisional(guideline: str, because: tuple[str, ...], public_url: str) -> bytes:
    """A guideline whose label is provisional, and why."""
    reasons = (coded("reason", public_url, "reason", code) for code in because)
    return following(made_of(PROVISIONAL, public_url, Extension(url="guideline", value_string=guideline), *reasons))


def certainty_extension(one: Certainty, public_url: str) -> bytes:
    """The certainty of one label, in numbers that can be searched for and averaged."""
    written = certainty_frame(one.guideline, one.settled, one.reason, one.prior, one.visits_used, public_url)
    interval = one.interval_95
    numbers = (
        *(one.label_probability, one.label_probability_flat),
        *(*interval.systolic_mmhg, *interval.diastolic_mmhg),
    )
    return written % tuple(ENCODER.encode(numbers)[1:-1].split(b","))


@lru_cache(maxsize=1024)
def certainty_frame(guideline: str, settled: bool, reason: str | None, prior: str, visits_used: int, public_url: str) -> bytes:
    """The extension of a certainty in JSON, with a place for each of its six numbers."""
    parts = [
        Extension(url="guideline", value_string=guideline),
        Extension(url="label-probability", value_decimal=GAP),
        Extension(url="label-probability-flat", value_decimal=GAP),
        Extension(url="settled", value_boolean=settled),
        Extension(url="interval-95-systolic", value_range=RANGE),
        Extension(url="interval-95-diastolic", value_range=RANGE),
        *([] if reason is None else [coded("reason", public_url, "reason", reason)]),
        Extension(url="prior", value_string=prior),
        Extension(url="visits-used", value_integer=visits_used),
    ]
    written = following(made_of(CERTAINTY, public_url, *parts))
    # JSON writes the NUL of a text otherwise, so that these are the gaps alone.
    return written.replace(b"%", b"%%").replace(b"\0", b"%b")


def following(extension: Extension) -> bytes:
    return b"," + ENCODER.encode(extension)


def made_of(own: OwnExtension, public_url: str, *parts: Extension) -> Extension:
    return Extension(url=extension_url(public_url, own), extension=list(parts))


@lru_cache(maxsize=2048)
def coded(url: str, public_url: str, system: str, code: str) -> Extension:
    """A word of ours with the code system that defines it."""
    coding = Coding(system=codes.code_system(public_url, system), code=code)
    return Extension(url=url, value_codeable_concept=ready(CodeableConcept(coding=[coding])))
