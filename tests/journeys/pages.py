"""What every page of a journey in the browser has to keep, and the few moves all journeys share."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import TimeoutError

# Bench tablet upright, desk, and a phone in the store.
DESK, TABLET, PHONE = (1280, 900), (820, 1180), (390, 844)
WIDTHS = (DESK, TABLET, PHONE)
# A4 at 96 px to the inch, less margins of 10 mm.
PAPER = (718, 1047)
GRAVE = ("serious", "critical")
# A folder for screenshots of every page looked at; none are written without it.
SCREENS = os.environ.get("WEARBOOK_SCREENS", "")


@dataclass
class Person:
    """One person's own browser: its cookies, its window, its address."""

    page: Any
    address: str
    home: tuple[int, int] = DESK
    complaints: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.page.on("pageerror", lambda error: self.complaints.append(f"script: {error}"))
        self.page.on("console", self._heard)

    def _heard(self, message: Any) -> None:
        # Chromium also reports each 4xx answer here; those are refusals that the journey asks for.
        if message.type == "error" and "Failed to load resource" not in message.text:
            self.complaints.append(f"console: {message.text}")

    def sign_in(self, username: str, password: str) -> None:
        self.page.goto(f"{self.address}/sign-in/")
        self.page.get_by_label("User name").fill(username)
        self.page.get_by_label("Password").fill(password)
        self.page.get_by_role("button", name="Sign in").click()
        self.page.get_by_role("button", name="Sign out").wait_for()

    def go(self, path: str) -> None:
        self.page.goto(f"{self.address}{path}")

    def press(self, name: str) -> None:
        """A button by the words on it."""
        self.page.get_by_role("button", name=name, exact=True).click()

    def follow(self, name: str) -> None:
        self.page.get_by_role("link", name=name).first.click()

    def fill(self, label: str, value: str) -> None:
        self.page.get_by_label(label).fill(value)

    def sees(self, text: str) -> Any:
        """Wait until the text stands on the page where an eye can see it."""
        found = self.page.get_by_text(text).locator("visible=true").first
        try:
            found.wait_for(timeout=10_000)
        except TimeoutError:
            standing = self.page.locator("main").inner_text()
            pytest.fail(f"'{text}' is not on {self.page.url}, where it says:\n{standing[:2000]}")
        return found

    def look(self, name: str, sizes: tuple[tuple[int, int], ...] = WIDTHS) -> None:
        """The page as it stands now, at every width: readable to all, and nothing off its side."""
        quiet(self.page)
        for width, height in sizes:
            self.page.set_viewport_size({"width": width, "height": height})
            picture(self.page, f"{name}-{width}")
            faults = [*sideways(self.page), *grave_faults(self.page)]
            assert not faults, "\n".join([f"{name} at {width} px", *faults])
        self.page.set_viewport_size({"width": self.home[0], "height": self.home[1]})
        assert not self.complaints, "\n".join([name, *self.complaints])


@contextmanager
def person_at(
    browser: Any, address: str, home: tuple[int, int] = DESK, **options: Any
) -> Iterator[Person]:
    context = browser.new_context(
        viewport={"width": home[0], "height": home[1]}, reduced_motion="reduce", **options
    )
    try:
        yield Person(context.new_page(), address, home)
    finally:
        context.close()


def quiet(page: Any) -> None:
    """Everything that the page still fetches has come."""
    page.wait_for_load_state("networkidle")


def grave_faults(page: Any) -> list[str]:
    """What axe-core calls serious or critical, each with the places where it found it."""
    found = Axe().run(page).response["violations"]
    return [
        f"{fault['id']}: {fault['help']}: "
        + "; ".join(f"{node['target']} {node['failureSummary']}" for node in fault["nodes"][:3])
        for fault in found
        if fault["impact"] in GRAVE
    ]


def sideways(page: Any) -> list[str]:
    """What stands wider than the window, named; empty where the page does not scroll sideways."""
    found: list[str] = page.evaluate(
        """() => {
          const width = document.documentElement.clientWidth;
          if (document.documentElement.scrollWidth <= width) return [];
          return [...document.querySelectorAll("main *, header *, footer *")]
            // A drawing that closes in on one place cuts off the rest of itself.
            .filter((one) => !one.ownerSVGElement)
            .filter((one) => one.getBoundingClientRect().right > width + 1)
            .slice(0, 5)
            .map((one) => `${one.tagName}.${one.className}: ${one.textContent.trim().slice(0, 40)}`)
            .concat([`${document.documentElement.scrollWidth} px in ${width} px`]);
        }"""
    )
    return found


def picture(page: Any, name: str) -> None:
    if not SCREENS:
        return
    Path(SCREENS).mkdir(parents=True, exist_ok=True)
    # Playwright hides the caret by style attributes; htmx would carry them past our policy.
    page.screenshot(path=str(Path(SCREENS) / f"{name}.png"), full_page=True, caret="initial")


def tab_to(person: Person, selector: str) -> None:
    for _ in range(80):
        person.page.keyboard.press("Tab")
        if person.page.evaluate("s => document.activeElement.matches(s)", selector):
            ring = person.page.evaluate(
                """() => {
                  const one = document.activeElement;
                  return [one, one.closest("label") ?? one]
                    .some((each) => getComputedStyle(each).outlineStyle !== "none");
                }"""
            )
            assert ring, f"{selector} does not show that it has the focus"
            return
    pytest.fail(f"The Tab key does not get to {selector}.")


def enter(person: Person, **fields: str) -> None:
    """Into the fields of these names, each as its kind takes it."""
    for name, value in fields.items():
        field = person.page.locator(f'main form[method="post"] [name="{name}"]')
        if field.evaluate("one => one.tagName") == "SELECT":
            field.select_option(value)
        else:
            field.fill(value)


def beside(person: Person, name: str) -> str:
    """The refusal that stands with a field, and that the field points to for a screen reader."""
    field = person.page.locator(f'[name="{name}"][aria-invalid="true"]')
    field.wait_for()
    told_by = (field.get_attribute("aria-describedby") or "").split()
    told = [person.page.locator(f"[id='{one}']") for one in told_by]
    assert told, f"{name} is refused without a word"
    return " ".join(one.inner_text() for one in told)


def until(person: Person, text: str, seconds: float = 60) -> None:
    """Load the page anew until it says so: the worker is another process."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        person.page.wait_for_load_state("networkidle")
        if person.page.get_by_text(text, exact=True).count():
            return
        person.page.wait_for_timeout(300)
        person.page.reload()
    pytest.fail(f"The page never said '{text}'.")


def scan(clerk: Person, number: str) -> None:
    """As a scanner does it: the number and Enter, into whatever has the focus."""
    # By locator: a function given as text is evaluated anew at each look, which our policy forbids.
    clerk.page.locator('[name="scanned_number"]:focus').wait_for()
    clerk.page.keyboard.type(number)
    with clerk.page.expect_response(lambda answer: answer.request.method == "POST"):
        clerk.page.keyboard.press("Enter")
    clerk.page.wait_for_load_state("networkidle")
