"""The mean of a sitting as an Observation of its own, never coded as a reading.

Source: [USC] us-core-average-blood-pressure, whose base is the plain Observation.
"""

from __future__ import annotations

from quietcuff.core.model.evaluation import Category, Evaluation, Result
from quietcuff.fhir import codes
from quietcuff.fhir.model.resources import CodeableConcept, Component, Observation, Period, Reference
from quietcuff.fhir.resources import notes
from quietcuff.fhir.resources.beside import components_beside, is_24_hour_mean, own_coding
from quietcuff.fhir.resources.cuffs import common_cuff, cuff_component
from quietcuff.fhir.resources.device import DeviceLink
from quietcuff.fhir.resources.frames import Frame, meta
from quietcuff.fhir.resources.readings import CATEGORY, quantity
from quietcuff.fhir.resources.sitting import Stand, StoredSitting, instant

MEAN_PROFILES = [codes.US_AVERAGE_BP_PROFILE]
LOW_RESULT = CodeableConcept(coding=[codes.LOW], text="Low: every reading that counts is low")


def mean_observation(sitting: StoredSitting, frame: Frame, stand: Stand) -> Observation | None:
    """The reported result: whole mmHg, how many readings counted and which, and what the guidelines call it.

    None where the sitting has no result.
    """
    result = sitting.evaluation.result
    if result is None:
        return None
    contained, device = mean_device(sitting, frame)
    return Observation(
        id=f"{frame.set_id}-mean",
        meta=meta(stand, MEAN_PROFILES),
        contained=contained,
        extension=frame.extensions[result.position],
        identifier=frame.identifier("mean"),
        based_on=frame.based_on,
        status=stand.status,
        category=CATEGORY,
        code=codes.MEAN_PANEL_24_HOURS if is_24_hour_mean(sitting.evaluation) else codes.MEAN_PANEL,
        subject=frame.subject,
        encounter=frame.encounter,
        effective_period=Period(start=result.taken_from, end=result.taken_to),
        issued=instant(stand.updated_at),
        performer=frame.observer,
        interpretation=mean_interpretation(sitting),
        note=notes.mean_notes(sitting.reading_set, sitting.evaluation),
        body_site=codes.BODY_SITE.get(result.site),
        method=common_method(sitting),
        device=device,
        derived_from=[Reference(reference=f"Observation/{frame.set_id}-r{index}") for index in sitting.counted] or None,
        component=[
            *mean_components(result),
            *components_beside(sitting.evaluation),
            *cuff_component(common_cuff(sitting)),
        ],
    )


def mean_components(result: Result) -> list[Component]:
    """The two means as reported, and the number of readings behind them. Source: [USC]."""
    return [
        Component(
            code=codes.MEAN_SYSTOLIC,
            value_quantity=quantity(result.systolic_mmhg, codes.MMHG_UNIT, codes.MMHG_CODE),
        ),
        Component(
            code=codes.MEAN_DIASTOLIC,
            value_quantity=quantity(result.diastolic_mmhg, codes.MMHG_UNIT, codes.MMHG_CODE),
        ),
        Component(
            code=codes.READINGS_COUNTED,
            value_quantity=quantity(result.readings_counted, codes.COUNT_UNIT, codes.COUNT_CODE),
        ),
    ]


def mean_interpretation(sitting: StoredSitting) -> list[CodeableConcept] | None:
    """One concept for each guideline that has a category, and one more when every reading that counts is low.

    What a test of standing is called says nothing of the mean before standing: it stands with the falls.
    """
    low = is_low(sitting.evaluation, sitting.counted)
    labels = sitting.evaluation.categories if sitting.evaluation.orthostatic is None else []
    concepts = [guideline_concept(category, has_scale=not low) for category in labels if category.category is not None]
    return ([LOW_RESULT] if low else []) + concepts or None


def guideline_concept(category: Category, *, has_scale: bool) -> CodeableConcept:
    """What one guideline calls the result: the general scale where it fits, its own word, and both in text."""
    word = category.category or ""
    scale = codes.CATEGORY_INTERPRETATION.get(word) if has_scale else None
    own = own_coding(category)
    return CodeableConcept(coding=[own] if scale is None else [scale, own], text=notes.category_text(category))


def is_low(evaluation: Evaluation, counted: list[int]) -> bool:
    """True when a rule called every reading that counts low, so that the mean is low as well."""
    low = {finding.reading for finding in evaluation.findings if finding.code == "low-reading"}
    return bool(counted) and low.issuperset(counted)


def common_method(sitting: StoredSitting) -> CodeableConcept | None:
    """The method of the readings that count, when it is known and one."""
    methods = {sitting.reading_set.readings[index].method for index in sitting.counted}
    return codes.METHOD.get(methods.pop() or "") if len(methods) == 1 else None


def mean_device(sitting: StoredSitting, frame: Frame) -> DeviceLink:
    """The device of the readings that count, when it is one."""
    links = [frame.devices[index] for index in sitting.counted]
    return links[0] if links and all(link == links[0] for link in links) else (None, None)
