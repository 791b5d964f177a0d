"""The guided sitting in a real browser, on a real server: by keyboard, narrow and wide, light and dark, with lost answers."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime
from typing import Any

import httpx
import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser as Chromium
from playwright.sync_api import Page, expect, sync_playwright

from api.serving import Server, new_key
from browser.conftest import FOUND
from databases import SqliteFiles
from quietcuff.demo.bedside.app import Bedside
from quietcuff.demo.server import PAGE_SCOPE

WAIT_MS = 5000
LOOKS: list[tuple[int, Any]] = [(390, "dark"), (1280, "light")]


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
        return self.stored_in(page, "en")

    def stored_in(self, page: Page, language: str) -> dict[str, Any]:
        """The same, said in a language."""
        found: dict[str, Any] = self._ask("GET", page, f"?lang={language}").json()
        return found

    def change(self, page: Page, body: dict[str, Any]) -> None:
        """Somebody else changes the sitting that the page shows."""
        self._ask("POST", page, "/readings", json=body, headers={"If-Match": "*"})

    def _ask(self, method: str, page: Page, path: str, headers: dict[str, str] | None = None, **sent: Any) -> httpx.Response:
        place = page.evaluate("JSON.parse(sessionStorage.getItem('quietcuff-bedside-sitting'))")
        said = {"Authorization": f"Bearer {self.key}", **(headers or {})}
        url = f"{self.server.url}/v1/reading-sets/{place}{path}"
        return httpx.request(method, url, headers=said, trust_env=False, **sent).raise_for_status()


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


def begin(page: Page) -> None:
    """Choose the first person and go to the first reading, with symptoms asked and nothing else said."""
    page.locator(".person").first.click()
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


def test_a_severe_pressure_stands_above_everything_until_the_end(desk: Desk) -> None:
    page = desk.open(390, "dark")
    begin(page)
    banner = page.locator("#safety")
    expect(banner).to_have_attribute("data-level", "none")
    measure(page, 192, 124)
    expect(banner).to_have_attribute("data-level", "confirm")
    expect(banner).to_contain_text("A severe value must be repeated at once.")
    expect(page.get_by_role("heading", level=1)).to_have_text("Repeat now")
    assert banner.get_attribute("aria-live") == "assertive"
    desk.clock.pass_by(page, 61)
    measure(page, 188, 122)
    expect(banner).to_have_attribute("data-level", "same-day")
    page.get_by_role("button", name="Close the sitting").click()
    expect(banner).to_have_attribute("data-level", "same-day")
    assert page.evaluate("document.querySelector('#safety').getBoundingClientRect().top") < 400
    assert desk.stored(page)["evaluation"]["safety"]["level"] == "same-day"
    page.close()


def test_symptoms_are_urgent_before_anything_is_measured(desk: Desk) -> None:
    page = desk.open(language="de")
    page.get_by_role("button", name="Kommt wieder Mann").click()
    page.get_by_role("button", name="Ja", exact=True).click()
    expect(page.locator("#safety")).to_have_attribute("data-level", "urgent")
    words = desk.stored_in(page, "de")["words"]
    expect(page.locator("#safety")).to_contain_text(words["safety"])
    expect(page.get_by_role("heading", level=1)).to_have_text(re.compile(words["next_step"], re.IGNORECASE))
    expect(page.get_by_label("Oberer Wert")).to_have_count(0)
    assert page.evaluate("document.documentElement.lang") == "de"
    page.close()


def test_an_irregular_pulse_leads_to_its_questions(desk: Desk) -> None:
    page = desk.open()
    begin(page)
    measure(page, 138, 86, The_pulse_was_irregular=True)
    asked = page.get_by_role("group", name="Can someone here measure by ear?")
    asked.get_by_role("button", name="No", exact=True).click()
    expect(asked).to_have_count(0)
    found = desk.stored(page)["reading_set"]
    assert found["context"]["auscultation_possible"] == "no"
    assert (found["readings"][0]["rhythm"], found["readings"][0]["device_flags"]) == ("irregular", ["irregular-pulse"])
    page.close()


def test_faults_of_entry_are_told_beside_their_fields_all_at_once(desk: Desk) -> None:
    page = desk.open(390)
    begin(page)
    upper, lower = page.get_by_label("Upper number"), page.get_by_label("Lower number")
    record = page.get_by_role("button", name="Record this reading")
    record.click()
    expect(upper).to_be_focused()
    expect(page.locator(".fault")).to_have_text(["Type the upper number.", "Type the lower number.", ""])
    upper.fill("14O")
    lower.fill("4000")
    record.click()
    expect(page.locator(".fault")).to_have_text(["A whole number up to 400, digits only."] * 2 + [""])
    assert [upper.get_attribute("aria-invalid"), lower.get_attribute("aria-invalid")] == ["true", "true"]
    assert "entry-systolic-fault" in (upper.get_attribute("aria-describedby") or "")
    upper.fill("86")
    lower.fill("138")
    record.click()
    expect(page.locator(".fault").first).to_contain_text("not above the lower one")
    assert desk.stored(page)["reading_set"]["readings"] == []
    # What the device shows is what is sent: the service says that such numbers cannot be right.
    record.click()
    expect(page.locator(".readings li")).to_have_count(1)
    assert desk.stored(page)["evaluation"]["readings"][0]["reason"] == "implausible"
    page.get_by_role("button", name="Take back reading 1").click()
    expect(page.locator(".readings li")).to_contain_text("taken back")
    assert desk.stored(page)["reading_set"]["readings"][0]["voided"]
    page.close()


def test_a_lost_answer_and_a_reload_store_a_reading_once(desk: Desk) -> None:
    page = desk.open()
    begin(page)
    lost: list[str] = []

    def lose(route: Any) -> None:
        """The change arrives, and its answer does not."""
        lost.append(route.request.headers["idempotency-key"])
        route.fetch()
        route.abort()

    page.route("**/readings?**", lose)
    page.get_by_label("Upper number").fill("136")
    page.get_by_label("Lower number").fill("84")
    page.get_by_role("button", name="Record this reading").dblclick()
    expect(page.locator("#line")).to_contain_text("No connection.")
    page.get_by_role("button", name="Try now").click()
    page.wait_for_function("() => document.querySelector('#line').textContent.includes('in 2 s')")
    page.unroute("**/readings?**")
    with page.expect_request("**/readings?**") as again:
        page.reload()
    expect(page.locator(".readings li")).to_have_count(1)
    assert {*lost, again.value.headers["idempotency-key"]} == {lost[0]} and len(lost) == 2
    assert len(desk.stored(page)["reading_set"]["readings"]) == 1
    # Each abort is told by the browser itself.
    desk.said[:] = [line for line in desk.said if "ERR_FAILED" not in line]
    page.close()


def test_a_change_by_somebody_else_is_shown_and_nothing_is_sent_over_it(desk: Desk) -> None:
    page = desk.open()
    begin(page)
    page.get_by_label("Upper number").fill("136")
    page.get_by_label("Lower number").fill("84")
    elsewhere = {"context": {"talking": "yes"}, "closed": False}
    desk.change(page, elsewhere)
    page.get_by_role("button", name="Record this reading").click()
    expect(page.get_by_role("alert")).to_contain_text("Somebody changed this sitting meanwhile.")
    assert desk.stored(page)["reading_set"]["readings"] == []
    expect(page.get_by_label("Upper number")).to_have_value("136")
    page.get_by_role("button", name="Record this reading").click()
    expect(page.locator(".readings li")).to_have_count(1)
    # Closed meanwhile: 409, and the page shows how it ended.
    desk.change(page, {"closed": True})
    page.get_by_role("button", name="Take back reading 1").click()
    expect(page.get_by_role("alert")).to_be_visible()
    expect(page.get_by_role("button", name="Next person")).to_be_visible()
    desk.said[:] = [line for line in desk.said if "status of 4" not in line]
    page.close()


def test_every_screen_is_accessible_and_fits_in_every_language(desk: Desk) -> None:
    page = desk.open()

    def check() -> None:
        for width, scheme in LOOKS:
            page.set_viewport_size({"width": width, "height": 844})
            page.emulate_media(color_scheme=scheme)
            found = Axe().run(page)
            assert found.violations_count == 0, found.generate_report()
            assert page.evaluate("document.documentElement.scrollWidth") <= width
        # Longer words must fit the narrow page too.
        page.set_viewport_size({"width": 390, "height": 844})
        for language in ("de", "fr", "es", "en"):
            page.get_by_role("combobox").select_option(language)
            page.wait_for_function(f"() => document.documentElement.lang === '{language}'")
            assert page.evaluate("document.documentElement.scrollWidth") <= 390
            expect(page.locator("#drafted")).to_be_visible(visible=language != "en")

    check()
    page.locator(".person").first.click()
    page.get_by_role("button", name="No", exact=True).click()
    check()
    page.get_by_role("button", name="Ready to measure").click()
    page.get_by_role("button", name="Record this reading").click()
    check()
    measure(page, 178, 112)
    check()
    page.get_by_text("End early").click()
    page.get_by_role("button", name="Close the sitting").click()
    expect(page.get_by_role("button", name="Next person")).to_be_visible()
    check()
    page.close()


def test_nothing_was_asked_of_anybody_else_and_the_console_stayed_empty(desk: Desk) -> None:
    """Of all the sittings above: this test stands last."""
    assert len(desk.asked) > 100 and {each for each in desk.asked if not each.startswith(f"{desk.server.url}/")} == set()
    assert desk.said == []
