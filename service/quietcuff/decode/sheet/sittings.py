"""Rows brought together into sittings: by the sitting that they name, or by person and by times that are near each other."""

from __future__ import annotations

from collections import defaultdict
from datetime import timedelta
from itertools import pairwise

from quietcuff.decode.sheet.header import Header, fault
from quietcuff.decode.sheet.rows import SheetRow

OTHER_PERSON = "One person in all rows of a sitting: row {row} names another."
HELD = "Row {row} is of the same person and its time cannot be told, so it may belong here: mend that row."
PERSON_NEEDED = "The person's identifier: without it, nobody can tell which sitting the row belongs to."

Group = list[SheetRow]
Person = tuple[str, str]


def group_rows(rows: list[SheetRow], header: Header, gap: timedelta) -> tuple[list[Group], bool]:
    """The rows of each sitting, in order of time; and True where there are rows of which nobody can tell whose they are. Each
    of these stands alone.

    A row whose time cannot be told holds back what it might belong to: the sittings of its person that are told by time.
    """
    groups, others = by_sitting(rows)
    by_person: dict[Person, Group] = defaultdict(list)
    lost: Group = []
    for row in others:
        if row.person is None:
            lost.append(row)
        else:
            by_person[row.person].append(row)
    for of_person in by_person.values():
        groups += by_time(of_person, header, gap)
    for row in lost:
        if row.is_whole:
            row.faults.setdefault("person", fault(row.number, header.shown("person"), "missing", PERSON_NEEDED))
    return sorted([*groups, *([row] for row in lost)], key=_order), bool(lost)


def by_sitting(rows: list[SheetRow]) -> tuple[list[Group], Group]:
    """The rows that name their sitting, sitting by sitting; and all others."""
    named: dict[tuple[object, str], Group] = defaultdict(list)
    others: Group = []
    for row in rows:
        if row.sitting is None:
            others.append(row)
        else:
            named[(row.said.get("sitting_system"), row.sitting)].append(row)
    for group in named.values():
        _tell_other_person(group)
    return list(named.values()), others


def by_time(rows: Group, header: Header, gap: timedelta) -> list[Group]:
    """The sittings of one person: a new one begins where more than the gap lies between two readings, and with another
    setting."""
    timed = sorted((row for row in rows if row.at is not None), key=lambda row: (_setting(row), row.at))
    untimed = [row for row in rows if row.at is None]
    groups = [[row] for row in timed[:1]]
    for earlier, later in pairwise(timed):
        if earlier.at is None or later.at is None:
            continue
        if later.at - earlier.at > gap or _setting(earlier) != _setting(later):
            groups.append([])
        groups[-1].append(later)
    for group in groups if untimed else ():
        first, held = group[0], untimed[0]
        first.faults.setdefault("", fault(first.number, header.shown("taken_at"), "held-back", HELD.format(row=held.number)))
    return groups + [[row] for row in untimed]


def _setting(row: SheetRow) -> str:
    return str(row.said.get("setting", ""))


def _tell_other_person(group: Group) -> None:
    first = group[0]
    for row in group[1:]:
        if row.person != first.person and "person" in row.said:
            column = row.heard.get("person", "person")
            row.faults["person"] = fault(row.number, column, "other-person", OTHER_PERSON.format(row=first.number))


def _order(group: Group) -> tuple[bool, float, int]:
    moments = [row.at.timestamp() for row in group if row.at is not None]
    return not moments, min(moments, default=0.0), min(row.number for row in group)
