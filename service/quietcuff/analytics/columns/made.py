"""A kernel's tables, made from a loaded rulebook and what a batch names: every limit is the rulebook's own."""

from __future__ import annotations

from dataclasses import dataclass

import msgspec
import numpy as np

from quietcuff.analytics.columns import guidelines as guideline_table
from quietcuff.analytics.columns import protocols as protocol_table
from quietcuff.analytics.columns.codes import NOTHING, Array
from quietcuff.analytics.columns.columns import BatchColumns
from quietcuff.analytics.columns.guidelines import GuidelineTable
from quietcuff.analytics.columns.protocols import BOTH, BOTH_AT_FIRST, ProtocolTable
from quietcuff.core.model.errors import Fault, NotAcceptable
from quietcuff.core.rulebook.rulebook import Limits, Rulebook, Situation

UNKNOWN = -2


class OtherRules(msgspec.Struct, frozen=True, kw_only=True):
    """Other rules over the same sets: a protocol and guidelines in place of those named, None where each set keeps its own."""

    protocol: str | None = None
    guidelines: tuple[str, ...] | None = None


@dataclass(frozen=True, slots=True)
class RuleTables:
    """The tables of one rulebook."""

    rulebook: Rulebook
    protocols: ProtocolTable
    guidelines: GuidelineTable


@dataclass(frozen=True, slots=True)
class BatchRules:
    """The tables of one rulebook for one batch. ``combinations`` are the lists of guidelines that are met, a row a list, padded
    with -1; ``names_of`` and the like lead from a batch's word to its list, -1 where nothing is named."""

    rules: RuleTables
    limits: Limits
    protocols: ProtocolTable
    guidelines: GuidelineTable
    protocol_of: Array
    situation_protocol: Array
    situation_names: Array
    situation_for_adults: Array
    protocol_names: Array
    names_of: Array
    default_names_of: Array
    default_unknown: Array
    combinations: Array
    combination_unknown: Array
    both_arms: int = BOTH
    both_at_first: int = BOTH_AT_FIRST


def tabulate(rulebook: Rulebook) -> RuleTables:
    """The tables of a rulebook."""
    return RuleTables(
        rulebook=rulebook,
        protocols=protocol_table.tabulate(rulebook.protocols),
        guidelines=guideline_table.tabulate(rulebook.guidelines),
    )


def check_what_if(what_if: OtherRules, rulebook: Rulebook) -> None:
    """Refuse names that are not in the rulebook.

    Raises:
        NotAcceptable: with every such name's place, and what is accepted.
    """
    faults = []
    if what_if.protocol is not None and what_if.protocol not in rulebook.protocols:
        accepted = ", ".join(sorted(rulebook.protocols))
        faults.append(Fault(pointer="/protocol", code="unknown-code", detail=f"Accepted: {accepted}."))
    for place, name in enumerate(what_if.guidelines or ()):
        if name not in rulebook.guidelines:
            accepted = ", ".join(sorted(rulebook.guidelines))
            faults.append(Fault(pointer=f"/guidelines/{place}", code="unknown-code", detail=f"Accepted: {accepted}."))
    if faults:
        raise NotAcceptable(faults)


def make(rules: RuleTables, columns: BatchColumns, what_if: OtherRules) -> BatchRules:
    """What the sets of a batch are ruled by."""
    book = rules.rulebook
    defaults = book.defaults
    at_home = msgspec.structs.replace(defaults.home, guidelines=defaults.expecting.guidelines)
    situations = [
        defaults.first_visit,
        defaults.follow_up,
        defaults.unattended,
        defaults.expecting,
        defaults.home,
        at_home,
        defaults.ambulatory,
    ]
    lists = GuidelineLists(rules.guidelines.ids)
    asked = None if what_if.guidelines is None else list(what_if.guidelines)
    names = [asked or each for each in columns.names]
    places = {name: place for place, name in enumerate(rules.protocols.ids)}
    named = [places.get(what_if.protocol or name, UNKNOWN) for name in columns.protocols]
    unnamed = NOTHING if what_if.protocol is None else places[what_if.protocol]
    names_of = np.array([lists.place(each) for each in names] + [NOTHING if asked is None else lists.place(asked)])
    default_places = [lists.place(each, repeats=True) for each in columns.default_names]
    protocol_names = np.array([lists.place(each) if each else NOTHING for each in rules.protocols.guidelines])
    situation_names = np.array([lists.place(each.guidelines) for each in situations])
    combinations, unknown = lists.table()
    return BatchRules(
        rules=rules,
        limits=book.limits,
        protocols=rules.protocols,
        guidelines=rules.guidelines,
        protocol_of=np.array([*named, unnamed]),
        situation_protocol=np.array([places[each.protocol] for each in situations]),
        situation_names=situation_names,
        situation_for_adults=np.array([is_adults(each, defaults.follow_up) for each in situations]),
        protocol_names=protocol_names,
        names_of=names_of,
        default_names_of=np.array([*default_places, NOTHING]),
        default_unknown=np.array([*(bool(unknown[place]) for place in default_places), False]),
        combinations=combinations,
        combination_unknown=unknown,
    )


def is_adults(situation: Situation, follow_up: Situation) -> bool:
    """Whether a clinic's own choice may stand in for a situation's guidelines."""
    return situation.guidelines == follow_up.guidelines


class GuidelineLists:
    """The lists of guidelines that are met, each once."""

    def __init__(self, ids: list[str]) -> None:
        self.ids = {name: place for place, name in enumerate(ids)}
        self.met: dict[tuple[tuple[str, ...], bool], int] = {}

    def place(self, names: list[str], *, repeats: bool = False) -> int:
        """The place of a list; ``repeats`` where a name may stand in it twice."""
        return self.met.setdefault((tuple(names), repeats), len(self.met))

    def table(self) -> tuple[Array, Array]:
        """Every list as places of guidelines, padded; and which of them cannot rule."""
        longest = max(len(names) for names, _ in self.met)
        rows = [[self.ids.get(name, UNKNOWN) for name in names] for names, _ in self.met]
        table = np.array([row + [NOTHING] * (longest - len(row)) for row in rows], dtype=np.int64)
        repeated = [len(set(names)) < len(names) and not repeats for names, repeats in self.met]
        return table, (table == UNKNOWN).any(axis=1) | np.array(repeated)
