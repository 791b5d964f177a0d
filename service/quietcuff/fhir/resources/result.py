"""The mean of a sitting as an Observation of its own, never coded as a reading.

Source: [USC] us-core-average-blood-pressure, whose base is the plain Observation.

What stands beside the two means of a result: means of parts of a series, falls on standing, a child's percentiles.

A 24-hour mean has LOINC codes of its own. For everything else here no published code is known to us: the component says what it
is in text, and its value is still a quantity with a unit. Source: [VIT] for the 24-hour codes.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache

from quietcuff.core.model.evaluation import Category, Evaluation, Orthostatic, PartMean, Percentile, Result, Series
from quietcuff.core.model.readings import Reading
from quietcuff.core.record.sitting_version import attempts, common_cuff, common_place, have_failed, period_shown
from quietcuff.fhir import codes
from quietcuff.fhir.model.ready import ENCODER, element, ready
from quietcuff.fhir.model.resources import CodeableConcept, Coding, Component, Observation, Period, Quantity
from quietcuff.fhir.resources import notes
from quietcuff.fhir.resources.cuff import cuff_part
from quietcuff.fhir.resources.device import WrittenDevice
from quietcuff.fhir.resources.own_extensions import result_extensions
from quietcuff.fhir.resources.readings import (
    ABSENT,
    BODY_SITE_ELEMENT,
    METHOD_ELEMENT,
    OBSERVATION,
    quantity,
    stand_elements,
)
from quietcuff.fhir.resources.sitting import BODY_POSITION, ResourceState, SharedElements, SittingVersion
from quietcuff.terminology import units
from quietcuff.terminology.systems import UCUM


def components_beside(evaluation: Evaluation) -> list[Component]:
    """The further components of a result, in a fixed order; most sittings have none."""
    found: list[Component] = []
    if evaluation.series is not None:
        found += series_components(evaluation.series)
    if evaluation.orthostatic is not None:
        found += standing_components(evaluation.orthostatic, evaluation.categories)
    if evaluation.percentile is not None:
        found += percentile_components(evaluation.percentile)
    return found


def is_24_hour_mean(evaluation: Evaluation) -> bool:
    """True where the result holds a mean of 24 hours, so that it has the code of that panel too."""
    return evaluation.result is not None and evaluation.series is not None and evaluation.series.hours_24 is not None


def series_components(series: Series) -> Iterator[Component]:
    """The means of the parts of a recording or of a home series, as they were classified."""
    yield from pair_of_part(codes.SYSTOLIC_24_HOURS, codes.DIASTOLIC_24_HOURS, series.hours_24)
    for name, mean in (
        ("daytime", series.day),
        ("night-time", series.night),
        ("morning", series.morning),
        ("evening", series.evening),
    ):
        systolic = CodeableConcept(text=f"Systolic blood pressure, {name} mean")
        yield from pair_of_part(systolic, CodeableConcept(text=f"Diastolic blood pressure, {name} mean"), mean)


def pair_of_part(systolic: CodeableConcept, diastolic: CodeableConcept, mean: PartMean | None) -> Iterator[Component]:
    """The two pressures of a part, where it has a mean."""
    if mean is not None:
        yield Component(code=systolic, value_quantity=mmhg(mean.systolic_mmhg))
        yield Component(code=diastolic, value_quantity=mmhg(mean.diastolic_mmhg))


def standing_components(test: Orthostatic, categories: list[Category]) -> Iterator[Component]:
    """Each standing reading against the baseline, a fall being positive, and what the falls are called: that is a label of the
    falls, never of the mean before standing."""
    for drop in test.drops:
        when = f"{drop.minutes:g} min after standing"
        systolic = CodeableConcept(text=f"Fall of systolic blood pressure, {when}")
        yield Component(code=systolic, value_quantity=mmhg(drop.systolic_mmhg))
        diastolic = CodeableConcept(text=f"Fall of diastolic blood pressure, {when}")
        yield Component(code=diastolic, value_quantity=mmhg(drop.diastolic_mmhg))
    for category in categories:
        if category.category is not None:
            name = CodeableConcept(text=f"Test of standing, by {category.guideline}")
            yield Component(
                code=name,
                value_codeable_concept=CodeableConcept(coding=[own_coding(category)], text=notes.category_text(category)),
            )


def percentile_components(percentile: Percentile) -> Iterator[Component]:
    """A child's percentiles with the reference that they are of, and the z of the height with its own."""
    of = f"for sex, age and height ({percentile.reference})"
    for name, value in (("Systolic", percentile.systolic), ("Diastolic", percentile.diastolic)):
        yield Component(
            code=CodeableConcept(text=f"{name} blood pressure percentile {of}"),
            value_quantity=Quantity(value=value, unit=units.PERCENT, system=UCUM, code=units.PERCENT_CODE),
        )
    yield Component(
        code=CodeableConcept(text=f"Height z ({percentile.height_reference})"),
        value_quantity=Quantity(value=percentile.height_z, unit=units.COUNT, system=UCUM, code=units.COUNT_CODE),
    )


def own_coding(category: Category) -> Coding:
    """A guideline's own word for what it calls a value."""
    return Coding(
        system=codes.GUIDELINE_SYSTEM.format(guideline=category.guideline),
        version=category.version,
        code=category.category or "",
        display=category.label,
    )


def mmhg(value: float) -> Quantity:
    """A pressure, or a difference of two, in mmHg."""
    return Quantity(value=value, unit=units.MMHG, system=UCUM, code=units.MMHG_CODE)


MEAN_SYSTOLIC, MEAN_DIASTOLIC = ready(codes.MEAN_SYSTOLIC), ready(codes.MEAN_DIASTOLIC)
READINGS_COUNTED = ready(codes.READINGS_COUNTED)
LOW_RESULT = ENCODER.encode(CodeableConcept(coding=[codes.LOW], text="Low: every reading that counts is low"))
ALONE = b'mean"}]'


def mean_observation(sitting: SittingVersion, frame: SharedElements, stand: ResourceState) -> Observation | None:
    """The Observation of the result, for those who read what it holds."""
    line = mean_line(sitting, frame, stand)
    return None if line is None else OBSERVATION.decode(line)


def mean_line(sitting: SittingVersion, frame: SharedElements, stand: ResourceState) -> bytes | None:
    """The reported result: whole mmHg, how many readings counted and which, and what the guidelines call it; of a sitting that
    closed without one, why there is none.

    None where there is neither.
    """
    reading_set, evaluation = sitting.reading_set, sitting.evaluation
    period, result, counted = period_shown(reading_set, evaluation), evaluation.result, evaluation.counted
    if period is None:
        return None
    spoken_of = attempts(reading_set) if result is None else counted
    given = [reading_set.readings[index] for index in spoken_of]
    contained, device = mean_device(spoken_of, frame)
    began, status, issued = stand_elements("24-hour mean" if is_24_hour_mean(evaluation) else "mean", stand)
    if result is None:
        (position, site), absent = common_place(given), absence(given)
        reason, components = why_absent(tuple(evaluation.blocked_by), absent), absent_components(absent, len(counted))
    else:
        position, site, reason, components = result.position, result.site, b"", result_components(evaluation, result)
    return b"".join(
        (
            frame.begin,
            b"mean",
            began,
            contained,
            frame.extension,
            result_extensions(evaluation, frame.public_url),
            BODY_POSITION[position],
            frame.location,
            b"]",
            frame.identifier,
            ALONE,
            frame.based_on,
            status,
            frame.subject,
            element("effectivePeriod", Period(start=period[0], end=period[1])),
            issued,
            frame.performer,
            reason,
            mean_interpretation(evaluation, is_low=bool(counted) and frame.low.issuperset(counted)),
            notes.mean_notes(frame.setting_note, evaluation),
            BODY_SITE_ELEMENT.get(site, b""),
            common_method(given),
            device,
            derived_from(sitting.set_id, counted),
            components,
            common_cuff_part(sitting, frame, given, spoken_of),
            b"]}",
        )
    )


def derived_from(set_id: str, counted: list[int]) -> bytes:
    """The readings that count, as what the result was made from."""
    begin = f'{{"reference":"Observation/{set_id}-r'
    found = ",".join([f'{begin}{index}"}}' for index in counted])
    return f',"derivedFrom":[{found}]'.encode() if found else b""


def result_components(evaluation: Evaluation, result: Result) -> bytes:
    """The two means as reported, the number of readings behind them, and what stands beside them. Source: [USC]."""
    found = [
        mean_value("systolic", result.systolic_mmhg),
        mean_value("diastolic", result.diastolic_mmhg),
        readings_counted(result.readings_counted),
    ]
    return b"".join(found + [b"," + ENCODER.encode(beside) for beside in components_beside(evaluation)])


# By type too: 120 and 120.0 are equal and are written differently.
@lru_cache(maxsize=2048, typed=True)
def mean_value(name: str, mean_mmhg: float) -> bytes:
    """One of the two means. The systolic begins the components, the other follows."""
    begin, code = (b',"component":[', MEAN_SYSTOLIC) if name == "systolic" else (b",", MEAN_DIASTOLIC)
    return begin + ENCODER.encode(Component(code=code, value_quantity=quantity(mean_mmhg, units.MMHG, units.MMHG_CODE)))


@lru_cache(maxsize=256)
def readings_counted(number: int) -> bytes:
    """The number of readings behind the means, as it follows these."""
    value = quantity(number, units.COUNT, units.COUNT_CODE)
    return b"," + ENCODER.encode(Component(code=READINGS_COUNTED, value_quantity=value))


@lru_cache(maxsize=64)
def absent_components(code: str, counted: int) -> bytes:
    """The two means, each with the reason for its absence, and that no reading counted. Source: [USC] us-core-26."""
    absent = [Component(code=mean, data_absent_reason=ABSENT[code]) for mean in (MEAN_SYSTOLIC, MEAN_DIASTOLIC)]
    return b',"component":[%b,%b' % (*map(ENCODER.encode, absent),) + readings_counted(counted)


def common_cuff_part(sitting: SittingVersion, frame: SharedElements, given: list[Reading], spoken_of: list[int]) -> bytes:
    """The cuff of the readings of the result, where the same is known of each."""
    for reading in given:
        if reading.cuff is not None:
            return cuff_part(common_cuff(sitting, spoken_of))
    return frame.cuff if given else b""


def absence(given: list[Reading]) -> str:
    """The published code: every attempt failed, or the person has a pressure that this sitting does not tell."""
    return "error" if have_failed(given) else "unknown"


@lru_cache(maxsize=256)
def why_absent(blocked_by: tuple[str, ...], code: str) -> bytes:
    """The same with the reasons in words, which an extension holds as codes."""
    words = ", ".join(reason.replace("-", " ") for reason in blocked_by)
    coding = {"error": codes.ABSENT_ERROR, "unknown": codes.ABSENT_UNKNOWN}[code].coding
    return element("dataAbsentReason", CodeableConcept(coding=coding, text=f"No result: {words}" if words else "No result"))


def mean_interpretation(evaluation: Evaluation, *, is_low: bool) -> bytes:
    """One concept for each guideline that has a category, and one more when a rule called every reading that counts low, so
    that the mean is low as well.

    What a test of standing is called says nothing of the mean before standing: it stands with the falls.
    """
    labels = evaluation.categories if evaluation.orthostatic is None else []
    concepts = [LOW_RESULT] if is_low else []
    concepts += [guideline_concept(category, has_scale=not is_low) for category in labels if category.category is not None]
    return b',"interpretation":[%b]' % b",".join(concepts) if concepts else b""


def guideline_concept(category: Category, *, has_scale: bool) -> bytes:
    """One guideline's label of the result: the general scale where it fits, its own word, and both in text."""
    text = notes.category_text(category)
    return label_concept(category.guideline, category.version, category.category or "", category.label, text, has_scale)


# As many labels as there are, each for some reasons why it is provisional.
@lru_cache(maxsize=1024)
def label_concept(guideline: str, version: str, word: str, label: str | None, text: str, has_scale: bool) -> bytes:
    scale = codes.CATEGORY_INTERPRETATION.get(word) if has_scale else None
    own = Coding(system=codes.GUIDELINE_SYSTEM.format(guideline=guideline), version=version, code=word, display=label)
    return ENCODER.encode(CodeableConcept(coding=[own] if scale is None else [scale, own], text=text))


def common_method(given: list[Reading]) -> bytes:
    """The method of the readings of the result, when it is known and one."""
    methods = {reading.method for reading in given}
    return METHOD_ELEMENT.get(methods.pop() or "", b"") if len(methods) == 1 else b""


def mean_device(spoken_of: list[int], frame: SharedElements) -> WrittenDevice:
    """The device of the readings of the result, when it is one."""
    devices = [frame.devices[index] for index in spoken_of]
    return devices[0] if devices and devices.count(devices[0]) == len(devices) else (b"", b"")
