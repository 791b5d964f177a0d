"""Values of FHIR elements: amounts with their units, times, codes and remarks."""

from __future__ import annotations

from datetime import timedelta
from decimal import ROUND_HALF_EVEN, Decimal
from typing import Any

from quietcuff.core.model.readings import Reading
from quietcuff.decode.fhir import codes as codes
from quietcuff.decode.fhir.bundle import Found, Values, as_list, as_object, codes_of, refusal
from quietcuff.decode.fhir.codes import Code
from quietcuff.decode.fhir.parties import struct_of
from quietcuff.decode.gatt.values import HUNDREDTH, to_mmhg
from quietcuff.terminology.systems import UCUM

# Beyond this no pressure and no rate is converted, so that no arithmetic can overflow.
HIGHEST_READ = 10_000
LONGEST_MEASUREMENT = timedelta(minutes=10)


def pressure_of(quantity: Values, found: Found, *steps: str | int) -> float:
    """A pressure in mmHg, with at most two decimals.

    Raises:
        Refusal: not a number in mmHg or kPa, or in one by code and the other by words.
    """
    unit = unit_of(quantity, codes.PRESSURE_UNITS, codes.PRESSURE_WORDS, found, *steps)
    if unit is None:
        raise refusal(found.at(*steps, "code"), "unknown-unit", "UCUM mm[Hg] or kPa.")
    mmhg = to_mmhg(number_of(quantity, found, *steps), unit)
    return float(mmhg.quantize(HUNDREDTH, ROUND_HALF_EVEN))


def pulse_of(quantity: Values, found: Found, *steps: str | int) -> float:
    """A rate per minute, with at most two decimals.

    Raises:
        Refusal: not a number per minute.
    """
    if unit_of(quantity, codes.PULSE_UNITS, codes.PULSE_WORDS, found, *steps) is None:
        raise refusal(found.at(*steps, "code"), "unknown-unit", "UCUM /min.")
    return float(number_of(quantity, found, *steps).quantize(HUNDREDTH, ROUND_HALF_EVEN))


def unit_of(quantity: Values, by_code: dict[Code, str], by_word: dict[str, str], found: Found, *steps: str | int) -> str | None:
    """The unit of a Quantity: by its code, or by its words where there is no code. Words of no unit that is known say nothing.

    Raises:
        Refusal: a code beside the words of another unit: which of the two is wrong, nobody can tell.
    """
    code, system, word = quantity.get("code"), quantity.get("system", UCUM), str(quantity.get("unit"))
    if code is None:
        return by_word.get(word)
    unit, told = by_code.get((str(system), str(code))), codes.UNIT_WORDS.get(word.strip().lower())
    if unit is not None and told not in (None, unit):
        raise refusal(found.at(*steps, "unit"), "unknown-unit", "One unit, by a code and its own name.")
    return unit


def number_of(quantity: Values, found: Found, *steps: str | int) -> Decimal:
    """The number of a Quantity, exactly as it was written.

    Raises:
        Refusal: none, one with a comparator, or one beyond all measure.
    """
    value = quantity.get("value")
    if quantity.get("comparator") is not None:
        raise refusal(found.at(*steps, "comparator"), "off-scale", "A measured value, not a bound of one.")
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise refusal(found.at(*steps, "value"), "missing" if value is None else "wrong-type", "A number.")
    if not -HIGHEST_READ < value < HIGHEST_READ:
        raise refusal(found.at(*steps, "value"), "out-of-range", "A number from 0 to 400.")
    return Decimal(repr(value))


def time_of(found: Found) -> tuple[str, object]:
    """The end of the measurement as it was written, and where that stands.

    Raises:
        Refusal: no time, or a time that is no single measurement's.
    """
    for name in ("effectiveDateTime", "effectiveInstant"):
        if name in found.values:
            return found.at(name), found.values[name]
    period = found.values.get("effectivePeriod")
    if not isinstance(period, dict):
        raise refusal(found.at("effectiveDateTime"), "missing", "The time of the measurement, with seconds and zone.")
    ends = {"start": period.get("start"), "end": period.get("end")}
    moments = {
        name: struct_of(Reading, {"taken_at": text}, {"": found.at("effectivePeriod", name)}).taken_at
        for name, text in ends.items()
    }
    if not timedelta(0) <= moments["end"] - moments["start"] <= LONGEST_MEASUREMENT:
        detail = "One measurement, of at most ten minutes; means of longer times are not readings."
        raise refusal(found.at("effectivePeriod"), "not-a-reading", detail)
    return found.at("effectivePeriod", "end"), ends["end"]


def extensions_of(found: Found, url: str) -> list[Values]:
    """The extensions of a kind."""
    return [one for one in map(as_object, as_list(found.values.get("extension"))) if one.get("url") == url]


def remarks_of(found: Found) -> set[str]:
    """The sentences of the notes."""
    texts = [as_object(note).get("text") for note in as_list(found.values.get("note"))]
    return {f"{part.removesuffix('.')}." for text in texts if isinstance(text, str) for part in text.split(". ")}


def first_of(table: dict[Code, Any], concept: object, otherwise: Any) -> Any:
    """The meaning of the first code that is understood."""
    return next((table[code] for code in codes_of(concept) if code in table), otherwise)
