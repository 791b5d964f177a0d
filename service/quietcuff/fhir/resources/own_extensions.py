"""Extensions of ours, filled: what a sitting and its evaluation say that FHIR R4 has no element for."""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache

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
from quietcuff.fhir.model.ready import ready
from quietcuff.fhir.model.resources import CodeableConcept, Coding, Extension, Quantity, Range
from quietcuff.terminology.systems import UCUM
from quietcuff.terminology.units import MMHG, MMHG_CODE

# Short keys for what is remembered of each.
BY_ID = {one.id: one for one in OWN_EXTENSIONS}


@lru_cache(maxsize=64)
def setting_extension(setting: str, attendance: str, public_url: str) -> Extension:
    """The setting of a sitting, and whether anybody else was in the room."""
    parts = [
        coded("setting", public_url, "sitting-setting", setting),
        coded("attendance", public_url, "sitting-attendance", attendance),
    ]
    return Extension(url=extension_url(public_url, SETTING), extension=ready(parts))


def result_extensions(evaluation: Evaluation, public_url: str) -> list[Extension]:
    """The rules, state and findings of an evaluation, why it has no result, what is provisional about its labels, and how sure
    they are."""
    found = dict.fromkeys([finding.code for finding in evaluation.findings])
    return [
        protocol_extension(evaluation.protocol.version, evaluation.protocol.id, public_url),
        own_code(STATE.id, "sitting-state", evaluation.state, public_url),
        *[own_code(NO_RESULT.id, "reason", code, public_url) for code in evaluation.blocked_by],
        *[own_code(FINDING.id, "finding", code, public_url) for code in found],
        *[
            provisional(one.guideline, tuple(one.provisional_because), public_url)
            for one in evaluation.categories
            if one.provisional
        ],
        *[made_of(CERTAINTY, public_url, *certainty_parts(one, public_url)) for one in evaluation.certainty],
    ]


@lru_cache(maxsize=256)
def protocol_extension(version: str, id: str, public_url: str) -> Extension:
    """The protocol that a sitting was judged by."""
    coding = Coding(system=codes.PROTOCOL_SYSTEM, version=version, code=id)
    return ready(Extension(url=extension_url(public_url, PROTOCOL), value_codeable_concept=CodeableConcept(coding=[coding])))


@lru_cache(maxsize=2048)
def own_code(id: str, system: str, code: str, public_url: str) -> Extension:
    """An extension of ours, by its id, that holds one word of ours."""
    return ready(coded(extension_url(public_url, BY_ID[id]), public_url, system, code))


@lru_cache(maxsize=512)
def provisional(guideline: str, because: tuple[str, ...], public_url: str) -> Extension:
    """A guideline whose label is provisional, and why."""
    reasons = (coded("reason", public_url, "reason", code) for code in because)
    return ready(made_of(PROVISIONAL, public_url, Extension(url="guideline", value_string=guideline), *reasons))


def certainty_parts(one: Certainty, public_url: str) -> Iterator[Extension]:
    """The certainty of one label, in numbers that can be searched for and averaged."""
    yield Extension(url="guideline", value_string=one.guideline)
    yield Extension(url="label-probability", value_decimal=one.label_probability)
    yield Extension(url="label-probability-flat", value_decimal=one.label_probability_flat)
    yield Extension(url="settled", value_boolean=one.settled)
    yield Extension(url="interval-95-systolic", value_range=range_of(one.interval_95.systolic_mmhg))
    yield Extension(url="interval-95-diastolic", value_range=range_of(one.interval_95.diastolic_mmhg))
    if one.reason is not None:
        yield coded("reason", public_url, "reason", one.reason)
    yield Extension(url="prior", value_string=one.prior)
    yield Extension(url="visits-used", value_integer=one.visits_used)


def range_of(edges: tuple[float, float]) -> Range:
    """From and to, in mmHg."""
    low, high = (Quantity(value=value, unit=MMHG, system=UCUM, code=MMHG_CODE) for value in edges)
    return Range(low=low, high=high)


def made_of(own: OwnExtension, public_url: str, *parts: Extension) -> Extension:
    return Extension(url=extension_url(public_url, own), extension=list(parts))


@lru_cache(maxsize=2048)
def coded(url: str, public_url: str, system: str, code: str) -> Extension:
    """A word of ours with the code system that defines it."""
    coding = Coding(system=codes.code_system(public_url, system), code=code)
    return Extension(url=url, value_codeable_concept=ready(CodeableConcept(coding=[coding])))
