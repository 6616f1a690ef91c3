"""The agent's day at the desk, in a real browser, with scripts and without."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pyotp
from axe_playwright_python.sync_playwright import Axe
from conftest import NINE, NORTH, PASSWORD, SETTINGS, TODAY
from playwright.sync_api import expect

from bot.exchange import Exchange, dialogue_of
from bot.store.rounds import Round, Rounds

if TYPE_CHECKING:
    from pathlib import Path

    from conftest import Union
    from playwright.sync_api import Page

LIST = """Mirindi Growers' Union;;;
Jina;Simu ya mkononi;Kijiji;Ridhaa
Neema Koroso;0712 345 601;Kanoro;ndiyo
Baraka Tilwe;0712345602;Kanoro;ndiyo
Juma Pelo;0712345604;Luhembe;hapana
Rehema Shole;07123;Luhembe;ndiyo
"""
NEEMA, BARAKA = "+255712345601", "+255712345602"


ANSWERS = (
    "hello", "ekari 1.5", "ndiyo", "hakuna", "nyasi", "40", "hapana", "ndiyo", "ndiyo", "180000", "0",
    "60000", "50000", "ndiyo", "hapana", "ndiyo", "2", "16", "3", "1", "leo",
)  # fmt: skip
"""To the questions of a season, for low green grass and a sprayer."""


def sign_in(page: Page, union: Union, name: str = "amina") -> None:
    page.goto(f"{union.url}/desk/")
    page.get_by_label("Name").fill(name)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    page.get_by_role("heading", name="Today", exact=True).wait_for()


def go_to(page: Page, name: str) -> None:
    page.get_by_role("navigation", name="Pages").get_by_role("link", name=name).click()


def test_an_agents_day(page: Page, union: Union, tmp_path: Path) -> None:
    file = tmp_path / "list.csv"
    file.write_text(LIST, encoding="cp1252")

    sign_in(page, union)
    go_to(page, "Groups")
    page.get_by_role("link", name=NORTH, exact=True).click()

    # A file with bad rows.
    page.get_by_role("link", name="Enrol growers").first.click()
    page.get_by_label("A list of growers").set_input_files(file)
    page.get_by_role("button", name="Read it").click()
    expect(page.get_by_text("'07123' cannot be a phone number")).to_be_visible()
    page.get_by_role("button", name="Enrol 3 growers").click()
    assert page.locator("dt:text-is('Added') + dd").inner_text() == "3"
    with page.expect_download() as mend:
        page.get_by_role("link", name="as a file").click()
    assert "Rehema Shole" in mend.value.path().read_text("utf-8-sig")

    # A round: written, counted, looked at, started.
    go_to(page, "Rounds")
    page.get_by_role("link", name="Write a round").first.click()
    page.get_by_label("Name of the round").fill("Meeting")
    page.get_by_label(NORTH).check()
    page.get_by_label("Text in Kiswahili").fill("Habari {name}, mkutano ni Jumamosi.")
    page.get_by_role("button", name="Save the draft").click()
    page.get_by_role("button", name="Count it").click()
    page.get_by_text("What it would do").wait_for()
    expect(page.get_by_text("Habari Neema Koroso, mkutano ni Jumamosi.")).to_be_visible()
    expect(page.get_by_text("have not agreed to be texted")).to_be_visible()
    assert "60" in page.locator("dt:text-is('Costs') + dd").inner_text()  # 2 segments at 30
    page.get_by_role("link", name="Start it").click()
    page.get_by_role("button", name="Send to 2 growers").click()
    union.wait_until(lambda: len(union.gateway.ledger) == 2)
    assert {each.text.to for each in union.gateway.ledger} == {NEEMA, BARAKA}
    page.locator("dt:text-is('Texts sent') + dd:text-is('2')").wait_for()

    # Neema answers the questions of a season, and her first work falls due.
    exchange = Exchange(union.store, dialogue_of(SETTINGS), SETTINGS, union.clock)
    for text in ANSWERS:
        exchange.answer(NEEMA, text)
    plan = union.store.load(NEEMA).grower.plan
    assert plan is not None
    assert plan.next_reminder is not None
    union.clock.now += 24 * 3600 * (plan.next_reminder.day - TODAY).days
    union.wait_until(lambda: sum(each.text.to == NEEMA for each in union.gateway.ledger) > 1)
    exchange.answer(NEEMA, "bado")
    exchange.answer(NEEMA, "msaada")

    # Days have passed, so the session has ended.
    sign_in(page, union)
    calls = page.get_by_role("listitem").filter(has_text="Neema Koroso")
    expect(calls).to_have_count(1)
    page.get_by_role("link", name="Neema Koroso").first.click()
    texts = page.locator("#texts ~ *")
    expect(texts.get_by_text("bado", exact=True)).to_have_count(1)
    reminded = [each.text.body for each in union.gateway.ledger if each.text.to == NEEMA]
    expect(texts.get_by_text(reminded[-1])).to_have_count(1)
    page.get_by_role("button", name="Rung").click()
    go_to(page, "Today")
    expect(page.get_by_text("Nobody needs a call.")).to_be_visible()


def test_no_page_has_a_serious_fault(scripted: Page, union: Union, tmp_path: Path) -> None:
    page = scripted
    file = tmp_path / "list.csv"
    file.write_text(LIST, encoding="utf-8")
    page.goto(f"{union.url}/desk/")
    faultless(page)
    sign_in(page, union, "zawadi")
    page.goto(f"{union.url}/desk/groups/{NORTH}/enrol")
    faultless(page)
    page.get_by_label("A list of growers").set_input_files(file)
    page.get_by_role("button", name="Read it").click()
    faultless(page)
    page.get_by_role("button", name="Enrol 3 growers").click()
    faultless(page)
    exchange = Exchange(union.store, dialogue_of(SETTINGS), SETTINGS, union.clock)
    for text in (*ANSWERS, "msaada"):
        exchange.answer(NEEMA, text)
    one = {"sw": "Habari {name}."}
    kept = Round("r1", "Meeting", "zawadi", int(NINE), (NORTH,), texts=one, state="counting")
    Rounds(union.store.redis).shelf.add("r1", kept)
    union.wait_until(lambda: find(union, "r1").state == "counted")
    for path in (
        "", f"groups/{NORTH}", f"groups/{NORTH}?part=later", "groups", f"growers/{NEEMA}", "rounds",
        "rounds/new", f"rounds/new?season={NORTH}", "rounds/r1", "rounds/r1?ask=start",
        "deliveries", "season", "people", "trail", "password", "nothing",
    ):  # fmt: skip
        page.goto(f"{union.url}/desk/{path}")
        faultless(page)


def find(union: Union, round_id: str) -> Round:
    one = Rounds(union.store.redis).shelf.find(round_id)
    assert one is not None
    return one


def faultless(page: Page) -> None:
    """The page fits the phone, has one heading, and axe finds no serious fault in it."""
    expect(page.locator("h1")).to_have_count(1)
    assert page.evaluate("document.documentElement.scrollWidth") <= 390, page.url
    found = [
        (each["id"], each["nodes"][0]["html"])
        for each in Axe().run(page).response["violations"]
        if each["impact"] in {"serious", "critical"}
    ]
    assert found == [], page.url


def test_a_second_factor_is_set_up_and_asked_for(scripted: Page, union: Union) -> None:
    page = scripted
    sign_in(page, union)
    page.get_by_role("link", name="amina").click()
    page.get_by_role("link", name="Set it up").click()
    page.get_by_label("Your password").fill(PASSWORD)
    page.get_by_role("button", name="Set it up").click()
    picture = page.get_by_role("img", name="QR code of the secret")
    expect(picture.locator("svg")).to_be_visible()
    faultless(page)
    secret = page.locator(".secret").inner_text().replace(" ", "")
    code = page.get_by_role("textbox", name="Code")
    code.fill(pyotp.TOTP(secret).generate_otp(int(union.clock()) // 30))
    page.get_by_role("button", name="Confirm").click()
    recovery = page.locator(".secret").first.inner_text()

    page.get_by_role("button", name="Sign out").click()
    page.get_by_label("Name").fill("amina")
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    expect(page.get_by_role("heading", name="Your code")).to_be_visible()
    faultless(page)
    code.fill(recovery)
    page.get_by_role("button", name="Sign in").click()
    expect(page.get_by_role("heading", name="Today", exact=True)).to_be_visible()
