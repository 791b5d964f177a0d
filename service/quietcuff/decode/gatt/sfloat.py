"""The 16-bit decimal numbers that medical devices send. Source: [PHD] FLOATS page; IEEE 11073-20601 SFLOAT-Type."""

from __future__ import annotations

from decimal import Decimal
from typing import Literal

Special = Literal["nan", "pos_inf", "neg_inf", "nres", "rfu"]

# Whole words: with another exponent the same mantissa is a number.
SPECIALS: dict[int, Special] = {0x07FF: "nan", 0x07FE: "pos_inf", 0x0802: "neg_inf", 0x0800: "nres", 0x0801: "rfu"}
EXPONENT_BITS, MANTISSA_BITS = 4, 12


def read_sfloat(word: int) -> Decimal | Special:
    """The number m·10^e of a word, e its high 4 and m its low 12 bits, both two's complement; or what it says instead.

    The exponent stays: 0xE460 is 11.20, with two decimals. Example: 0xF0AD is 17.3.
    """
    special = SPECIALS.get(word)
    if special is not None:
        return special
    mantissa = signed(word & 0x0FFF, MANTISSA_BITS)
    exponent = signed(word >> MANTISSA_BITS, EXPONENT_BITS)
    return Decimal((mantissa < 0, tuple(int(digit) for digit in str(abs(mantissa))), exponent))


def signed(value: int, bits: int) -> int:
    """An unsigned number of so many bits as two's complement."""
    return value - (1 << bits) if value >> (bits - 1) else value
