"""The cuff that a reading was taken with, as a component: the name of its size and the range that is printed on it.

Base R4 binds the component values of vital signs to units, so that validators warn of any concept there; it is the form that
readers of such panels look for. Sources: [R4] bp; [VIT] the codes of sizes.
"""

from __future__ import annotations

from quietcuff.core.model.readings import Cuff
from quietcuff.core.sitting.cuffs import size_name
from quietcuff.fhir import codes
from quietcuff.fhir.model.resources import CodeableConcept, Component
from quietcuff.fhir.resources.sitting import StoredSitting
from quietcuff.storage.schema.codes import CUFF_SIZE

OTHER = "other"
# Other words for a size that has a name.
SAME_SIZE = {"paediatric": "pediatric", "child": "pediatric"}


def cuff_component(cuff: Cuff | None) -> list[Component]:
    """The size of a cuff; nothing where neither its name nor its range are known."""
    text = cuff_text(cuff)
    if cuff is None or text is None:
        return []
    coding = codes.CUFF_SIZES.get(named_size(cuff) or "")
    value = CodeableConcept(coding=None if coding is None else [coding], text=text)
    return [Component(code=codes.CUFF_SIZE, value_codeable_concept=value)]


def named_size(cuff: Cuff) -> str | None:
    """The name of a size, if its words are one. Other words are free text, which does not leave the service."""
    name = size_name(cuff.size or "")
    name = SAME_SIZE.get(name, name)
    return name if name in CUFF_SIZE.words and name != OTHER else None


def cuff_text(cuff: Cuff | None) -> str | None:
    """What is known of a size, such as: large adult, 35-44 cm."""
    if cuff is None:
        return None
    name = named_size(cuff)
    printed = None if cuff.range_cm is None else "{}-{} cm".format(*cuff.range_cm)
    return ", ".join(part for part in (name and name.replace("-", " "), printed) if part) or None


def told_size(cuff: Cuff | None) -> str | None:
    """The name under which a search finds the size: ``other`` where it has a range alone; None where no size is shown."""
    return None if cuff is None or cuff_text(cuff) is None else named_size(cuff) or OTHER


def common_cuff(sitting: StoredSitting) -> Cuff | None:
    """The cuff of the readings that count, where the same is known of each, however it is spelt."""
    readings = sitting.reading_set.readings
    cuffs = [sitting.cuff_of(readings[index]) for index in sitting.counted]
    return cuffs[0] if len({cuff_text(cuff) for cuff in cuffs}) == 1 else None
