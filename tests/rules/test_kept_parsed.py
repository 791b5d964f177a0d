"""Rule files that were parsed before: the same rules to the byte, and nothing that is not of these very files."""

from __future__ import annotations

import sys
from importlib.resources import files
from pathlib import Path
from typing import Any

import msgspec
import pytest

from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.rules import catalog, kept_parsed
from quietcuff.rules.kept_parsed import KeptParsed, digest_of

RULES = files("quietcuff.rules")


@pytest.fixture
def file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(sys, "dont_write_bytecode", False)
    return tmp_path / "parsed-rules.json"


def read(file: Path) -> Rulebook:
    kept = KeptParsed(file)
    rulebook = catalog.read_rulebook(RULES, kept.decode)
    kept.save()
    return rulebook


class Parser:
    """The parser of TOML, which counts what it is given."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.parsed: list[bytes] = []
        self._decode = msgspec.toml.decode
        monkeypatch.setattr(msgspec.toml, "decode", self)

    def __call__(self, raw: bytes, **options: Any) -> Any:
        self.parsed.append(raw)
        return self._decode(raw, **options)


def test_what_was_kept_is_what_the_files_say(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    plain = catalog.read_rulebook(RULES)
    first = read(file)
    parser = Parser(monkeypatch)
    again = read(file)
    assert parser.parsed == []
    # Written out, 1 and 1.0 differ.
    assert repr(again) == repr(first) == repr(plain)
    assert msgspec.json.encode(again) == msgspec.json.encode(plain)
    assert again.digest == plain.digest


def cut(raw: bytes) -> bytes:
    return raw[: len(raw) // 2]


def another_figure(raw: bytes) -> bytes:
    assert raw.count(b'"systolic_mmhg":140') > 0
    return raw.replace(b'"systolic_mmhg":140', b'"systolic_mmhg":180')


def not_json(raw: bytes) -> bytes:
    return f"{digest_of(b'no JSON')}\nno JSON".encode()


@pytest.mark.parametrize("damage", [cut, another_figure, not_json, lambda raw: b"", lambda raw: b"\xff\n"])
def test_what_is_not_as_it_was_written_is_parsed_and_mended(file: Path, damage: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    plain = repr(read(file))
    written = file.read_bytes()
    file.write_bytes(damage(written))
    parser = Parser(monkeypatch)
    assert repr(read(file)) == plain
    assert parser.parsed
    assert file.read_bytes() == written


def test_a_file_that_changed_is_parsed_and_its_older_state_is_dropped(file: Path) -> None:
    before, after = b'id = "first"\n', b'id = "other"\n'
    for raw in (before, after):
        kept = KeptParsed(file)
        assert kept.decode(raw, type=dict[str, str]) == msgspec.toml.decode(raw)
        kept.save()
    assert set(kept_parsed.read_kept(file)) == {digest_of(after)}


def test_what_no_longer_fits_its_type_is_told_as_the_file_says_it(file: Path) -> None:
    raw = b"most = 3\n"
    kept = KeptParsed(file)
    kept.decode(raw, type=dict[str, int])
    kept.save()
    with pytest.raises(msgspec.ValidationError, match="Expected `str`, got `int`"):
        KeptParsed(file).decode(raw, type=dict[str, str])


def test_a_folder_that_cannot_be_written_to_does_no_harm(file: Path) -> None:
    away = file.parent / "away" / file.name
    assert read(away).digest == read(file).digest
    assert not away.parent.exists()
    away.mkdir(parents=True)
    assert read(away).digest == read(file).digest
    assert list(away.parent.iterdir()) == [away]


def test_nothing_is_kept_where_python_keeps_no_bytecode(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "dont_write_bytecode", True)
    read(file)
    assert list(file.parent.iterdir()) == []
