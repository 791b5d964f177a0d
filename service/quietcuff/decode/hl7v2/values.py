"""The values of HL7 v2 observations: one number, or systolic and diastolic packed into one, and their units.

Source: [HL7-2.5.1] chapter 2, NM, SN, ST and NA, from memory; packed text: [DECISION].
"""

from __future__ import annotations

import re
from decimal import Decimal

from quietcuff.decode.hl7v2 import codes as codes
from quietcuff.decode.hl7v2.syntax import Segment, Text, part

NUMBER = re.compile(r"[+-]?[0-9]{1,9}(?:\.[0-9]{0,9})?|\.[0-9]{1,9}")
PACKED = re.compile(r"([0-9]{1,3}(?:\.[0-9]{1,4})?) ?/ ?([0-9]{1,3}(?:\.[0-9]{1,4})?)(?: ?([A-Za-z(][A-Za-z()\[\] ]{0,15}))?")
HUNDREDTH = Decimal("0.01")
MOST = 400


class Refusal(Exception):
    """Ends the reading of a row at its first fault."""

    def __init__(self, field: int, code: str, detail: str) -> None:
        super().__init__(detail)
        self.field = field
        self.code = code
        self.detail = detail


def single_value(kind: str, parts: list[str]) -> str:
    """The one number of NM, SN or text.

    Raises:
        Refusal: it is none.
    """
    said = parts[0]
    if kind == "SN":
        if parts[0] not in ("", "="):
            raise Refusal(5, "off-scale", "A number, without a comparison.")
        if len(parts) > 2 and any(parts[2:]):
            raise Refusal(5, "not-a-number", "One number.")
        said = part(parts, 2)
    elif kind not in ("NM", "ST", "TX", "NA", "FT"):
        raise Refusal(2, "value-type", "NM, SN, ST, TX or NA.")
    elif any(parts[1:]):
        raise Refusal(5, "not-a-number", "One number.")
    if said[:1] in ("<", ">"):
        raise Refusal(5, "off-scale", "A number, without a comparison.")
    if not NUMBER.fullmatch(said):
        raise Refusal(5, "not-a-number", "A number in decimal digits.")
    return said


def packed_values(kind: str, parts: list[str]) -> tuple[list[str], str]:
    """Systolic and diastolic out of one value, such as ``161/102``, and a unit written behind them.

    Raises:
        Refusal: it is no such pair.
    """
    if kind == "SN" and parts[0] not in ("", "="):
        raise Refusal(5, "off-scale", "Numbers, without a comparison.")
    if kind == "SN" and part(parts, 3) == "/":
        said = f"{part(parts, 2)}/{part(parts, 4)}"
    elif kind == "NA":
        said = "/".join(each for each in parts[:2])
    elif kind in ("ST", "TX", "FT", "NM"):
        said = parts[0]
    else:
        raise Refusal(2, "value-type", "ST, TX, SN or NA.")
    found = PACKED.fullmatch(said)
    if found is None:
        raise Refusal(5, "not-two-pressures", "Systolic and diastolic, such as 161/102.")
    return [found[1], found[2]], found[3] or ""


def unit_of(kind: str, text: Text, segment: Segment, packed: str) -> str:
    """The unit that OBX-6 says. Pulses have but one, so that it may be left out.

    Raises:
        Refusal: none of a pressure, or one that is not of this measure.
    """
    accepted = [codes.PER_MINUTE] if kind == "pulse" else [codes.MMHG, codes.KPA]
    parts = [each.lower() for each in text.parts(segment, 6)]
    codings = [(part(parts, at), part(parts, at + 1)) for at in (1, 4)]
    said = [code for code, _ in codings if code in codes.UNITS] + [name for _, name in codings if is_unit_name(name)]
    said += [packed.lower().strip()] if packed else []
    if not said and not any(parts) and kind == "pulse":
        return codes.PER_MINUTE
    if not said and not any(parts):
        raise Refusal(6, "unit-missing", "mm[Hg] or kPa.")
    found = {codes.UNITS.get(each) for each in said}
    for unit in accepted:
        if found == {unit}:
            return unit
    raise Refusal(6, "unknown-unit", f"{' or '.join(accepted)}, by one code and its own name.")


def is_unit_name(name: str) -> bool:
    """Whether a text is the name of a unit: of one that is known, or one of 11073, known or not. Other text says nothing."""
    return name in codes.UNITS or name.startswith("mdc_")


def in_unit(said: str, unit: str) -> Decimal:
    """A value in mmHg or per minute: 18.4 kPa gives 138.01.

    Raises:
        Refusal: out of range, or finer than a hundredth.
    """
    number = Decimal(said)
    if unit == codes.KPA:
        number = (number * codes.MMHG_PER_KPA).quantize(HUNDREDTH)
    if not 0 <= number <= MOST:
        raise Refusal(5, "out-of-range", f"From 0 to {MOST} mmHg or per minute.")
    if number != number.quantize(HUNDREDTH):
        raise Refusal(5, "too-many-decimals", "At most two decimals.")
    return number
