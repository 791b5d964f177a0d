"""Load the rule files once and check that they fit together. Every fault is told at once, with its file and place.

Nothing is loaded at import. ``load_rulebook()`` reads the files beside this module, and parses those that changed.
"""

from __future__ import annotations

import string
from collections.abc import Callable
from functools import cache
from importlib.resources import files
from importlib.resources.abc import Traversable
from typing import Any, get_args

import msgspec

from quietcuff import __version__
from quietcuff.core.model.errors import RulesNotLoadable
from quietcuff.core.model.evaluation import Reason
from quietcuff.core.model.readings import Context, Facts
from quietcuff.core.record.sheet import COLUMNS
from quietcuff.core.rulebook.protocols import Recording, StandingTest
from quietcuff.core.rulebook.references import HeightReference, PressureReference, ScreeningReference
from quietcuff.core.rulebook.rulebook import (
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
from quietcuff.core.rulebook.variability import ByAge, ChangeTest, Variability
from quietcuff.rules.faults import all_at_once, expect, faults_in, noted
from quietcuff.rules.kept_parsed import KeptParsed, beside_bytecode, digest_of

Decode = Callable[..., Any]
PRESSURES = ("systolic_mmhg", "diastolic_mmhg")


def load_rulebook(folder: Traversable | None = None) -> Rulebook:
    """The rules of every file in ``folder``, by default those of this package, which are read once for a process.

    Raises:
        RulesNotLoadable: a file is malformed, or names a source, protocol, guideline or wording that is not there.
    """
    return own_rulebook() if folder is None else read_rulebook(folder)


@cache
def own_rulebook() -> Rulebook:
    """The rules of the files of this package."""
    kept = KeptParsed(beside_bytecode(__file__))
    rulebook = read_rulebook(files("quietcuff.rules"), kept.decode)
    kept.save()
    return rulebook


def read_rulebook(root: Traversable, decode: Decode = msgspec.toml.decode) -> Rulebook:
    """Read, check and freeze every rule file in a folder.

    Raises:
        RulesNotLoadable: a file is malformed, or names a source, protocol, guideline or wording that is not there.
    """
    digests: dict[str, str] = {}
    # First what each file says for itself: how they fit together can only be told of those that can be read.
    with all_at_once():
        folders: dict[str, Any] = {
            name: read_folder(root.joinpath(*path), kind, digests, decode) for name, (path, kind) in FOLDERS.items()
        }
        tables: dict[str, Any] = {}
        for name, kind in FILES.items():
            with noted():
                raw = read_file(root / f"{name}.toml", f"{name}.toml")
                tables[name] = decode_toml(raw, kind, f"{name}.toml", decode)
                digests[name] = digest_of(raw)
    rulebook = Rulebook(
        **folders,
        **tables,
        digests=digests,
        # Sorted by name, so that the rulebook's digest depends on the files alone and not on the order of loading.
        digest=digest_of("\n".join(f"{name} {digest}" for name, digest in sorted(digests.items())).encode()),
        engine_version=__version__,
    )
    with all_at_once():
        check_rulebook(rulebook)
    return rulebook


SITUATIONS = ("first_visit", "follow_up", "unattended", "expecting", "under_13", "under_18", "home", "ambulatory")
FOLDERS: dict[str, tuple[tuple[str, ...], Any]] = {
    "protocols": (("protocols",), Protocol),
    "guidelines": (("guidelines",), Guideline),
    "cuffs": (("cuffs",), CuffTable),
    "heights": (("references", "heights"), HeightReference),
    "pressures": (("references", "pressures"), PressureReference),
    "screening": (("references", "screening"), ScreeningReference),
}
FILES: dict[str, Any] = {
    "effects": dict[str, Effect],
    "limits": Limits,
    "variability": Variability,
    "drift": ChangeTest,
    "defaults": Defaults,
    "wording": Wording,
    "sources": dict[str, Source],
}


def read_folder(folder: Traversable, kind: Any, digests: dict[str, str], decode: Decode) -> dict[str, Any]:
    """The rules of a folder's TOML files by id, which must be the file's name; the digest of each file is added."""
    rules: dict[str, Any] = {}
    # Sorted, because file systems list in different orders and the same rules must give the same digest.
    for path in sorted(folder.iterdir(), key=lambda entry: entry.name):
        if not path.name.endswith(".toml"):
            continue
        with noted():
            raw = read_file(path, path.name)
            rule = decode_toml(raw, kind, path.name, decode)
            name = path.name.removesuffix(".toml")
            expect(rule.id == name, f"{path.name}: id must be the file's name")
            rules[name] = rule
            digests[name] = digest_of(raw)
    return rules


def decode_toml(raw: bytes, kind: Any, where: str, decode: Decode = msgspec.toml.decode) -> Any:
    """One file as its type.

    Raises:
        RulesNotLoadable: it is none; every fault is named with its path, a line each.
    """
    try:
        return decode(raw, type=kind)
    except msgspec.ValidationError as exc:
        faults = faults_in(msgspec.toml.decode(raw), kind)
        raise RulesNotLoadable("\n".join(f"{where}: {fault}" for fault in faults)) from exc
    except (msgspec.DecodeError, UnicodeDecodeError) as exc:
        raise RulesNotLoadable(f"{where}: {exc}") from exc


def read_file(path: Traversable, where: str) -> bytes:
    """The bytes of one rule file.

    Raises:
        RulesNotLoadable: there is none, or it cannot be read.
    """
    try:
        return path.read_bytes()
    except OSError as exc:
        raise RulesNotLoadable(f"{where}: cannot be read") from exc


def check_rulebook(rulebook: Rulebook) -> None:
    """Check what no single file can show: names that must exist, edges that must rise, words that must be there."""
    check_sources(rulebook)
    for protocol in rulebook.protocols.values():
        check_protocol(protocol)
        check_kind(protocol)
        for name in protocol.guidelines:
            expect(name in rulebook.guidelines, f"protocols/{protocol.id}.toml: {name} is not a guideline")
    for guideline in rulebook.guidelines.values():
        check_guideline(guideline)
        check_bands(guideline)
        named = guideline.reference
        expect(named is None or named in rulebook.pressures, f"guidelines/{guideline.id}.toml: reference is not one")
    for reference in rulebook.pressures.values():
        check_reference(reference, rulebook)
    for table in rulebook.cuffs.values():
        for smaller, larger in zip(table.sizes, table.sizes[1:], strict=False):
            expect(smaller.to_cm < larger.from_cm, f"cuffs/{table.id}.toml: {larger.size} overlaps {smaller.size}")
    for screening in rulebook.screening.values():
        ages = [row.age_years for row in screening.rows]
        expect(bool(ages) and ages == sorted(set(ages)), f"references/screening/{screening.id}.toml: ages must rise")
    check_defaults(rulebook)
    check_variability(rulebook.variability)
    check_change_test(rulebook.drift)
    check_wording(rulebook)


def check_wording(rulebook: Rulebook) -> None:
    """Check that every code that needs words has them, and that their places have names."""
    words = rulebook.wording
    for code, finding in words.finding.items():
        expect(
            # A place is filled by its name; one without a name would fail only when a sitting has that finding.
            all(name != "" for _, name, _, _ in string.Formatter().parse(finding.message)),
            f"wording.toml: finding.{code} has a place without a name",
        )
    for code in rulebook.effects:
        expect(code in words.finding, f"effects.toml: {code} has no wording")
    for code in (*get_args(Reason), *(code for code, effect in rulebook.effects.items() if effect.correctable)):
        expect(code in words.reason, f"wording.toml: reason.{code} is missing")
    for name in (*COLUMNS, *Context.__struct_fields__, *Facts.__struct_fields__):
        expect(name in words.sheet, f"wording.toml: sheet.{name} is missing")


def check_protocol(protocol: Protocol) -> None:
    """Check that the counts of a protocol can be met, and that its rules have the differences they need."""
    where = f"protocols/{protocol.id}.toml"
    expect(1 <= protocol.minimum <= protocol.planned <= protocol.most, f"{where}: minimum, planned, most must not fall")
    expect(protocol.extra.kind == "none" or protocol.extra.mmhg > 0, f"{where}: extra.mmhg is missing")
    expect(
        protocol.counts != "stable-pair" or protocol.extra.kind == "stable-pair",
        f"{where}: counts stable-pair needs extra stable-pair",
    )


def check_kind(protocol: Protocol) -> None:
    """Check that a series and a standing test have their own section, and no other protocol has one."""
    where = f"protocols/{protocol.id}.toml"
    expect((protocol.counts == "series") == (protocol.series is not None), f"{where}: counts series needs [series]")
    expect((protocol.counts == "baseline") == (protocol.standing is not None), f"{where}: counts baseline needs [standing]")
    if isinstance(protocol.series, Recording):
        percents = [each.percent for each in protocol.series.dipping]
        rising = [percent for percent in percents[1:] if percent is not None]
        expect(percents[:1] == [None], f"{where}: series.dipping[0] must have no percent")
        expect(len(rising) == len(percents) - 1 and rising == sorted(set(rising)), f"{where}: series.dipping must rise")
    if protocol.standing is not None:
        names = [name for name in StandingTest.__struct_fields__ if name != "source"]
        expect(set(names) == set(protocol.standing.source), f"{where}: every figure of [standing] needs its source")


def check_guideline(guideline: Guideline) -> None:
    """Check a guideline's limit for hypertension and its rising rows; for percentiles, its reference and their rows."""
    where = f"guidelines/{guideline.id}.toml"
    expect(guideline.hypertension is not None or guideline.measures != "pressure", f"{where}: hypertension is missing")
    if guideline.measures == "percentile":
        edges = [row.percentile.z if row.percentile is not None else None for row in guideline.rows]
        rising = [edge for edge in edges[1:] if edge is not None]
        expect(edges[:1] == [None] and len(rising) == len(edges) - 1, f"{where}: every row but the lowest needs a percentile")
        expect(rising == sorted(set(rising)), f"{where}: percentiles must rise")
        expect(guideline.reference is not None, f"{where}: reference is missing")
        expect(guideline.hypertension_from in [row.category for row in guideline.rows], f"{where}: hypertension_from is no row")
    else:
        check_rows(guideline.rows, where)


def check_bands(guideline: Guideline) -> None:
    """Check the tables outside the office: one for each of the guideline's settings, with the same categories in each part."""
    where = f"guidelines/{guideline.id}.toml"
    for place, bands in enumerate(guideline.out_of_office):
        check_rows(bands.rows, f"{where}: out_of_office[{place}]")
        expect((bands.setting == "home") == (bands.part == "home"), f"{where}: out_of_office[{place}]: part and setting differ")
    for setting in ("home", "ambulatory"):
        tables = [bands for bands in guideline.out_of_office if bands.setting == setting]
        deciding = any(bands.decides for bands in tables)
        expect(deciding == (setting in guideline.population.settings), f"{where}: {setting} needs a table that decides")
        kinds = {tuple(row.category for row in bands.rows) for bands in tables}
        expect(len(kinds) < 2, f"{where}: {setting}: the same categories in every part")
        expect(len({bands.part for bands in tables}) == len(tables), f"{where}: {setting}: each part once")


def check_reference(reference: PressureReference, rulebook: Rulebook) -> None:
    """Check a reference: an equation for each sex and pressure, and the heights that it needs."""
    where = f"references/pressures/{reference.id}.toml"
    expect(reference.height_reference in rulebook.heights, f"{where}: height_reference is not a height reference")
    pairs = {(equation.sex, equation.pressure) for equation in reference.equations}
    expect(len(pairs) == len(reference.equations) == 4, f"{where}: one equation for each sex and pressure")


def check_rows(rows: list[Row], where: str) -> None:
    """Check that the lowest row has no edge, that edges rise row by row, and that no category is named twice."""
    expect(len(rows) >= 2, f"{where}: at least two rows")
    has_edge = any(edge_of(row, pressure) is not None for row in rows[:1] for pressure in PRESSURES)
    expect(not has_edge, f"{where}: rows[0] must have no edge")
    names = [row.category for row in rows]
    expect(len(set(names)) == len(names), f"{where}: a category is named twice")
    for pressure in PRESSURES:
        edges = [(place, edge_of(row, pressure)) for place, row in enumerate(rows)]
        reached = [(place, edge) for place, edge in edges if edge is not None]
        expect(bool(reached), f"{where}: no row has a {pressure} edge")
        for (_, below), (place, edge) in zip(reached, reached[1:], strict=False):
            expect(below < edge, f"{where}: rows[{place}].{pressure} must be above the row before")


def edge_of(row: Row, pressure: str) -> float | None:
    """The edge of a row in one pressure, or None."""
    value: float | None = getattr(row, pressure)
    return value


def check_defaults(rulebook: Rulebook) -> None:
    """Check that the defaults name things that exist."""
    for name in SITUATIONS:
        situation = getattr(rulebook.defaults, name)
        expect(situation.protocol in rulebook.protocols, f"defaults.toml: {name}.protocol is not a protocol")
        for guideline in situation.guidelines:
            expect(guideline in rulebook.guidelines, f"defaults.toml: {name}.guidelines: {guideline} is not a guideline")
    expect(rulebook.defaults.cuffs in rulebook.cuffs, "defaults.toml: cuffs is not a cuff table")
    expect(rulebook.defaults.screening in rulebook.screening, "defaults.toml: screening is not a screening reference")


def check_change_test(rules: ChangeTest) -> None:
    """Check that the limits begin at two visits and rise with the number of visits."""
    visits = [each.visits for each in rules.limits]
    expect(visits[:1] == [2] and visits == sorted(set(visits)), "drift.toml: limits: visits must rise from 2")
    for name in ("still", "moving"):
        values = [getattr(each, name) for each in rules.limits]
        expect(values == sorted(values), f"drift.toml: limits: {name} must not fall")
    expect(all(each.moving <= each.still for each in rules.limits), "drift.toml: limits: moving must not be above still")


def check_variability(variability: Variability) -> None:
    """Check one entry between visits for every setting and group, and that figures by age are in order."""
    for setting, groups in (
        ("office", ("untreated", "treated-or-older")),
        ("home", ("everyone",)),
        ("ambulatory", ("everyone",)),
    ):
        found = [entry.group for entry in variability.between.values() if entry.setting == setting]
        expect(sorted(found) == sorted(groups), f"variability.toml: between: {setting} needs {' and '.join(groups)}")
    older = variability.older
    expect(older.from_years < older.to_years, "variability.toml: older: from_years is below to_years")
    for name, prior in variability.priors.items():
        for field in prior.__struct_fields__:
            figures = getattr(prior, field)
            if isinstance(figures, ByAge):
                in_order = figures.at_years == sorted(set(figures.at_years)) and len(figures.at_years) == len(figures.value) > 0
                expect(in_order, f"variability.toml: priors: {name}: {field} has one value for each age, in order")


def check_sources(rulebook: Rulebook) -> None:
    """Check that every named source stands in sources.toml, and that every threshold of limits.toml has a source."""
    for field in Limits.__struct_fields__:
        expect(field == "source" or field in rulebook.limits.source, f"limits.toml: {field} has no source")
    # Every value is searched, so that a rule added later is checked without being listed here.
    for place, key in named_sources(msgspec.to_builtins(rulebook), ""):
        expect(key in rulebook.sources, f"{place}: source {key} is not in sources.toml")


def named_sources(value: Any, place: str) -> list[tuple[str, str]]:
    """Every source key in a tree of builtins, with its place."""
    found: list[tuple[str, str]] = []
    if isinstance(value, dict):
        for name, item in value.items():
            here = f"{place}/{name}"
            if name in ("source", "confirm_source") and isinstance(item, list):
                expect(bool(item) or name != "source", f"{here}: names no source")
                found += [(here, key) for key in item]
            elif name == "source" and isinstance(item, dict):
                found += [(f"{here}/{entry}", key) for entry, keys in item.items() for key in keys]
            else:
                found += named_sources(item, here)
    elif isinstance(value, list):
        for index, item in enumerate(value):
            found += named_sources(item, f"{place}/{index}")
    return found
