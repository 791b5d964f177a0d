"""The guides as pages, made from the same Markdown that stands in ``docs``. Links among them lead from page to page."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from functools import cache
from html import escape
from itertools import pairwise
from pathlib import Path
from typing import Any

import msgspec

import quietcuff
from quietcuff.api.pages.frame import framed

# Whom the pages are for, in the order in which they are listed; a page that nobody sorted in stands at the end.
GROUPS: dict[str, tuple[str, ...]] = {
    "Begin": ("clinic", "glossary", "integrator", "bedside", "gateway", "spreadsheet", "words"),
    "Understand": ("safety", "certainty", "decisions", "rules", "local-rules", "survey"),
    "Exchange": ("fhir", "hl7v2", "delivery", "analyst", "quality", "authorization", "problems"),
    "Run": ("operator", "postgresql", "scaling", "recipes", "reliability", "performance", "security", "versions"),
}
# For whoever changes the code, who has it at hand.
NOT_SERVED = frozenset({"contributing", "map"})
PICTURE = re.compile(r"[a-z-]+\.svg")
# The library's own: it is loaded when the first guide is asked for, and not when the service starts.
Tokens = Sequence[Any]


class Guide(msgspec.Struct, frozen=True, kw_only=True):
    """One guide: its name in addresses, its title, its first sentence, and its text as HTML."""

    name: str
    title: str
    about: str
    body: str


def guides_folder() -> Path:
    """The folder of the guides: inside an installed package, or at the top of a checkout."""
    package = Path(quietcuff.__file__).parent
    installed = package / "_guides"
    return installed if installed.is_dir() else package.parents[1] / "docs"


@cache
def guide_names() -> frozenset[str]:
    """The name of every guide that is served."""
    return frozenset(path.stem for path in guides_folder().glob("*.md")) - NOT_SERVED


@cache
def guide(name: str) -> Guide | None:
    """A guide by its name; None where there is none of that name."""
    if name not in guide_names():
        return None
    from markdown_it import MarkdownIt

    reader = MarkdownIt("commonmark", {"html": False}).enable("table")
    tokens = reader.parse((guides_folder() / f"{name}.md").read_text("utf-8"))
    set_anchors(tokens)
    for token in tokens:
        set_links(token.children or [])
    html: str = reader.renderer.render(tokens, reader.options, {})
    title = next(token.content for token in tokens if token.type == "inline")
    return Guide(name=name, title=plain(title), about=about(tokens), body=scrollable(html))


def picture(name: str) -> bytes | None:
    """A picture of a guide; None where there is none of that name."""
    path = guides_folder() / name
    return path.read_bytes() if PICTURE.fullmatch(name) and path.is_file() else None


def guide_page(found: Guide) -> bytes:
    """A guide as a page, with the way through its parts where it has several."""
    parts = re.findall(r'<h2 id="([^"]+)">(.*?)</h2>', found.body)
    way = "".join(f'<li><a href="#{anchor}">{re.sub("<[^>]+>", "", text)}</a></li>' for anchor, text in parts)
    contents = f'<nav class="parts" aria-label="On this page"><ul>{way}</ul></nav>' if len(parts) > 2 else ""
    body = f"{contents}<article>{found.body}</article>"
    return framed(found.title, body, place="guide", depth=1, kind="prose guide")


def list_page() -> bytes:
    """The page that lists all guides, by whom they are for."""
    sections = "".join(
        f'<section><h2>{heading}</h2>\n<ul class="cards">{"".join(map(card, found))}</ul></section>\n'
        for heading, found in grouped()
        if found
    )
    return framed("Guides", f"<h1>Guides</h1>\n{sections}", place="guide")


def grouped() -> Iterator[tuple[str, list[Guide]]]:
    """Each heading of the list with its guides."""
    sorted_in = {name for names in GROUPS.values() for name in names}
    for heading, names in {**GROUPS, "More": tuple(sorted(guide_names() - sorted_in))}.items():
        yield heading, [found for name in names if (found := guide(name)) is not None]


def card(found: Guide) -> str:
    """A guide in the list."""
    return f'<li><a href="guide/{found.name}">{escape(found.title)}</a><p>{escape(found.about)}</p></li>\n'


def set_anchors(tokens: Tokens) -> None:
    """Give each heading the id by which links in Markdown name it: its words, joined by hyphens."""
    seen: Counter[str] = Counter()
    for opening, text in pairwise(tokens):
        if opening.type == "heading_open":
            anchor = re.sub(r"[^\w\- ]", "", plain(text.content).lower()).replace(" ", "-")
            opening.attrSet("id", f"{anchor}-{seen[anchor]}" if seen[anchor] else anchor)
            seen[anchor] += 1


def set_links(children: Tokens) -> None:
    """Let links to other guides lead to their pages; what is not served stays as its text. Links never stand in one another."""
    tag = "a"
    for child in children:
        if child.type == "link_open":
            target = link_to(str(child.attrGet("href")))
            child.attrs = {} if target is None else {"href": target}
            # An anchor without an address would be announced as a link that leads nowhere.
            tag = child.tag = "span" if target is None else "a"
        elif child.type == "link_close":
            child.tag = tag


def link_to(href: str) -> str | None:
    """The address of a link as the pages have it; None where it leads to what is not served."""
    path, _, anchor = href.partition("#")
    mark = f"#{anchor}" if anchor else ""
    if not path:
        return mark
    if path == "../README.md":
        return "../"
    if re.match(r"https?://", path):
        return href
    name = path.removesuffix(".md")
    if name in guide_names() and path.endswith(".md"):
        return name + mark
    return path if PICTURE.fullmatch(path) else None


def scrollable(html: str) -> str:
    """Tables and code that may be wider than the page, made to scroll by themselves and by keyboard."""
    html = html.replace("<table>", '<div class="wide" tabindex="0" role="group" aria-label="Table"><table>')
    return html.replace("</table>", "</table></div>").replace("<pre>", '<pre tabindex="0">')


def about(tokens: Tokens) -> str:
    """The first sentence of a guide, past the one that tells what makes its page."""
    texts = [text.content for opening, text in pairwise(tokens) if opening.type == "paragraph_open"]
    told = next((text for text in texts if not text.startswith("This page is made from")), "")
    return re.split(r"(?<=[.])\s", plain(told), maxsplit=1)[0]


def plain(text: str) -> str:
    """A line of Markdown without its marks."""
    return " ".join(re.sub(r"[`*]|\]\([^)]*\)|\[(?=[^\]]*\]\()", "", text).split())
