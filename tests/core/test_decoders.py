"""Decoders that are made when they are first used: the same as msgspec's own from then on."""

from __future__ import annotations

import msgspec
import pytest

from quietcuff.core.model.decoders import DocumentDecoder


class Invented(msgspec.Struct):
    """An invented document."""

    figure: int


def test_a_decoder_is_made_when_it_is_first_used_and_once() -> None:
    decoder = DocumentDecoder(Invented)
    assert "decode" not in vars(decoder)
    assert decoder.decode(b'{"figure":1}') == msgspec.json.decode('{"figure":1}', type=Invented) == Invented(1)
    assert decoder.decode is decoder.decode
    with pytest.raises(msgspec.ValidationError, match=r"Expected `int`, got `str` - at `\$.figure`"):
        decoder.decode(b'{"figure":"1"}')
