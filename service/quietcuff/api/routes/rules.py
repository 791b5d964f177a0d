"""``/v1/protocols`` and ``/v1/guidelines``: the rules in force, with their sources."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, TypeVar

import msgspec
from litestar import Controller, Request, get
from litestar.response.base import ASGIResponse

from quietcuff.api.operations import Operation, Reply, described
from quietcuff.api.requests import PathText
from quietcuff.api.responses import answer_struct
from quietcuff.api.service import service_of
from quietcuff.core.model.errors import NotFound
from quietcuff.core.rulebook.rulebook import Guideline, Protocol, Rulebook, Source

Rule = TypeVar("Rule", Protocol, Guideline)


class RuleListed(msgspec.Struct, frozen=True, kw_only=True):
    """A protocol or guideline as it stands in a list."""

    id: str
    version: str
    title: str
    digest: str


class RuleList(msgspec.Struct, frozen=True, kw_only=True):
    """Every protocol, or every guideline."""

    items: list[RuleListed]


class ProtocolInForce(msgspec.Struct, frozen=True, kw_only=True):
    """A protocol, the digest of its file, and the sources that it names."""

    digest: str
    protocol: Protocol
    sources: dict[str, Source]


class GuidelineInForce(msgspec.Struct, frozen=True, kw_only=True):
    """A guideline, the digest of its file, and the sources that it names."""

    digest: str
    guideline: Guideline
    sources: dict[str, Source]


def _operation(id: str, summary: str, shape: type) -> Operation:
    return Operation(
        id=id,
        tag="Rules",
        summary=summary,
        access="any-key",
        replies=(Reply(description="The rules in force.", shape=shape),),
    )


class Protocols(Controller):
    """Protocols: the procedure of a sitting and the choice of counted readings."""

    path = "/v1/protocols"

    @get(opt=described(_operation("list_protocols", "The protocols in force", RuleList)))
    async def list_all(self, request: Request[Any, Any, Any]) -> ASGIResponse:
        """List them."""
        book = service_of(request).desk.rulebook
        return answer_struct(_listed(book, book.protocols))

    @get("/{rule_id:str}", opt=described(_operation("get_protocol", "One protocol, with its sources", ProtocolInForce)))
    async def get_one(self, request: Request[Any, Any, Any], rule_id: PathText) -> ASGIResponse:
        """Answer one."""
        book = service_of(request).desk.rulebook
        rule = _find(book.protocols, rule_id)
        sources = _sources(book, rule)
        return answer_struct(ProtocolInForce(digest=book.digests[rule_id], protocol=rule, sources=sources))


class Guidelines(Controller):
    """Guidelines: the categories and labels of a result."""

    path = "/v1/guidelines"

    @get(opt=described(_operation("list_guidelines", "The guidelines in force", RuleList)))
    async def list_all(self, request: Request[Any, Any, Any]) -> ASGIResponse:
        """List them."""
        book = service_of(request).desk.rulebook
        return answer_struct(_listed(book, book.guidelines))

    @get("/{rule_id:str}", opt=described(_operation("get_guideline", "One guideline, with its sources", GuidelineInForce)))
    async def get_one(self, request: Request[Any, Any, Any], rule_id: PathText) -> ASGIResponse:
        """Answer one."""
        book = service_of(request).desk.rulebook
        rule = _find(book.guidelines, rule_id)
        sources = _sources(book, rule)
        return answer_struct(GuidelineInForce(digest=book.digests[rule_id], guideline=rule, sources=sources))


def _listed(book: Rulebook, rules: Mapping[str, Protocol | Guideline]) -> RuleList:
    items = [
        RuleListed(id=rule.id, version=rule.version, title=rule.title, digest=book.digests[rule.id])
        for _, rule in sorted(rules.items())
    ]
    return RuleList(items=items)


def _find(rules: Mapping[str, Rule], rule_id: str) -> Rule:
    """The rule of that id.

    Raises:
        NotFound: there is none.
    """
    if rule_id not in rules:
        raise NotFound
    return rules[rule_id]


def _sources(book: Rulebook, rule: Protocol | Guideline) -> dict[str, Source]:
    """Sources named by any part of the rule."""
    return {key: book.sources[key] for key in sorted(_keys(msgspec.to_builtins(rule)))}


def _keys(part: Any) -> Iterator[str]:
    if isinstance(part, list):
        for item in part:
            yield from _keys(item)
    elif isinstance(part, dict):
        for name, value in part.items():
            if name != "source" and not name.endswith("_source"):
                yield from _keys(value)
            elif isinstance(value, dict):
                yield from (key for keys in value.values() for key in keys)
            else:
                yield from value
