"""UCUM codes of units, their words for people, and the one factor between two of them."""

from __future__ import annotations

from decimal import Decimal

MMHG, MMHG_CODE = "mmHg", "mm[Hg]"  # [R4] bp, fixed code
KPA, KPA_CODE = "kPa", "kPa"
PER_MINUTE, PER_MINUTE_CODE = "/min", "/min"  # [R4] heartrate, fixed code
BEATS_PER_MINUTE_CODE = "{beats}/min"  # the Personal Health Device guide
PERCENT, PERCENT_CODE = "%", "%"  # the unit that US Core fixes for percentiles of children
COUNT, COUNT_CODE = "1", "1"  # the unit of a bare number

# ISO 80000-4, conventional millimetre of mercury. UCUM cuts it to
# 133.322 Pa, which moves no pressure up to 400 mmHg by more than 0.0012 mmHg.
PASCALS_PER_MMHG = Decimal("133.322387415")
