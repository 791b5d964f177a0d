"""Parameters that narrow a list of sittings by what they say of themselves, as they are told and as they are read."""

from __future__ import annotations

from quietcuff.api.operations import OperationParameter
from quietcuff.core.model.errors import Fault, NotAcceptable
from quietcuff.storage.rows.reading_sets import SetMarks
from quietcuff.storage.schema.codes import SETTING, STATE

IDENTIFIER = "system|value, or a value in whatever system."
CHOICES = {"setting": SETTING.words, "state": STATE.words}
MARKS = {
    "observer": f"Only sittings that were measured by this one, as the set says: {IDENTIFIER}",
    "location": f"Only sittings at this place: {IDENTIFIER}",
    "protocol": "Only sittings evaluated by this protocol, by its id.",
    "setting": f"Only sittings in this setting: {', '.join(CHOICES['setting'])}.",
    "state": f"Only sittings in this state: {', '.join(CHOICES['state'])}.",
    "finding": "Only sittings with a finding of this code in their newest evaluation.",
    "label": "Only sittings that are called so in their newest evaluation: guideline|category, or a category of any.",
}


def mark_schema(name: str) -> dict[str, object]:
    return {"type": "string", "enum": list(CHOICES[name])} if name in CHOICES else {"type": "string", "minLength": 1}


MARK_PARAMETERS = tuple(
    OperationParameter(name=name, within="query", schema=mark_schema(name), description=text) for name, text in MARKS.items()
)


def marks_of(asked: dict[str, str]) -> SetMarks:
    """The parameters that narrow a list by what sittings say of themselves.

    Raises:
        NotAcceptable: empty, or none of the words that there are; all of them are named.
    """
    faults = []
    for name in (name for name in MARKS if name in asked):
        if name in CHOICES and asked[name] not in CHOICES[name]:
            faults.append(Fault(parameter=name, code="unknown-code", detail=f"One of {', '.join(CHOICES[name])}."))
        elif not asked[name]:
            faults.append(Fault(parameter=name, code="value-missing", detail=MARKS[name]))
    if faults:
        raise NotAcceptable(faults)
    label = asked.get("label")
    said = {name: asked.get(name) for name in MARKS if name != "label"}
    return SetMarks(**said, label=None if label is None else label.replace("|", ":"))
