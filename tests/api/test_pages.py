"""Pages for people: the first page, the guides, and the explanations of problems."""

from __future__ import annotations

import re
import tomllib
from html.parser import HTMLParser
from posixpath import join, normpath
from typing import Any

import httpx
import msgspec
import pytest

from api.serving import Server
from quietcuff.api.app import create_app
from quietcuff.api.docs_pages import PAGE_POLICY
from quietcuff.api.pages.guides import GROUPS, NOT_SERVED, guide_names, guides_folder
from quietcuff.api.problem_types import PROBLEM_TYPES
from quietcuff.core.model.changes import Append, Correction
from quietcuff.core.model.readings import Context, Facts, ReadingSet
from quietcuff.demo.bedside.app import Bedside
from test_house import TOP

# What browsers send; the weights are those of a current one.
BROWSER = {"Accept": "text/html,application/xhtml+xml,application/xml;q=0.9,image/avif,image/webp,*/*;q=0.8"}


class Found(HTMLParser):
    """Anchors, links and sources of a page, and elements that are opened and never closed."""

    VOID = frozenset({"meta", "link", "img", "br", "hr"})

    def __init__(self, text: str) -> None:
        super().__init__()
        self.ids: list[str] = []
        self.links: list[str] = []
        self.open: list[str] = []
        self.crossed: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        said = dict(attrs)
        self.ids += [said["id"] or ""] if "id" in said else []
        self.links += [value for name in ("href", "src") if (value := said.get(name)) is not None]
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.crossed.append(tag)


@pytest.fixture(scope="module")
def pages(stranger: httpx.Client) -> dict[str, Found]:
    """Every page for people, by its path."""
    paths = ["/", "/docs", "/guide", "/problems", *(f"/guide/{name}" for name in sorted(guide_names()))]
    paths += [kind.type for kind in PROBLEM_TYPES[:3]]
    found = {}
    for path in paths:
        answer = stranger.get(path, headers=BROWSER)
        assert (answer.status_code, answer.headers["Content-Type"].split(";")[0]) == (200, "text/html"), path
        assert "default-src 'none'" in answer.headers["Content-Security-Policy"]
        assert "Not a medical device" in answer.text
        found[path] = Found(answer.text)
    return found


def test_pages_are_whole_and_every_link_leads_somewhere(stranger: httpx.Client, pages: dict[str, Found]) -> None:
    beside: set[str] = set()
    for path, page in pages.items():
        assert (page.open, page.crossed) == ([], []), path
        assert len(page.ids) == len(set(page.ids)), path
        for link in page.links:
            target, _, anchor = link.partition("#")
            if link.startswith("http"):
                continue
            place = normpath(join(path.rpartition("/")[0] or "/", target)) if target else path
            if place in pages:
                assert not anchor or anchor in pages[place].ids, f"{path}: {link}"
            else:
                beside.add(place)
    assert {place: stranger.get(place).status_code for place in beside} == dict.fromkeys(beside, 200)
    assert {"/look.css", "/favicon.svg", "/docs.css", "/openapi.json", "/guide/trend.svg"} <= beside


def test_every_guide_is_served_but_those_for_contributors(pages: dict[str, Found]) -> None:
    written = {path.stem for path in (TOP / "docs").glob("*.md")}
    assert guide_names() == written - NOT_SERVED and written >= NOT_SERVED
    sorted_in = [name for names in GROUPS.values() for name in names]
    assert set(sorted_in) <= guide_names() and len(sorted_in) == len(set(sorted_in))
    listed = {link for link in pages["/guide"].links if link.startswith("guide/")}
    assert listed == {f"guide/{name}" for name in guide_names()}


def test_no_mark_of_markdown_is_left_in_a_guide(stranger: httpx.Client) -> None:
    for name in guide_names():
        text = re.sub(r"(?s)<pre.*?</pre>|<code>.*?</code>", "", stranger.get(f"/guide/{name}").text)
        assert not re.search(r"\]\(|\*\*|^#+ |\|---", text, re.M), name


@pytest.mark.parametrize("name", ["nothing-here", "map", "..", "sitting.json", "write_map.py"])
def test_what_is_no_guide_is_not_found(stranger: httpx.Client, name: str) -> None:
    assert stranger.get(f"/guide/{name.replace('.', '%2E')}").status_code == 404


def test_a_problem_is_a_page_to_a_browser_and_json_to_a_program(stranger: httpx.Client) -> None:
    for path in ("/problems", "/problems/version-stale"):
        for accepted in ("*/*", "application/json", "application/problem+json", "text/csv"):
            assert stranger.get(path, headers={"Accept": accepted}).headers["Content-Type"] == "application/json"
        page = stranger.get(path, headers=BROWSER)
        assert page.headers["Content-Type"].startswith("text/html")
        # A large page is packed for whoever takes that, and then varies by that too.
        assert page.headers["Vary"] in ("Accept", "Accept, Accept-Encoding")
        assert page.headers["Content-Security-Policy"] == PAGE_POLICY
    assert "It has changed since" in page.text
    assert stranger.get("/problems/no-such-thing", headers=BROWSER).status_code == 404


def test_the_document_begins_with_evaluations_and_reading_sets(stranger: httpx.Client) -> None:
    tags: list[Any] = [tag["name"] for tag in stranger.get("/openapi.json").json()["tags"]]
    assert tags[:2] == ["Evaluations", "Reading sets"] and len(tags) == len(set(tags))


def test_the_bodies_of_the_walk_through_the_guided_sitting_are_accepted() -> None:
    blocks = re.findall(r"(?s)```json\n(.*?)```", (TOP / "docs/bedside.md").read_text("utf-8"))
    opened, symptoms, reading, fact, closing = (msgspec.json.decode(block) for block in blocks)
    assert msgspec.convert(opened, ReadingSet).closed is False
    assert [msgspec.convert(body, Append).closed for body in (symptoms, reading, closing)] == [False, False, True]
    assert msgspec.convert(fact, Correction).changes


def test_the_guided_sitting_offers_the_answers_that_the_service_takes() -> None:
    """A choice of the page that the service does not know would be refused when somebody taps it."""
    script = (TOP / "service/quietcuff/demo/bedside/page/asked.js").read_text("utf-8")
    accepted = {field.name: field.type for struct in (Context, Facts) for field in msgspec.structs.fields(struct)}
    offered = {name: re.findall(r'"([^"]+)"', words) for name, words in re.findall(r"(?m)^  (\w+): \[(.*?)\],$", script)}
    assert {"arm_height", "sleeve", "pulse_palpated", "pregnancy", "sex", "care"} == offered.keys()
    offered |= dict(re.findall(r'(?m)^  (\w+): "(\w+)",$', script))
    for name, words in offered.items():
        for word in [words] if isinstance(words, str) else words:
            msgspec.convert(word, accepted[name])
    asked = set(re.findall(r"(?m)^  (\w+): ", script)) | {"acute_symptoms", "auscultation_possible"}
    assert set(Context.__struct_fields__) - asked == {"talking"}


def test_the_wheel_takes_the_guides_with_it() -> None:
    built = tomllib.loads((TOP / "pyproject.toml").read_text("utf-8"))["tool"]["hatch"]["build"]["targets"]["wheel"]
    assert built["force-include"]["docs"] == "quietcuff/_guides"
    assert guides_folder() == TOP / "docs"


async def test_the_first_page_leads_to_the_guided_sitting_only_where_it_is_served(server: Server) -> None:
    service = create_app(server.settings)
    for app, is_there in ((service, False), (Bedside(service, "key"), True)):
        async with httpx.AsyncClient(transport=httpx.ASGITransport(app=app), base_url="http://127.0.0.1:8080") as client:
            assert ("A guided sitting" in (await client.get("/")).text) is is_there


async def test_the_key_of_the_guided_sitting_is_given_to_its_own_page_alone(server: Server) -> None:
    """Source: Fetch Metadata Request Headers, W3C: a script cannot set Sec-Fetch-Site."""
    app = Bedside(create_app(server.settings), "the-key")
    own = {"Sec-Fetch-Site": "same-origin"}
    async with httpx.AsyncClient(transport=httpx.ASGITransport(app=app), base_url="http://127.0.0.1:8080") as client:
        answer = await client.get("/bedside/key", headers=own)
        assert (answer.status_code, answer.json()) == (200, {"key": "the-key"})
        refused = [
            {},
            {"Sec-Fetch-Site": "cross-site"},
            {"Sec-Fetch-Site": "none"},
            {**own, "Host": "rebound.example:8080"},
            {**own, "Host": "127.0.0.1.rebound.example"},
        ]
        for headers in refused:
            answer = await client.get("/bedside/key", headers=headers)
            assert answer.status_code == 403 and "the-key" not in answer.text, headers
        assert (await client.post("/bedside/key", headers=own)).status_code == 405
        for path in ("/bedside/app.py", "/bedside/../app.py", "/bedside/nothing.js"):
            assert (await client.get(path)).status_code == 404
        assert (await client.get("/bedside")).headers["Location"] == "bedside/"
        page = await client.get("/bedside/")
        assert page.headers["Content-Security-Policy"].startswith(PAGE_POLICY)
        assert (await client.head("/bedside/")).content == b""
