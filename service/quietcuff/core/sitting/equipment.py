"""Equipment of a reading: devices that block a result, the method of a device, and the fit of a cuff on an arm.

A cuff is judged by its mark, by its printed range, or by a general table where neither is known.
"""

from __future__ import annotations

from typing import Literal

import msgspec

from quietcuff.core.model.readings import Cuff, Device, Reading
from quietcuff.core.rulebook.rulebook import CuffSize, CuffTable

Block = Literal["device-cuffless", "device-finger", "device-wrist", "neonate"]

METHOD_OF_KIND = {"automatic": "oscillometric", "semi-automatic": "oscillometric", "auscultatory": "auscultatory"}


def device_block(device: Device | None, site: str, *, wrist_counts: bool = True) -> Block | None:
    """The reason why no reading of this device can count, or None.

    A wrist device counts only where it is known to be validated and the protocol allows it. Source: [AHA25] for cuffless
    devices; the rest are the project's decisions.
    """
    if device is not None:
        if device.kind == "cuffless":
            return "device-cuffless"
        if device.site == "finger":
            return "device-finger"
    trusted = wrist_counts and device is not None and device.validated == "yes"
    if not trusted and is_wrist(device, site):
        return "device-wrist"
    return None


def is_wrist(device: Device | None, site: str) -> bool:
    """True where a reading was taken at the wrist."""
    return site.endswith("wrist") or (device is not None and device.site == "wrist")


def method_of(reading: Reading, device: Device | None) -> str:
    """The recorded method, else that of the kind of device, else not-recorded."""
    if reading.method is not None:
        return reading.method
    if device is None or device.kind is None:
        return "not-recorded"
    return METHOD_OF_KIND.get(device.kind, "not-recorded")


FitCode = Literal["cuff-too-small", "cuff-too-large", "cuff-outside-range", "cuff-doubtful"]


class Fit(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """The fit of a cuff.

    ``known_wrong`` means by its own mark or range: readings with it never count. By the general table alone a misfit only
    warns. ``not_recorded`` names what is missing to judge.
    """

    code: FitCode | None = None
    known_wrong: bool = False
    not_recorded: tuple[str, ...] = ()


FITS = Fit()


def judge_fit(cuff: Cuff | None, arm_cm: float | None, table: CuffTable) -> Fit:
    """The fit of a cuff on an arm of ``arm_cm`` mid-arm circumference.

    A mark outside its range, or an arm outside the printed range, is known wrong; the printed range wins over any table. A mark
    seen to fit is better evidence than a tape: with an arm measured outside the range the fit is doubtful, not wrong.
    Source: [CUFF, DECISION]; a 38 cm arm in a cuff printed 27 to 34 gives cuff-too-small, known wrong.
    """
    missing: tuple[str, ...] = () if arm_cm is not None else ("arm_circumference_cm",)
    if cuff is None:
        return Fit(not_recorded=("cuff", *missing))
    by_range = compare(arm_cm, cuff.range_cm)
    if cuff.mark_within_range == "no":
        return Fit(code=by_range or "cuff-outside-range", known_wrong=True)
    if by_range is not None:
        seen_to_fit = cuff.mark_within_range == "yes"
        return Fit(code="cuff-doubtful" if seen_to_fit else by_range, known_wrong=not seen_to_fit)
    if cuff.mark_within_range == "yes" or (arm_cm is not None and cuff.range_cm is not None):
        return FITS
    named = find_size(cuff.size, table)
    if arm_cm is None or named is None:
        return Fit(not_recorded=missing or ("cuff.range_cm",))
    return Fit(code=compare(arm_cm, (named.from_cm, named.to_cm)))


def compare(arm_cm: float | None, range_cm: tuple[float, float] | None) -> FitCode | None:
    """True where the cuff is too small or too large for the arm; None when it fits or cannot be told."""
    if arm_cm is None or range_cm is None:
        return None
    if arm_cm > range_cm[1]:
        return "cuff-too-small"
    if arm_cm < range_cm[0]:
        return "cuff-too-large"
    return None


def find_size(size: str | None, table: CuffTable) -> CuffSize | None:
    """The table's size of that name, however it is spelt: "Large adult" is large-adult."""
    if size is None:
        return None
    return next((entry for entry in table.sizes if entry.size == size_name(size)), None)


def size_name(size: str) -> str:
    """The words of a size, however they are spelt, as one name: "Large adult" is large-adult."""
    return "-".join(size.lower().replace("_", " ").replace("-", " ").split())


def next_size(arm_cm: float | None, worn: Cuff | None, fit: Fit, table: CuffTable) -> str | None:
    """The size to use next on an arm; None when it is not known, or the table has none.

    A cuff worn that fits stays. One that is wrong is never offered again by its own name: its printed range decides, and the
    neighbour in the table is named. A 32.5 cm arm in an "adult" cuff printed 22 to 32 gives large-adult.
    """
    if worn is not None and worn.size is not None and fit == FITS:
        return size_name(worn.size)
    if arm_cm is None or worn is None or not fit.known_wrong:
        return choose_size(arm_cm, table)
    name = None if worn.size is None else size_name(worn.size)
    others = [entry for entry in table.sizes if entry.size != name]
    if fit.code == "cuff-too-large":
        return next((entry.size for entry in reversed(others) if entry.from_cm <= arm_cm), None)
    if fit.code == "cuff-too-small":
        return next((entry.size for entry in others if arm_cm <= entry.to_cm), None)
    chosen = choose_size(arm_cm, table)
    return None if chosen == name else chosen


def is_above_table(arm_cm: float | None, table: CuffTable) -> bool:
    """True where the arm is larger than the largest cuff of the table is made for."""
    return arm_cm is not None and arm_cm > table.sizes[-1].to_cm


def choose_size(arm_cm: float | None, table: CuffTable) -> str | None:
    """The size for an arm, the larger when it lies between two; None when the arm is unknown or outside the table."""
    if arm_cm is None or arm_cm < table.sizes[0].from_cm:
        return None
    return next((entry.size for entry in table.sizes if arm_cm <= entry.to_cm), None)
