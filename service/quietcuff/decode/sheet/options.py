"""What a sheet does not say itself: the zone of its times, the order of its dates, its own names of columns and values."""

from __future__ import annotations

from typing import Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import msgspec

from quietcuff.core.model.errors import Fault, NotAcceptable
from quietcuff.decode.faults import find_faults
from quietcuff.decode.sheet.columns import COLUMNS

DateOrder = Literal["year-month-day", "day-month-year", "month-day-year"]
DATE_ORDERS: tuple[DateOrder, ...] = ("year-month-day", "day-month-year", "month-day-year")
ZONE = "A time zone by its name, such as Europe/Vienna."
KNOWN_COLUMN = "The name of a column that there is: quietcuff template prints all of them."


class SheetOptions(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A mapping of a sheet. ``columns`` lead from its headers to our names, ``same`` says what holds in every row, ``values``
    by our name of a column what its cells mean; ``ignore`` are headers that are left out."""

    zone: str | None = None
    dates: DateOrder = "year-month-day"
    ignore: list[str] = []
    columns: dict[str, str] = {}
    same: dict[str, str] = {}
    values: dict[str, dict[str, str]] = {}

    @property
    def time_zone(self) -> ZoneInfo | None:
        """The stated zone."""
        return None if self.zone is None else ZoneInfo(self.zone)


def read_options(raw: bytes, form: Literal["toml", "json"]) -> SheetOptions:
    """A mapping from its bytes.

    Raises:
        NotAcceptable: not of the form, with an unknown zone, or naming a column that there is not; every fault is named.
    """
    decode = msgspec.toml.decode if form == "toml" else msgspec.json.decode
    try:
        value = decode(raw)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        fault = Fault(pointer="", code=f"not-{form}", detail=f"A mapping in {form.upper()}, in UTF-8.")
        raise NotAcceptable([fault]) from error
    return options_of(value)


def options_of(value: object) -> SheetOptions:
    """A mapping from plain values.

    Raises:
        NotAcceptable: as above.
    """
    try:
        options = msgspec.convert(value, SheetOptions)
    except msgspec.ValidationError as error:
        raise NotAcceptable(find_faults(value, SheetOptions)) from error
    faults = list(_faults_of(options))
    if faults:
        raise NotAcceptable(faults)
    return options


def _faults_of(options: SheetOptions) -> list[Fault]:
    faults = []
    if options.zone is not None and not _is_zone(options.zone):
        faults.append(Fault(pointer="/zone", code="unknown-zone", detail=ZONE))
    for section, names in (("columns", options.columns.values()), ("same", options.same), ("values", options.values)):
        faults += [
            Fault(pointer=f"/{section}", code="unknown-column", detail=KNOWN_COLUMN) for name in names if name not in COLUMNS
        ]
    return faults


def _is_zone(name: str) -> bool:
    try:
        ZoneInfo(name)
    # The name of a folder of zones, or a path.
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return False
    return True
