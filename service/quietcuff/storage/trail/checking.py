"""Check the trail: every link, every number and every seal, whether in the database or in a file of seals.

Rows are read lane by lane, in order and in pages. Without keys a link is only compared with its digest, and whoever altered a
row could have made all later links anew. With keys, rows and seals made since the first key cannot be forged.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from datetime import datetime
from typing import Any, Literal

import msgspec
from sqlalchemy import BigInteger, Connection, bindparam, func, select, tuple_

from quietcuff.storage.engine.statements import Query, single
from quietcuff.storage.schema.codes import ACTION, OUTCOME
from quietcuff.storage.schema.trail import trail
from quietcuff.storage.trail.keys import TrailKey
from quietcuff.storage.trail.seals import Seal, seal_link
from quietcuff.storage.trail.trail import FIRST_LINK, TrailEntry, first_form_link_after, link_after

PAGE = 2_000
# At most so many misfits are tried in each other's places, because the trials grow with the cube of their number.
MOST_MOVED = 50

Kind = Literal["altered", "moved", "missing", "cut-off", "not-sealed-so", "not-keyed", "seal"]
WORDS: dict[Kind, str] = {
    "altered": "altered: it is not what was chained",
    "moved": "out of place: it was written in another place of its lane",
    "missing": "missing",
    "cut-off": "missing at the end: seals say that they were there",
    "not-sealed-so": "not the row that was sealed",
    "not-keyed": "not chained with a key, though others were before them",
    "seal": "the seal is not what was chained, is missing, or is not as the file of seals has it",
}
NEVER_KEYED = "no seal is made with a key. Where the key is new, run quietcuff trail seal; else the seals were replaced."
_t = trail.c


class TrailFlaw(msgspec.Struct, frozen=True, kw_only=True):
    """Rows of a lane, or seals where there is no lane, that are not as they were written."""

    kind: Kind
    tenant_id: int
    lane: int | None
    first: int
    last: int

    def as_line(self, tenant: str) -> str:
        """The flaw as one line: the tenant, the lane as in the ids of AuditEvents, the positions, and the fault."""
        if self.kind == "not-keyed" and self.lane is None:
            return f"{tenant}: {NEVER_KEYED}"
        several = self.last > self.first
        where = f"{self.first:,} to {self.last:,}" if several else f"{self.first:,}"
        what = f"lane {self.lane:x}, row" if self.lane is not None else "seal"
        return f"{tenant}: {what}{'s' if several else ''} {where}: {WORDS[self.kind]}."


class TrailRow(msgspec.Struct, frozen=True):
    """A row as it is stored."""

    lane: int
    position: int
    chain: bytes
    entry: TrailEntry


class Checked(msgspec.Struct, kw_only=True):
    """The result of a check: counts of rows, lanes and seals, and the flaws found."""

    rows: int = 0
    lanes: int = 0
    seals: int = 0
    keyed_rows: int = 0
    unsealed_rows: int = 0
    newest_seal_at: datetime | None = None
    flaws: list[TrailFlaw] = []


def _row(*columns: Any) -> TrailRow:
    lane, position, chain, *rest = columns
    values = dict(zip(TrailEntry.__struct_fields__, rest, strict=True))
    # A row that somebody altered may hold any number; it must be reported as a flaw and not stop the check.
    values["action"] = ACTION.words[values["action"]] if 0 <= values["action"] < len(ACTION.words) else ""
    values["outcome"] = OUTCOME.words[values["outcome"]] if 0 <= values["outcome"] < len(OUTCOME.words) else ""
    return TrailRow(lane, position, chain, TrailEntry(**values))


_OF_TENANT = _t.tenant_id == bindparam("tenant_id")
COUNT: Query[int] = Query(single, select(func.count()).select_from(trail).where(_OF_TENANT))
ROWS = Query(
    _row,
    select(_t.lane, _t.position, _t.chain, *(_t[name] for name in TrailEntry.__struct_fields__))
    .where(
        _OF_TENANT,
        tuple_(_t.lane, _t.position)
        > tuple_(bindparam("after_lane", type_=BigInteger()), bindparam("after_position", type_=BigInteger())),
    )
    .order_by(_t.lane, _t.position)
    .limit(bindparam("most")),
)


NEWEST = Query(
    _row,
    select(_t.lane, _t.position, _t.chain, *(_t[name] for name in TrailEntry.__struct_fields__))
    .where(_OF_TENANT)
    .order_by(_t.at.desc(), _t.lane, _t.position.desc())
    .limit(bindparam("most")),
)


def newest_rows(connection: Connection, tenant_id: int, most: int) -> list[TrailRow]:
    """The newest rows of every lane, the newest first."""
    return NEWEST.all(connection, {"tenant_id": tenant_id, "most": most})


NEWEST_OF: Query[datetime] = Query(
    single, select(_t.at).where(_OF_TENANT, _t.what == bindparam("what")).order_by(_t.at.desc()).limit(1)
)


def newest_row_of(connection: Connection, tenant_id: int, what: str) -> datetime | None:
    """The moment of the newest row that names an operation; None if there is none."""
    return NEWEST_OF.first(connection, {"tenant_id": tenant_id, "what": what})


def count_rows(connection: Connection, tenant_id: int) -> int:
    """The number of rows in the trail of a tenant."""
    return COUNT.all(connection, {"tenant_id": tenant_id})[0]


def rows_after(connection: Connection, tenant_id: int, after: tuple[int, int]) -> list[TrailRow]:
    """The next page of rows, by lane and position."""
    values = {"tenant_id": tenant_id, "after_lane": after[0], "after_position": after[1], "most": PAGE}
    return ROWS.all(connection, values)


def unknown_keys(seals: Iterable[Seal], keys: tuple[TrailKey, ...]) -> list[str]:
    """The names of keys that made seals but are not given."""
    return sorted({seal.key_name for seal in seals if seal.key_name is not None} - {key.name for key in keys})


class TrailCheck:
    """Compares the rows of one tenant, given lane by lane in order, with each other and with the seals."""

    def __init__(self, tenant_id: int, keys: tuple[TrailKey, ...], seals: list[Seal], kept: Iterable[Seal] = ()) -> None:
        self.checked = Checked(seals=len(seals), flaws=[])
        self._tenant_id = tenant_id
        self._keys = keys
        self._by_name = {key.name: key for key in keys}
        self._keyed_since: datetime | None = None
        self._seals: dict[int, deque[Seal]] = {}
        # The sealed length of each lane, and its length when keys came into use.
        self._sealed: dict[int, int] = {}
        self._early: dict[int, int] = {}
        self._check_seals(seals)
        self._keep(seals, [seal for seal in kept if seal.tenant_id == tenant_id])
        self._last_row: TrailRow | None = None
        self._misfits: list[tuple[TrailRow, bytes]] = []
        self._unkeyed: tuple[int, int] | None = None
        self._link = FIRST_LINK

    def see(self, rows: Iterable[TrailRow]) -> None:
        """Check the next rows."""
        for row in rows:
            if self._last_row is None or row.lane != self._last_row.lane:
                self._end_lane()
                self.checked.lanes += 1
                self._link = FIRST_LINK
            self._see_row(row, 0 if self._last_row is None else self._last_row.position)
            self._last_row, self._link = row, row.chain

    def end(self) -> Checked:
        """The result, once every row was seen."""
        self._end_lane()
        for lane, seals in self._seals.items():
            self._add("cut-off", lane, 1, seals[-1].position)
        self._seals = {}
        if self._keys and self._keyed_since is None and self.checked.rows:
            self._add("not-keyed", None, 1, max(1, self.checked.seals))
        return self.checked

    def _see_row(self, row: TrailRow, before: int) -> None:
        self.checked.rows += 1
        if row.position > before + 1:
            self._add("missing", row.lane, before + 1, row.position - 1)
            fits: TrailKey | Literal["plain"] | None = self._fit(row, self._link) if before else None
            is_known = fits is not None
        else:
            fits, is_known = self._fit(row, self._link), True
        # Behind a gap the link before is unknown: the row is then protected only by the row after it and by its seals.
        if fits is None and is_known:
            self._misfits.append((row, self._link))
        elif isinstance(fits, TrailKey):
            self.checked.keyed_rows += 1
        elif fits == "plain" and self._is_late(row):
            self._unkeyed = (self._unkeyed[0] if self._unkeyed else row.position, row.position)
        self._hold_to_seals(row)

    def _fit(self, row: TrailRow, link: bytes, position: int | None = None) -> TrailKey | Literal["plain"] | None:
        """The key that made a row's link, or "plain" without one; None where no known way fits."""
        place = row.position if position is None else position
        # The newest key first: it made nearly all rows that are checked.
        for key in reversed(self._keys):
            if link_after(link, row.lane, place, row.entry, key) == row.chain:
                return key
        plain = link_after(link, row.lane, place, row.entry), first_form_link_after(link, row.lane, place, row.entry)
        return "plain" if row.chain in plain else None

    def _is_late(self, row: TrailRow) -> bool:
        """True where a row without a key is later than those sealed before or when keys came into use."""
        return self._keyed_since is not None and row.position > self._early.get(row.lane, 0)

    def _hold_to_seals(self, row: TrailRow) -> None:
        seals = self._seals.get(row.lane)
        while seals and seals[0].position <= row.position:
            seal = seals.popleft()
            if seal.position == row.position and seal.head != row.chain:
                self._add("not-sealed-so", row.lane, row.position, row.position)
        if not seals:
            self._seals.pop(row.lane, None)

    def _end_lane(self) -> None:
        if self._last_row is None:
            return
        lane, last = self._last_row.lane, self._last_row.position
        left = self._seals.pop(lane, None)
        if left:
            self._add("cut-off", lane, last + 1, left[-1].position)
        self.checked.unsealed_rows += max(0, last - self._sealed.get(lane, 0))
        self._tell_misfits()
        if self._unkeyed is not None:
            self._add("not-keyed", lane, *self._unkeyed)
            self._unkeyed = None
        self._last_row = None

    def _tell_misfits(self) -> None:
        """Separate rows that changed places from rows that were altered."""
        links = {link for _, link in self._misfits} | {row.chain for row, _ in self._misfits} | {FIRST_LINK}
        places = [row.position for row, _ in self._misfits]
        few = len(self._misfits) <= MOST_MOVED
        for row, _ in self._misfits:
            fitting = {place for place in places for link in links if few and self._fit(row, link, place) is not None}
            # A row that fits its own place only follows others that do not.
            if row.position not in fitting:
                self._add("moved" if fitting else "altered", row.lane, row.position, row.position)
        self._misfits = []

    def _check_seals(self, seals: list[Seal]) -> None:
        """Compare the seals of the database with each other."""
        link, number = FIRST_LINK, 0
        for seal in seals:
            if seal.number != number + 1:
                self._add("seal", None, number + 1, seal.number - 1)
            key = self._by_name.get(seal.key_name or "")
            is_plain_again = self._keyed_since is not None and seal.key_name is None
            follows = seal.number == number + 1
            if is_plain_again or (follows and seal_link(link, seal, key) != seal.chain):
                self._add("seal", None, seal.number, seal.number)
            if self._keyed_since is None and key is not None:
                self._keyed_since = seal.sealed_at
            link, number = seal.chain, seal.number

    def _keep(self, seals: list[Seal], kept: list[Seal]) -> None:
        """Prepare the seals that rows are compared with: those of the database, and those of a file, which must be the same."""
        found = {seal.number: seal for seal in seals}
        last = seals[-1].number if seals else 0
        for seal in sorted(kept, key=lambda seal: seal.number):
            if found.get(seal.number, seal) != seal or seal.number > last:
                self._add("seal", None, seal.number, seal.number)
        every = sorted({*seals, *kept}, key=lambda seal: (seal.lane, seal.position))
        self.checked.newest_seal_at = max((seal.sealed_at for seal in every), default=None)
        for seal in every:
            self._seals.setdefault(seal.lane, deque()).append(seal)
            self._sealed[seal.lane] = seal.position
            if self._keyed_since is not None and seal.sealed_at <= self._keyed_since:
                self._early[seal.lane] = seal.position

    def _add(self, kind: Kind, lane: int | None, first: int, last: int) -> None:
        before = self.checked.flaws[-1] if self.checked.flaws else None
        if before is not None and (before.kind, before.lane, before.last) == (kind, lane, first - 1):
            self.checked.flaws[-1] = msgspec.structs.replace(before, last=last)
            return
        self.checked.flaws.append(TrailFlaw(kind=kind, tenant_id=self._tenant_id, lane=lane, first=first, last=last))
