"""Loads the rule files once and checks that they hold together; every error names file and place.

Nothing is loaded at import. ``load_rulebook()`` reads the files that stand beside this module.
"""

from __future__ import annotations

import hashlib
import string
from importlib.resources import files
from importlib.resources.abc import Traversable
from typing import Any, TypeVar

import msgspec

from quietcuff import __version__
from quietcuff.core.errors import RulesNotLoadable
from quietcuff.core.rules import (
    CuffTable,
    Defaults,
    Effect,
    Guideline,
    Limits,
    Protocol,
    Row,
    Rulebook,
    Source,
    Wording,
)

T = TypeVar("T")


def load_rulebook(folder: Traversable | None = None) -> Rulebook:
    """Read, check and freeze every rule file in ``folder`` (by default the ones that come with the package).

    Raises:
        RulesNotLoadable: a file is malformed, or names a source, protocol, guideline or wording that is not there.
    """
    root = folder if folder is not None else files("quietcuff.rules")
    protocols, protocol_digests = read_folder(root / "protocols", Protocol)
    guidelines, guideline_digests = read_folder(root / "guidelines", Guideline)
    cuffs, cuff_digests = read_folder(root / "cuffs", CuffTable)
    digests = protocol_digests | guideline_digests | cuff_digests
    tables: dict[str, Any] = {}
    for name, kind in FILES.items():
        raw = (root / f"{name}.toml").read_bytes()
        tables[name] = decode_toml(raw, kind, f"{name}.toml")
        digests[name] = digest_of(raw)
    rulebook = Rulebook(
        protocols=protocols,
        guidelines=guidelines,
        cuffs=cuffs,
        **tables,
        digests=digests,
        digest=digest_of("\n".join(f"{name} {digest}" for name, digest in sorted(digests.items())).encode()),
        engine_version=__version__,
    )
    check_rulebook(rulebook)
    return rulebook


FILES: dict[str, Any] = {
    "effects": dict[str, Effect],
    "limits": Limits,
    "defaults": Defaults,
    "wording": Wording,
    "sources": dict[str, Source],
}


def read_folder(folder: Traversable, kind: type[T]) -> tuple[dict[str, T], dict[str, str]]:
    """Every TOML file of a folder by the id in it, which must be its file name; and the digest of each file."""
    rules: dict[str, T] = {}
    digests: dict[str, str] = {}
    for path in sorted(folder.iterdir(), key=lambda entry: entry.name):
        if not path.name.endswith(".toml"):
            continue
        raw = path.read_bytes()
        rule = decode_toml(raw, kind, path.name)
        name = path.name.removesuffix(".toml")
        if rule.id != name:
            raise RulesNotLoadable(f"{path.name}: id must be the file's name")
        rules[name] = rule
        digests[name] = digest_of(raw)
    return rules, digests


def decode_toml(raw: bytes, kind: Any, where: str) -> Any:
    """One file as its type; msgspec's message holds the path to the fault."""
    try:
        return msgspec.toml.decode(raw, type=kind)
    except msgspec.DecodeError as exc:
        raise RulesNotLoadable(f"{where}: {exc}") from exc


def digest_of(raw: bytes) -> str:
    """The SHA-256 of some bytes, as it is written in answers."""
    return "sha256:" + hashlib.sha256(raw).hexdigest()


def check_rulebook(rulebook: Rulebook) -> None:
    """Everything that one file alone cannot tell: names that must resolve, edges that must rise, words to fill in."""
    check_sources(rulebook)
    for protocol in rulebook.protocols.values():
        check_protocol(protocol)
    for guideline in rulebook.guidelines.values():
        check_guideline(guideline)
    for table in rulebook.cuffs.values():
        for smaller, larger in zip(table.sizes, table.sizes[1:], strict=False):
            expect(smaller.to_cm < larger.from_cm, f"cuffs/{table.id}.toml: {larger.size} overlaps {smaller.size}")
    check_defaults(rulebook)
    for code, finding in rulebook.wording.finding.items():
        expect(
            all(name != "" for _, name, _, _ in string.Formatter().parse(finding.message)),
            f"wording.toml: finding.{code} has a place without a name",
        )
    for code in rulebook.effects:
        expect(code in rulebook.wording.finding, f"effects.toml: {code} has no wording")


def check_protocol(protocol: Protocol) -> None:
    """Counts that can be met, and differences that a rule needs."""
    where = f"protocols/{protocol.id}.toml"
    expect(1 <= protocol.minimum <= protocol.planned <= protocol.most, f"{where}: minimum, planned, most must not fall")
    expect(protocol.extra.kind == "none" or protocol.extra.mmhg > 0, f"{where}: extra.mmhg is missing")
    expect(
        protocol.counts != "stable-pair" or protocol.extra.kind == "stable-pair",
        f"{where}: counts stable-pair needs extra stable-pair",
    )


def check_guideline(guideline: Guideline) -> None:
    """The lowest row has no edge, edges rise row by row, and categories are named once."""
    where = f"guidelines/{guideline.id}.toml"
    expect(len(guideline.rows) >= 2, f"{where}: at least two rows")
    lowest = guideline.rows[0]
    expect(lowest.systolic_mmhg is None and lowest.diastolic_mmhg is None, f"{where}: rows[0] must have no edge")
    names = [row.category for row in guideline.rows]
    expect(len(set(names)) == len(names), f"{where}: a category is named twice")
    for pressure in ("systolic_mmhg", "diastolic_mmhg"):
        edges = [(place, edge_of(row, pressure)) for place, row in enumerate(guideline.rows)]
        reached = [(place, edge) for place, edge in edges if edge is not None]
        expect(bool(reached), f"{where}: no row has a {pressure} edge")
        for (_, below), (place, edge) in zip(reached, reached[1:], strict=False):
            expect(below < edge, f"{where}: rows[{place}].{pressure} must be above the row before")


def edge_of(row: Row, pressure: str) -> float | None:
    """The edge of a row in one pressure, or None."""
    value: float | None = getattr(row, pressure)
    return value


def check_defaults(rulebook: Rulebook) -> None:
    """Defaults name what is there."""
    for name in ("first_visit", "follow_up", "unattended", "expecting", "under_18", "home"):
        situation = getattr(rulebook.defaults, name)
        expect(situation.protocol in rulebook.protocols, f"defaults.toml: {name}.protocol is not a protocol")
        for guideline in situation.guidelines:
            expect(guideline in rulebook.guidelines, f"defaults.toml: {name}.guidelines: {guideline} is not a guideline")
    expect(rulebook.defaults.cuffs in rulebook.cuffs, "defaults.toml: cuffs is not a cuff table")


def check_sources(rulebook: Rulebook) -> None:
    """Every source named anywhere stands in sources.toml, and every threshold of limits.toml has one."""
    for field in Limits.__struct_fields__:
        expect(field == "source" or field in rulebook.limits.source, f"limits.toml: {field} has no source")
    for place, key in named_sources(msgspec.to_builtins(rulebook), ""):
        expect(key in rulebook.sources, f"{place}: source {key} is not in sources.toml")


def named_sources(value: Any, place: str) -> list[tuple[str, str]]:
    """Every source key in a tree of builtins, with its place."""
    found: list[tuple[str, str]] = []
    if isinstance(value, dict):
        for name, item in value.items():
            here = f"{place}/{name}"
            if name in ("source", "confirm_source") and isinstance(item, list):
                found += [(here, key) for key in item]
            elif name == "source" and isinstance(item, dict):
                found += [(f"{here}/{entry}", key) for entry, keys in item.items() for key in keys]
            else:
                found += named_sources(item, here)
    elif isinstance(value, list):
        for index, item in enumerate(value):
            found += named_sources(item, f"{place}/{index}")
    return found


def expect(holds: bool, message: str) -> None:
    """Stop loading when something does not hold."""
    if not holds:
        raise RulesNotLoadable(message)
