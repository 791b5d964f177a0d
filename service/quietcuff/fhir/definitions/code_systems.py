"""CodeSystems of our own words: each concept is read from the rules or the types that decide, so that none can be forgotten."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, get_args

from quietcuff.core.model.fields import Attendance
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.fhir import codes
from quietcuff.storage.schema.codes import SETTING, STATE

Concepts = Iterable[tuple[str, str]]
CERTAINTY_REASONS = ("visit-variation-dominates", "too-close-to-call", "one-irregular-sitting")


def code_systems(rulebook: Rulebook, public_url: str) -> list[dict[str, Any]]:
    """Every code system of ours, those of the guidelines too."""

    def own(id: str, title: str, concepts: Concepts, *, content: str = "complete") -> dict[str, Any]:
        return code_system(id, codes.code_system(public_url, id), title, concepts, content=content)

    wording = rulebook.wording
    return [
        own("sitting-setting", "Where a sitting was", in_words(SETTING.words)),
        own("sitting-attendance", "Whether anybody else was in the room", in_words(get_args(Attendance))),
        own("sitting-state", "How far a sitting has come", in_words(STATE.words)),
        own("finding", "What was found in a sitting", ((code, one.message) for code, one in sorted(wording.finding.items()))),
        # Reasons are worked out by several steps of the evaluation; some are told by their own words alone.
        own(
            "reason",
            "Why a label is provisional or not settled, or why there is no result",
            sorted({**{code: code.replace("-", " ") for code in CERTAINTY_REASONS}, **wording.reason}.items()),
            content="fragment",
        ),
        code_system(
            "protocol",
            codes.PROTOCOL_SYSTEM,
            "Protocols of measuring",
            ((id, one.title) for id, one in sorted(rulebook.protocols.items())),
            content="complete",
        ),
        *(
            code_system(
                f"guideline-{id}",
                codes.GUIDELINE_SYSTEM.format(guideline=id),
                one.title,
                {row.category: row.label for row in one.rows}.items(),
                content="fragment",
            )
            for id, one in sorted(rulebook.guidelines.items())
        ),
    ]


def code_system(id: str, url: str, title: str, concepts: Concepts, *, content: str) -> dict[str, Any]:
    """One code system; ``content`` is fragment where it may not name all of its codes."""
    told = [{"code": code, "display": display} for code, display in concepts]
    return {
        "resourceType": "CodeSystem",
        "id": id,
        "url": url,
        "name": camel(id),
        "title": title,
        "status": "active",
        "caseSensitive": True,
        "content": content,
        **({"count": len(told)} if content == "complete" else {}),
        **({"concept": told} if told else {}),
    }


def in_words(words: Iterable[str]) -> Concepts:
    return ((word, word.replace("-", " ")) for word in words)


def camel(id: str) -> str:
    """An id as a name that programs can use."""
    return "Quietcuff" + "".join(part.capitalize() for part in id.replace(".", "-").split("-"))
