"""The cuff that a reading was taken with, as a component: the name of its size and the range that is printed on it.

Base R4 binds the component values of vital signs to units, so that validators warn of any concept there; it is the form that
readers of such panels look for. Sources: [R4] bp; [VIT] the codes of sizes.
"""

from __future__ import annotations

from functools import lru_cache

from quietcuff.core.model.readings import Cuff
from quietcuff.core.record.sitting_version import cuff_text, named_size
from quietcuff.fhir import codes
from quietcuff.fhir.model.ready import ENCODER
from quietcuff.fhir.model.resources import CodeableConcept, Component


def cuff_component(cuff: Cuff | None) -> Component | None:
    """The size of a cuff; nothing where neither its name nor its range are known."""
    text = cuff_text(cuff)
    if cuff is None or text is None:
        return None
    coding = codes.CUFF_SIZES.get(named_size(cuff) or "")
    value = CodeableConcept(coding=None if coding is None else [coding], text=text)
    return Component(code=codes.CUFF_SIZE, value_codeable_concept=value)


@lru_cache(maxsize=1024)
def cuff_part(cuff: Cuff | None) -> bytes:
    """The same in JSON, as it follows other components."""
    component = cuff_component(cuff)
    return b"" if component is None else b"," + ENCODER.encode(component)
