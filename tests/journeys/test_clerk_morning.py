"""A stores clerk's morning on a phone: lists by date, one walk, and all that goes wrong on it.

Everything is done in a browser as narrow as a phone: by a scanner that types, by thumb, and once
through the camera, before which a label printed by Wearbook is held.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
import segno
from django.utils import timezone
from PIL import Image

from fleet.models import Pump
from inspections.models import Inspection
from parts.models import Batch, Demand, Need, Part
from parts.services import demands, ledger, stock
from tests import factories
from tests.conftest import CHROMIUM
from tests.journeys.pages import PHONE, Person, person_at, scan
from tests.parts import build

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

PASSWORD = "seven-lamps-on-a-hill"
SEALS, PLATE, BUSHES = build.SEALS, "wear_plate_front", build.BUSHES


class Morning:
    """One store with what three pumps wait for, made ready by services before the browser opens."""

    def __init__(self) -> None:
        self.yard = build.make_yard("Quarry North")
        for person, name in ((self.yard.clerk, "clerk"), (self.yard.technician, "technician")):
            person.username = name
            person.set_password(PASSWORD)
            person.save()
        self.today = timezone.now().date()
        self.model = factories.make_model(mass_kg="34.5")
        factories.make_issued_sheet(self.model)
        self.seal = self._part("G2-SEAL-KIT", "Seal kit", own_number="W 7701", shelf_life_months=96)
        self.plate = self._part("G2-PLATE", "Wear plate")
        self.bush = self._part("G2-BUSH", "Bush")
        self._part("G2-SHAFT", "Shaft")
        for code, quantity, days in (("L-1", 1, 20), ("L-2", 1, 40), ("L-3", 3, 400)):
            self._shelve(self.seal, quantity, "A-10", code, days)
        self._shelve(self.plate, 3, "A-2")
        self._shelve(self.bush, 8, "B-1")
        first = factories.make_pump(self.yard.site, self.model, tag="GP-01", serial="77101")
        for component, part, quantity in (
            (SEALS, self.seal, 1),
            (PLATE, self.plate, 1),
            (BUSHES, self.bush, 4),
        ):
            build.fit(self.yard, first, component, part, quantity)
        self.late = self._wanted(first, days=-3, bench="Bench 1")
        self.soon = self._wanted(self._pump("GP-02"), days=1, bench="Bench 2")
        self.undated = self._wanted(self._pump("GP-03"), days=None, bench="")
        # It lay there when it was promised, and has run out since.
        Batch.objects.filter(code="L-1").update(expires_on=self.today - timedelta(days=1))

    def _part(self, number: str, name: str, **fields: Any) -> Part:
        return build.make_part(self.yard, number=number, name=name, is_kit=False, **fields)

    def _pump(self, tag: str) -> Pump:
        return factories.make_pump(self.yard.site, self.model, tag=tag, serial=f"77-{tag}")

    def _shelve(
        self, part: Part, quantity: int, bin: str, code: str = "", days: int | None = None
    ) -> None:
        ends = None if days is None else self.today + timedelta(days=days)
        stock.receive(
            actor=self.yard.clerk,
            store=self.yard.store,
            part=part,
            quantity=quantity,
            bin=bin,
            batch_code=code,
            expires_on=ends,
        )

    def _wanted(self, pump: Pump, *, days: int | None, bench: str) -> Inspection:
        wanted = [SEALS, PLATE, BUSHES] if days is not None else [PLATE]
        event = build.make_signed(self.yard, pump, wanted)
        inspection = Inspection.objects.get(pk=event.inspection_id)
        Need.objects.create(
            inspection=inspection,
            needed_on=None if days is None else self.today + timedelta(days=days),
            bench=bench,
            set_at=timezone.now(),
        )
        demands.raise_for_signed(event=event)
        return inspection


@pytest.fixture
def morning() -> Morning:
    return Morning()


def test_a_clerks_morning(morning: Morning, live_server: Any, browser: Any) -> None:
    with (
        person_at(browser, live_server.url, PHONE, locale="en-GB") as clerk,
        person_at(browser, live_server.url, PHONE, locale="en-GB") as technician,
    ):
        clerk.sign_in("clerk", PASSWORD)
        choose_two_lists(clerk, morning)
        walk_along_the_bins(clerk)
        scan_a_wrong_part(clerk)
        take_the_right_batch(clerk)
        find_fewer_than_there_should_be(clerk)
        undo_a_pull(clerk)
        print_the_labels(clerk)
        technician.sign_in("technician", PASSWORD)
        confirm_at_the_bench(technician, clerk, morning)
    assert ledger.check_ledger() == []


def choose_two_lists(clerk: Person, morning: Morning) -> None:
    clerk.page.get_by_role("navigation", name="Main").get_by_role("link", name="Stores").click()
    clerk.sees("3 pumps wait for parts. 7 lines can be pulled now. 1 is overdue.")
    tags = clerk.page.locator("a.row-link").all_inner_texts()
    assert tags == ["GP-01", "GP-02", "GP-03"]
    clerk.sees("3 days overdue")
    clerk.look("clerk-lists")
    clerk.page.get_by_label("Bench", exact=True).select_option("Bench 2")
    clerk.page.wait_for_url(re.compile("bench=Bench"))
    assert clerk.page.locator("a.row-link").all_inner_texts() == ["GP-02"]
    clerk.page.get_by_label("Bench", exact=True).select_option("")
    clerk.page.wait_for_url(re.compile("bench=$"))
    clerk.press("Walk the chosen lists")
    clerk.sees("Choose at least one list for the walk.")
    for inspection in (morning.late, morning.soon):
        clerk.page.get_by_role("checkbox", name=f"inspection {inspection.pk}").check()
    clerk.press("Walk the chosen lists")


def walk_along_the_bins(clerk: Person) -> None:
    clerk.sees("6 to pull now.")
    clerk.sees("0 of 6 in the bags")
    stops = clerk.page.locator(".stop h2").all_inner_texts()
    assert stops == ["Bin A-2", "Bin A-10", "Bin B-1"]
    clerk.sees("GP-01 weighs 34.5 kg")
    clerk.look("clerk-walk")
    # The same part is wanted twice: the pump that is needed first gets it.
    scan(clerk, "g2-plate")
    clerk.sees("1 G2-PLATE Wear plate issued. Put into the bag of GP-01 (Bench 1).")
    clerk.sees("1 of 6 in the bags")
    # A tap beside everything takes the focus away; the scanner's keys bring it back.
    clerk.page.locator("h1").click()
    assert clerk.page.evaluate("document.activeElement.name") != "scanned_number"
    clerk.page.keyboard.type("G2-PLATE")
    clerk.page.keyboard.press("Enter")
    clerk.sees("1 G2-PLATE Wear plate issued. Put into the bag of GP-02 (Bench 2).")


def scan_a_wrong_part(clerk: Person) -> None:
    scan(clerk, "G2-SHAFT")
    clerk.sees("You scanned G2-SHAFT (Shaft). This list does not ask for it")
    clerk.look("clerk-wrong-part")


def take_the_right_batch(clerk: Person) -> None:
    scan(clerk, "G2-SEAL-KIT/L-1")
    refusal = clerk.sees("Batch L-1 of G2-SEAL-KIT expired on").inner_text()
    assert "scrap it on the page of the stock" in refusal
    clerk.page.get_by_role("link", name="Scrap what has expired").wait_for()
    clerk.look("clerk-expired")
    # The stores' own number, then the batch by thumb: one that is not its turn is asked about.
    clerk.follow("Scan another part")
    scan(clerk, "w 7701")
    clerk.sees("Take 1 of batch L-2")
    clerk.look("clerk-batches")
    clerk.page.get_by_role("button", name=re.compile("^L-3")).click()
    clerk.sees("lies here too and expires sooner")
    clerk.look("clerk-out-of-turn")
    # The one that expires first is found after all, and scanned where the question stands.
    clerk.page.locator('[name="batch_code"]:focus').wait_for()
    clerk.page.keyboard.type("l-2")
    clerk.page.keyboard.press("Enter")
    clerk.sees("issued. Put into the bag of GP-01 (Bench 1).")
    scan(clerk, "G2-SEAL-KIT/L-3")
    clerk.sees("issued. Put into the bag of GP-02 (Bench 2).")
    clerk.sees("batch: 1 of L-3")


def find_fewer_than_there_should_be(clerk: Person) -> None:
    scan(clerk, "G2-BUSH")
    clerk.page.locator('[name="quantity"]:focus').wait_for()
    clerk.page.keyboard.type("4")
    clerk.page.keyboard.press("Enter")
    clerk.sees("4 G2-BUSH Bush issued. Put into the bag of GP-01 (Bench 1).")
    clerk.page.get_by_text("Fewer lie there").click()
    clerk.page.get_by_label("How many lay there").fill("3")
    clerk.page.get_by_label("Note").locator("visible=true").fill("box was open")
    clerk.look("clerk-short")
    clerk.press("Record the short pull")
    clerk.sees("3 G2-BUSH Bush issued. Put into the bag of GP-02 (Bench 2). The rest waits again.")
    clerk.sees("Nothing can be pulled now.")
    clerk.sees("No other site has it free.")
    clerk.look("clerk-after-short")
    # What the clerk sees is what the ledger holds.
    rest = Demand.objects.get(rest_of__isnull=False)
    assert (rest.quantity, rest.state) == (1, "short")
    assert "Fewer than on record: box was open" in rest.why


def undo_a_pull(clerk: Person) -> None:
    line = clerk.page.locator(".pull-line--done").filter(has_text="bag of GP-02").first
    assert "G2-PLATE" in line.inner_text()
    line.get_by_text("Undo this pull").click()
    line.get_by_label("Why").locator("visible=true").select_option("Put into the wrong bag")
    clerk.look("clerk-undo")
    line.get_by_role("button", name="Undo the pull").click()
    clerk.sees("Undone. Put 1 G2-PLATE Wear plate back into bin A-2: it is reserved again.")
    scan(clerk, "G2-PLATE")
    clerk.sees("1 G2-PLATE Wear plate issued. Put into the bag of GP-02 (Bench 2).")


def print_the_labels(clerk: Person) -> None:
    clerk.follow("Print the bag labels")
    clerk.sees("2 labels, each 62 x 29 mm on a roll.")
    assert clerk.page.locator(".label svg.qr").count() == 2
    clerk.sees("Bench 1")
    clerk.look("clerk-bag-labels")
    clerk.page.get_by_label("Part number").fill("G2-SEAL-KIT")
    clerk.press("Show the labels")
    # L-1 has expired and L-2 is gone: what is left gets a label.
    assert clerk.page.locator(".label__text").all_inner_texts() == ["G2-SEAL-KIT/L-3"]
    clerk.look("clerk-shelf-labels")
    clerk.page.get_by_label("How many of each").fill("3")
    clerk.press("Show the labels")
    clerk.sees("3 labels, each 62 x 29 mm on a roll.")
    printed = clerk.page.pdf(prefer_css_page_size=True, print_background=True)
    # A page of 62 x 29 mm for each label, at 72 points to the inch.
    pages = re.findall(rb"/MediaBox \[0 0 ([0-9.]+) ([0-9.]+)\]", printed)
    assert [(round(float(w)), round(float(h))) for w, h in pages] == [(176, 82)] * 3


def confirm_at_the_bench(technician: Person, clerk: Person, morning: Morning) -> None:
    technician.go(f"/stores/inspections/{morning.late.pk}/")
    technician.sees("parts issued")
    technician.sees("Handed out, not confirmed at the bench yet")
    technician.look("clerk-bench")
    technician.press("I have them")
    technician.sees(f"{morning.yard.technician} has 3 lines in hand")
    clerk.go("/stores/")
    # The label of a bag opens its list.
    clerk.page.get_by_label("Scan a bag to open its list").fill(f"B:{morning.late.pk}")
    clerk.page.keyboard.press("Enter")
    clerk.sees("All 3 lines issued. GP-01 has its parts.")
    assert clerk.page.get_by_text("has it at the bench").count() == 3
    assert clerk.page.get_by_text("Undo this pull").count() == 0
    clerk.look("clerk-confirmed")


# --- Through the camera -------------------------------------------------------------------------


@pytest.fixture
def looking_at(browser: Any, tmp_path: Path) -> Iterator[Callable[[str], Any]]:
    """Starts a Chromium whose camera sees the film of a text."""
    running = []

    def start(text: str) -> Any:
        film = tmp_path / "label.mjpeg"
        film.write_bytes(film_of(text))
        running.append(
            browser.browser_type.launch(
                executable_path=CHROMIUM,
                headless=True,
                args=[
                    "--no-sandbox",
                    "--disable-gpu",
                    "--disable-quic",
                    "--no-first-run",
                    "--disable-background-networking",
                    "--disable-component-update",
                    "--disable-sync",
                    "--use-fake-ui-for-media-stream",
                    "--use-fake-device-for-media-stream",
                    f"--use-file-for-fake-video-capture={film}",
                ],
            )
        )
        return running[-1]

    yield start
    for one in running:
        one.close()


def film_of(text: str, size: tuple[int, int] = (640, 480)) -> bytes:
    """Frames of a label lying askew, one JPEG behind the other."""
    code = io.BytesIO()
    segno.make(text, error="m", micro=False).save(code, kind="png", scale=8, border=4)
    label = Image.open(code).convert("RGB").rotate(7, expand=True, fillcolor="white")
    frame = Image.new("RGB", size, "white")
    frame.paste(label, ((size[0] - label.width) // 2, (size[1] - label.height) // 2))
    one = io.BytesIO()
    frame.save(one, "JPEG", quality=90)
    return one.getvalue() * 30


def test_a_label_held_before_the_camera_is_issued(
    morning: Morning, live_server: Any, looking_at: Any
) -> None:
    camera = looking_at("G2-SEAL-KIT/L-2")
    with person_at(camera, live_server.url, PHONE) as clerk:
        clerk.sign_in("clerk", PASSWORD)
        clerk.go(f"/stores/lists/{morning.late.pk}/")
        clerk.press("Scan with the camera")
        clerk.sees("1 G2-SEAL-KIT Seal kit issued. Put into the bag of GP-01 (Bench 1).")
        clerk.sees("batch: 1 of L-2")
        assert not clerk.page.locator("#scan-camera").is_visible()
        assert not clerk.complaints
    demand = Demand.objects.get(inspection=morning.late, part=morning.seal)
    assert (demand.state, demand.issued_by) == ("issued", morning.yard.clerk)


def test_without_a_camera_the_page_says_so_and_typing_goes_on(
    morning: Morning, live_server: Any, browser: Any
) -> None:
    with person_at(browser, live_server.url, PHONE) as clerk:
        clerk.sign_in("clerk", PASSWORD)
        clerk.go(f"/stores/lists/{morning.late.pk}/")
        clerk.press("Scan with the camera")
        clerk.page.get_by_text(re.compile("or type the number|Type the number")).wait_for()
        clerk.look("clerk-no-camera")
        scan(clerk, "G2-PLATE")
        clerk.sees("1 G2-PLATE Wear plate issued.")


def test_only_pages_that_scan_may_look_through_the_camera(
    morning: Morning, live_server: Any, browser: Any
) -> None:
    with person_at(browser, live_server.url, PHONE) as clerk:
        clerk.sign_in("clerk", PASSWORD)
        allowed = {}
        for path in ("/stores/", f"/stores/lists/{morning.late.pk}/", "/stores/stock/", "/"):
            with clerk.page.expect_response(lambda one, path=path: one.url.endswith(path)) as said:
                clerk.go(path)
            allowed[path] = said.value.headers["permissions-policy"].split(",")[0]
    assert list(allowed.values()) == ["camera=(self)", "camera=(self)", "camera=()", "camera=()"]
