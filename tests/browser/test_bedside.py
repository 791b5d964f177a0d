"""The guided sitting in a real browser, on a real server: by keyboard, narrow and wide, light and dark, with lost answers."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime
from typing import Any

import httpx
import pytest
from playwright.sync_api import Browser as Chromium
from playwright.sync_api import Page, expect, sync_playwright

from api.serving import Server, new_key
from browser.conftest import FOUND
from databases import SqliteFiles
from quietcuff.demo.bedside.app import Bedside
from quietcuff.demo.server import PAGE_SCOPE

WAIT_MS = 5000


class Clock:
    """The service's clock as its answers tell it, some time behind the browser's, and moved on by the tests."""

    def __init__(self, behind: timedelta) -> None:
        self.behind = behind

    def pass_by(self, page: Page, seconds: int) -> None:
        """Let time pass for the service alone, and let the page look at the clock, as after a sleep of the computer."""
        self.behind -= timedelta(seconds=seconds)
        with page.expect_response("**/health/live"):
            page.evaluate("dispatchEvent(new Event('visibilitychange'))")

    def wrap(self, app: Any) -> Any:
        """The application with this clock in its answers."""

        async def dated(scope: Any, receive: Any, send: Any) -> None:
            async def send_on(message: Any) -> None:
                if message["type"] == "http.response.start":
                    told = format_datetime(datetime.now(UTC) - self.behind, usegmt=True)
                    message["headers"] = [*message["headers"], (b"date", told.encode())]
                await send(message)

            await app(scope, receive, send_on)

        return dated


class Desk:
    """A server of the page, and what the page asked for and wrote to the console."""

    def __init__(self, server: Server, clock: Clock, chromium: Chromium, key: str) -> None:
        self.server, self.clock, self.chromium, self.key = server, clock, chromium, key
        self.said: list[str] = []
        self.asked: list[str] = []

    def open(self, width: int = 1280, scheme: Any = "light", language: str = "en") -> Page:
        """The first screen in a window of its own."""
        context = self.chromium.new_context(
            viewport={"width": width, "height": 844}, color_scheme=scheme, locale=language, timezone_id="Europe/Vienna"
        )
        page = context.new_page()
        page.set_default_timeout(WAIT_MS)
        page.on("console", lambda message: self.said.append(message.text))
        page.on("pageerror", lambda error: self.said.append(str(error)))
        page.on("request", lambda request: self.asked.append(request.url))
        page.goto(f"{self.server.url}/bedside/")
        expect(page.locator(".person")).to_have_count(5)
        return page

    def stored(self, page: Page) -> dict[str, Any]:
        """The sitting that the page shows, as the service has it."""
        place = page.evaluate("JSON.parse(sessionStorage.getItem('quietcuff-bedside-sitting'))")
        answer = httpx.get(
            f"{self.server.url}/v1/reading-sets/{place}", headers={"Authorization": f"Bearer {self.key}"}, trust_env=False
        )
        found: dict[str, Any] = answer.raise_for_status().json()
        return found


@pytest.fixture(scope="module")
def desk(sqlite_files: SqliteFiles) -> Iterator[Desk]:
    url = sqlite_files.new()
    key, clock = new_key(url, scopes=PAGE_SCOPE), Clock(timedelta(minutes=40))
    server = Server(url, wrap=lambda app: clock.wrap(Bedside(app, key)), date_header=False)
    server.start()
    with sync_playwright() as playwright:
        # Its sandbox does not start for root, which is who runs in containers.
        chromium = playwright.chromium.launch(executable_path=FOUND, args=["--no-sandbox", "--disable-gpu"])
        yield Desk(server, clock, chromium, key)
        chromium.close()
    server.stop()


def begin(page: Page, person: str = "First visit") -> None:
    """Choose a person and go to the first reading, with symptoms asked and nothing else said."""
    page.get_by_role("button", name=person).click()
    page.get_by_role("button", name="No", exact=True).click()
    page.get_by_role("button", name="Ready to measure").click()
    expect(page.get_by_label("Upper number")).to_be_visible()


def measure(page: Page, systolic: int, diastolic: int, **ticked: bool) -> None:
    """Type one reading and record it."""
    page.get_by_label("Upper number").fill(str(systolic))
    page.get_by_label("Lower number").fill(str(diastolic))
    for label in ticked:
        page.get_by_label(label.replace("_", " ")).check()
    page.get_by_role("button", name="Record this reading").click()
    page.wait_for_function("() => !document.body.hasAttribute('aria-busy')")


def test_a_whole_sitting_by_keyboard(desk: Desk) -> None:
    page = desk.open()
    keys = page.keyboard

    def press(name: str) -> None:
        """Go on with Tab until the button of that name has the focus, and press it."""
        for _ in range(60):
            keys.press("Tab")
            if page.evaluate("document.activeElement.textContent.trim()").startswith(name):
                keys.press("Enter")
                return
        raise AssertionError(f"{name} cannot be reached")

    press("First visit")
    expect(page.get_by_role("heading", name="Ask this first")).to_be_focused()
    press("No")
    expect(page.get_by_role("heading", name="Prepare the person")).to_be_focused()
    press("I checked")
    expect(page.get_by_label("How many minutes")).to_be_focused()
    keys.type("5")
    press("Ready")
    expect(page.get_by_role("heading", name="Take a reading")).to_be_focused()
    for number, (systolic, diastolic) in enumerate([(128, 82), (132, 84), (134, 85), (130, 83)]):
        if number:
            # By the browser's own clock, 40 minutes ahead, there would be nothing to wait for.
            expect(page.get_by_role("timer")).to_have_text(re.compile(r"1:00|0:5\d"))
            desk.clock.pass_by(page, 61)
            expect(page.get_by_label("Upper number")).to_be_focused()
        else:
            keys.press("Tab")
            expect(page.get_by_label("Upper number")).to_be_focused()
        keys.type(str(systolic))
        keys.press("Tab")
        keys.type(str(diastolic))
        keys.press("Enter")
        expect(page.locator(".readings li")).to_have_count(number + 1)
    expect(page.get_by_role("heading", name="Close the sitting")).to_be_focused()
    press("Close the sitting")
    expect(page.get_by_role("heading", name="Result", exact=True)).to_be_focused()
    found = desk.stored(page)
    result = found["evaluation"]["result"]
    assert page.locator(".value").inner_text().split() == [f"{result['systolic_mmhg']}/{result['diastolic_mmhg']}", "mmHg"]
    assert found["reading_set"]["context"]["rest_minutes"] == 5
    assert [each["counts"] for each in found["evaluation"]["readings"]].count(True) == result["readings_counted"]
    page.close()
