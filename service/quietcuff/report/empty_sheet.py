"""An empty sheet of readings: a line of explanation for each column, and the headers in plain words."""

from __future__ import annotations

import csv
import io

from msgspec import inspect

from quietcuff.core.model.fields import BIRTH_DATE_PATTERN
from quietcuff.core.model.readings import Context
from quietcuff.decode.sheet.columns import COLUMNS, HELPERS, PRESSURES, kind_of, plain
from quietcuff.words.sheet_words import title_of
from quietcuff.words.speaker import Speaker

NEEDED = ("person", "person_system", "taken_at")
USUAL = (
    *(
        "sitting",
        "person",
        "person_system",
        "birth_date",
        "sex",
        "taken_at",
        "systolic_mmhg",
        "diastolic_mmhg",
        "pulse_per_min",
    ),
    *("site", "position", "method", "setting", "visit", *Context.__struct_fields__),
    *("arm_circumference_cm", "device_kind", "device_validated", "cuff_size", "cuff_from_cm", "cuff_to_cm"),
)
NOT_SHOWN = ("closed", "unit", "pressure_kpa", *PRESSURES, "pressure", *(f"{name}_kpa" for name in PRESSURES))


def columns_of(*, every: bool) -> list[str]:
    """The columns of an empty sheet: those that most sheets need, or all."""
    return [name for name in COLUMNS if name not in NOT_SHOWN] if every else list(USUAL)


def empty_sheet(speaker: Speaker, *, every: bool, separator: str = ",") -> str:
    """The lines of explanation, then the headers, as a spreadsheet program opens them."""
    columns = columns_of(every=every)
    told = speaker.language.template
    text = io.StringIO(newline="")
    writer = csv.writer(text, delimiter=separator, lineterminator="\r\n")
    minutes = speaker.rulebook.limits.sitting_gap_minutes
    writer.writerow([f"# {told['begin']}"])
    writer.writerow([f"# {told['together'].format(minutes=minutes)}"])
    for name in columns:
        writer.writerow([f"# {explained(speaker, name)}"])
    writer.writerow([title_of(speaker.language, name) or name for name in columns])
    return text.getvalue()


def explained(speaker: Speaker, name: str) -> str:
    """One column: its header, our name of it, whether it is needed, what is asked, and what a cell may say."""
    told = speaker.language.template
    needed = f", {told['needed']}" if name in NEEDED else ""
    asked = speaker.language.question.get(name, "")
    return " ".join(
        part for part in (f"{title_of(speaker.language, name)} ({name}{needed}):", asked, accepted(speaker, name)) if part
    )


def accepted(speaker: Speaker, name: str) -> str:
    """The values that a cell of the column may hold."""
    told = speaker.language.template
    if name in HELPERS:
        return told[{"day": "day", "time": "clock"}.get(name, "pair")]
    if name.endswith("_system"):
        return told["system"]
    kind = kind_of(name)
    if isinstance(kind, inspect.FloatType | inspect.IntType):
        low, high = (kind.ge if kind.ge is not None else kind.gt), (kind.le if kind.le is not None else kind.lt)
        return told["whole" if isinstance(kind, inspect.IntType) else "number"].format(low=low, high=high)
    if isinstance(kind, inspect.LiteralType):
        return told["codes"].format(codes=", ".join(speaker.value(str(code)) for code in kind.values))
    if isinstance(kind, inspect.ListType):
        return _several(speaker, plain(kind.item_type))
    if isinstance(kind, inspect.StrType):
        return told["birth" if kind.pattern == BIRTH_DATE_PATTERN else "text"]
    return told[{inspect.BoolType: "flag", inspect.DateTimeType: "moment"}.get(type(kind), "day")]


def _several(speaker: Speaker, kind: inspect.Type) -> str:
    codes = [speaker.value(str(code)) for code in kind.values] if isinstance(kind, inspect.LiteralType) else []
    return speaker.language.template["several"].format(codes=", ".join(codes or speaker.rulebook.guidelines))
