"""The report on measuring in a real browser: narrow and wide, light and dark, on paper, and by the rules of axe-core."""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser as Chromium
from playwright.sync_api import sync_playwright

from browser.conftest import FOUND
from outside.planted_clinics import Clinic, Plan
from quietcuff.analytics.quality.page import quality_page
from quietcuff.analytics.quality.report import report_on
from quietcuff.analytics.quality.shapes import Filters
from quietcuff.analytics.quality.words import load_quality_rules
from quietcuff.rules.catalog import load_rulebook

LOOKS = [(390, "light"), (390, "dark"), (1280, "light"), (1280, "dark")]


@cache
def page_text(fault: str | None) -> str:
    book = load_rulebook()
    rules = load_quality_rules(book)
    by = "observer" if fault else None
    made = report_on(*Clinic(Plan(fault=fault, observers=1), 3).tables(), Filters(by=by), rules, book)
    return quality_page(made, rules)


@pytest.fixture(scope="module")
def chromium() -> Iterator[Chromium]:
    # Its sandbox does not start for root, which is who runs in containers.
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=FOUND, args=["--no-sandbox", "--disable-gpu"])
        yield browser
        browser.close()


def opened(chromium: Chromium, folder: Path, text: str, width: int, scheme: Any) -> tuple[Any, list[str], list[str]]:
    """The page in a window, what it wrote to the console, and what it asked for."""
    place = folder / "quality.html"
    place.write_text(text, encoding="utf-8")
    page = chromium.new_page(viewport={"width": width, "height": 900}, color_scheme=scheme)
    said: list[str] = []
    asked: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("request", lambda request: asked.append(request.url))
    page.goto(place.as_uri())
    return page, said, asked


@pytest.mark.parametrize(("width", "scheme"), LOOKS, ids=[f"{width}-{scheme}" for width, scheme in LOOKS])
@pytest.mark.parametrize("fault", [None, "rounded+avoided"], ids=["clean", "planted"])
def test_the_page_is_whole_and_accessible(
    chromium: Chromium, tmp_path: Path, width: int, scheme: str, fault: str | None
) -> None:
    page, said, asked = opened(chromium, tmp_path, page_text(fault), width, scheme)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    found = Axe().run(page)
    assert found.violations_count == 0, found.generate_report()
    assert len(asked) == 1 and asked[0].startswith("file:")
    assert said == []
    page.close()


def test_the_page_is_dark_where_dark_is_asked_for(chromium: Chromium, tmp_path: Path) -> None:
    grounds = []
    for scheme in ("light", "dark"):
        page, _, _ = opened(chromium, tmp_path, page_text(None), 1280, scheme)
        grounds.append(page.evaluate("getComputedStyle(document.body).backgroundColor"))
        page.close()
    assert grounds == ["rgb(255, 255, 255)", "rgb(20, 25, 31)"]


@pytest.mark.parametrize("fault", [None, "rounded+avoided"], ids=["clean", "planted"])
def test_the_page_prints_on_two_sheets(chromium: Chromium, tmp_path: Path, fault: str | None) -> None:
    page, _, _ = opened(chromium, tmp_path, page_text(fault), 1280, "dark")
    printed = page.pdf(prefer_css_page_size=True)
    page.close()
    assert len(re.findall(rb"/Type\s*/Page\b", printed)) == 2


def test_pictures_have_words_and_stay_inside(chromium: Chromium, tmp_path: Path) -> None:
    page, _, _ = opened(chromium, tmp_path, page_text("rounded+avoided"), 1280, "light")
    found = page.evaluate(
        """() => [...document.querySelectorAll("figure")].map(figure => {
            const picture = figure.querySelector("svg"), frame = picture.getBoundingClientRect();
            const texts = [...picture.querySelectorAll("text")].map(each => each.getBoundingClientRect());
            return [figure.querySelector("figcaption").textContent.length, picture.getAttribute("aria-label"),
                    texts.every(each => each.left >= frame.left - 1 && each.right <= frame.right + 1
                                     && each.top >= frame.top - 1 && each.bottom <= frame.bottom + 1)];
        })"""
    )
    page.close()
    assert len(found) == 6
    assert all(length > 40 and label and inside for length, label, inside in found), found
