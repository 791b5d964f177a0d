"""The body of a FHIR operation: a Parameters resource to the same pairs of name and text that a query holds. Source: [R4]."""

from __future__ import annotations

from typing import Literal

import msgspec

from quietcuff.core.model.decoders import DocumentDecoder
from quietcuff.core.model.errors import Fault, NotAcceptable, NotReadable

ACCEPTED = "A Parameters resource, each parameter with a name and one value of type string, instant, code, number or reference."


class Pointed(msgspec.Struct, frozen=True):
    """A reference."""

    reference: str


class Part(msgspec.Struct, frozen=True, rename="camel"):
    """One parameter."""

    name: str
    value_string: str | None = None
    value_instant: str | None = None
    value_date_time: str | None = None
    value_date: str | None = None
    value_code: str | None = None
    value_uri: str | None = None
    value_canonical: str | None = None
    value_integer: int | None = None
    value_positive_int: int | None = None
    value_reference: Pointed | None = None

    @property
    def text(self) -> str | None:
        """Its one value; None where there is none or are several."""
        values = [str(value) for value in msgspec.structs.astuple(self)[1:-1] if value is not None]
        if self.value_reference is not None:
            values.append(self.value_reference.reference)
        return values[0] if len(values) == 1 else None


class Parameters(msgspec.Struct, frozen=True, rename="camel"):
    """The resource. Its type is a field here, for a tag may be left out where there is but one."""

    resource_type: Literal["Parameters"]
    parameter: list[Part] = []


DECODER = DocumentDecoder(Parameters)


def read_parameters(body: bytes) -> list[tuple[str, str]]:
    """The parameters of a body, in their order.

    Raises:
        NotReadable: not one JSON text.
        NotAcceptable: JSON, but no Parameters resource, or a parameter without exactly one value.
    """
    try:
        parts = DECODER.decode(body).parameter
    except msgspec.ValidationError as error:
        raise NotAcceptable.of(pointer="", code="not-acceptable", detail=ACCEPTED) from error
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise NotReadable(Fault(pointer="", code="not-json", detail=ACCEPTED)) from error
    pairs = [(part.name, part.text) for part in parts]
    found = [(name, text) for name, text in pairs if text is not None]
    if len(found) < len(pairs):
        places = [place for place, (_, text) in enumerate(pairs) if text is None]
        raise NotAcceptable([Fault(pointer=f"/parameter/{place}", code="missing", detail=ACCEPTED) for place in places])
    return found
