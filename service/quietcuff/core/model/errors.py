"""Every error of the service, in one tree. Nothing here knows of HTTP.

QuietcuffError
├── NotReadable            bytes that cannot be read as the format they claim to be
├── NotAcceptable          read and understood, but with faults: all of them, each with its place
├── RulesNotLoadable       a rule file that does not hold together
├── NotFound               nothing of that name for this tenant
│   └── Deleted            it was there, and was deleted after its time of retention
├── Conflict               the state of what is stored forbids it: set closed, identifier taken
├── VersionNotNamed        a change that must name the version it changes
├── VersionStale           a change to a version that is no longer the newest
├── NotAuthenticated       no key, or one that is unknown, revoked or expired
├── NotAllowed             a key without the scope that is needed
├── TokenRefused           a client that is given no token, with OAuth's own word for why
├── TooOften               asked too often, or too much at once; waiting helps
├── Busy                   no room now; trying again later may help
│   └── StoreFailing       the database refuses what it should do, until somebody does something: full, read-only, damaged
├── ServiceFailed          what a client got no answer to, or none that it can use, however often it asked
├── NotInstalled           asks for what an optional package makes, and this installation lacks it
├── StoreNotUsable         a database that cannot be served from: its address, its schema, or another process on it
└── DemoFailed             the demonstration's own server did not answer as it must
"""

from __future__ import annotations

from collections.abc import Sequence

import msgspec


class Fault(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """One thing that is wrong, where it stands, and what would be accepted. It never quotes the value sent.

    ``refused_payload_id`` is set where what was sent is kept in the list of refused payloads. In a sheet ``row`` is as
    spreadsheet programs count, ``column`` its letters and header.
    Exactly one of ``pointer`` (RFC 6901, "" is the whole body), ``parameter`` and ``header`` is set.
    """

    pointer: str | None = None
    parameter: str | None = None
    header: str | None = None
    code: str
    detail: str
    set_id: str | None = None
    refused_payload_id: str | None = None
    row: int | None = None
    column: str | None = None


class QuietcuffError(Exception):
    """The root: whatever the service refuses or cannot do."""


class NotReadable(QuietcuffError):
    """Bytes that are not the format they claim to be: not UTF-8, not JSON, a repeated key, too deep."""

    def __init__(self, fault: Fault) -> None:
        super().__init__(fault.detail)
        self.fault = fault


class NotAcceptable(QuietcuffError):
    """Understood, but not acceptable; carries every fault that was found."""

    def __init__(self, faults: list[Fault]) -> None:
        super().__init__(f"{len(faults)} fault(s)")
        self.faults = faults

    @classmethod
    def of(
        cls, *, code: str, detail: str, pointer: str | None = None, parameter: str | None = None, header: str | None = None
    ) -> NotAcceptable:
        """The refusal for one fault alone, at its one place."""
        return cls([Fault(pointer=pointer, parameter=parameter, header=header, code=code, detail=detail)])


class RulesNotLoadable(QuietcuffError):
    """A rule file is missing, malformed or contradicts itself; the message names file and place."""


class NotFound(QuietcuffError):
    """Nothing of that name exists for this tenant."""


class Deleted(NotFound):
    """It was there, and was deleted: its time of retention is over, or its person was erased."""


class Conflict(QuietcuffError):
    """The stored state forbids it.

    ``code`` is a word such as ``set-closed``; ``set_id`` is given where it helps; ``pointers`` are the places of what was sent,
    where it is not all of it.
    """

    def __init__(self, code: str, detail: str, set_id: str | None = None, pointers: Sequence[str] = ("",)) -> None:
        super().__init__(detail)
        self.code = code
        self.detail = detail
        self.set_id = set_id
        self.pointers = tuple(pointers)


class VersionNotNamed(QuietcuffError):
    """A change needs the version it is meant for."""


class VersionStale(QuietcuffError):
    """The version named is not the newest any more."""

    def __init__(self, newest: int) -> None:
        super().__init__("not the newest version")
        self.newest = newest


class NotAuthenticated(QuietcuffError):
    """No key, or one that is unknown, revoked or expired; the three look the same from outside. ``had_key`` where one was
    sent."""

    def __init__(self, *, had_key: bool = False) -> None:
        super().__init__("no good key")
        self.had_key = had_key


class NotAllowed(QuietcuffError):
    """The key is good but lacks the scope named."""

    def __init__(self, scope: str) -> None:
        super().__init__(f"needs {scope}")
        self.scope = scope


class TokenRefused(QuietcuffError):
    """No token is given. ``code`` is OAuth's word, such as ``invalid_client``; the detail tells no secret."""

    def __init__(self, code: str, detail: str) -> None:
        super().__init__(detail)
        self.code = code
        self.detail = detail


class TooOften(QuietcuffError):
    """Asked too often, or for too much at once; ``retry_after_seconds`` says when to ask again."""

    def __init__(self, detail: str, retry_after_seconds: int) -> None:
        super().__init__(detail)
        self.detail = detail
        self.retry_after_seconds = retry_after_seconds


class Busy(QuietcuffError):
    """No room now; ``retry_after_seconds`` says when trying again makes sense."""

    def __init__(self, retry_after_seconds: int) -> None:
        super().__init__("busy")
        self.retry_after_seconds = retry_after_seconds


class StoreFailing(Busy):
    """The database fails until somebody helps it. ``code`` is a word such as ``disk-full``; ``told`` says what to do."""

    def __init__(self, code: str, told: str, retry_after_seconds: int) -> None:
        super().__init__(retry_after_seconds)
        self.code = code
        self.told = told


class ServiceFailed(QuietcuffError):
    """A client has no answer, or none that it can use. ``status`` and ``request_id`` are those of the last answer, where there
    was one: whether the change was stored is not known, and asking again under the same key is safe."""

    def __init__(self, detail: str, *, status: int | None = None, request_id: str | None = None) -> None:
        super().__init__(detail)
        self.status = status
        self.request_id = request_id


class NotInstalled(QuietcuffError):
    """Packages of an extra are missing; its message says which extra, and how an operator gets it."""

    def __init__(self, extra: str) -> None:
        super().__init__(
            f"This installation lacks the optional packages of the extra {extra}. "
            f'An operator adds them with "sh deploy/setup.sh full", or by installing quietcuff[{extra}].'
        )
        self.extra = extra


class StoreNotUsable(QuietcuffError):
    """The database cannot be served from; the message says what to do."""


class DemoFailed(QuietcuffError):
    """The demonstration stops: its server did not start, or answered otherwise than it must; the message says where."""
