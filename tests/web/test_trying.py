"""The phone page: the same engine, nothing stored, and no state but what this server signed."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from html import unescape
from html.parser import HTMLParser
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from flask import Flask
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st
from itsdangerous import Signer
from limits import RateLimitItemPerSecond
from limits.storage import MemoryStorage

from bot.dialogue.records import Grower
from bot.exchange import dialogue_of
from bot.settings import Settings
from bot.testing import Conversation
from bot.web import create_app
from bot.web.counting import Throttle
from bot.web.sealing import sealed
from bot.web.trying import MOST_BYTES, PER_ADDRESS, TEXTS_KEPT, Phone, Seal, create_blueprint

if TYPE_CHECKING:
    from bot.store.growers import Store

CSS = Path(__file__).resolve().parents[2] / "bot" / "web" / "static" / "try.css"
NOON = datetime(2026, 3, 2, 9, 0, tzinfo=UTC).timestamp()
ANSWERS = (
    *("60x80", "1", "5", "1", "1.5 m", "2", "1", "2", "150000", "0", "60000", "300000"),
    *("2", "2", "2", "1", "2", "2", "3", "1", "today"),
)
"""From the size of the field to the day the work begins: a field cleared and weeded by hand."""


UNLIMITED = Throttle(MemoryStorage(), RateLimitItemPerSecond(100_000))

SECRET = "a secret of the operator"  # noqa: S105 - of this test only


def app_of(offered: Settings) -> Flask:
    app = Flask("bot.web", static_folder=None)
    app.wsgi_app = sealed(app.wsgi_app)  # as create_app does
    app.config["MAX_CONTENT_LENGTH"] = 64 * 1024
    app.register_blueprint(create_blueprint(dialogue_of(offered), offered, lambda: NOON, UNLIMITED))
    return app


class Page(HTMLParser):
    """What a page holds: its fields, the labels on them, and what it would fetch."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.ids: list[str] = []
        self.labelled: set[str] = set()
        self.fields: list[dict[str, str | None]] = []
        self.links: list[str] = []
        self.tags: set[str] = set()
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = dict(attrs)
        self.tags.add(tag)
        assert "style" not in found
        assert not any(name.startswith("on") for name in found)
        if found.get("id"):
            self.ids.append(str(found["id"]))
        if tag == "label":
            self.labelled.add(str(found["for"]))
        if tag in {"input", "select", "textarea"} and found.get("type") != "hidden":
            self.fields.append(found)
        self.links += [str(found[name]) for name in ("href", "src", "action") if found.get(name)]


def check_page(html: str) -> None:
    page = Page(html)
    assert len(page.ids) == len(set(page.ids))
    assert {each["id"] for each in page.fields} <= page.labelled
    assert "script" not in page.tags
    assert all(each.startswith(("/try", "#")) for each in page.links)


@dataclass
class Browser:
    """Presses the page's buttons, and sends what a browser would."""

    app: Flask
    html: str = ""
    fields: dict[str, str] = field(default_factory=dict)

    def open(self, query: str = "") -> str:
        return self.got(self.app.test_client().get(f"/try{query}").text)

    def got(self, html: str) -> str:
        self.html = html
        check_page(html)
        self.fields = dict(re.findall(r'name="(state|text|today)"[^>]*? value="([^"]*)"', html))
        self.fields |= {
            name: chosen
            for name, inside in re.findall(r'<select id="(\w+)".*?>(.*?)</select>', html, re.DOTALL)
            for chosen in re.findall(r'value="(\w*)"[^>]* selected', inside)
        }
        return html

    def press(self, do: str = "", **fields: str) -> str:
        sent = {**self.fields, **({"do": do} if do else {}), **fields}
        return self.got(self.app.test_client().post("/try", data=sent).text)

    def say(self, text: str) -> str:
        return self.press("send", text=text)

    @property
    def came(self) -> list[str]:
        found = re.findall(r'<p class="(?:came|screen)"[^>]*>(.*?)</p>', self.html, re.DOTALL)
        return [unescape(each) for each in found]

    @property
    def notice(self) -> str:
        found = re.search(r'<p class="notice"[^>]*>(.*?)</p>', self.html, re.DOTALL)
        return found[1] if found else ""


@pytest.fixture(scope="module")
def app() -> Flask:
    return app_of(Settings(secret=SECRET))


@pytest.fixture
def browser(app: Flask) -> Browser:
    return Browser(app)


def test_the_phone_says_what_the_engine_says(browser: Browser) -> None:
    phone = Conversation(date(2026, 3, 2), language="en")
    browser.open("?language=en")
    browser.say("hello")
    for answer in ANSWERS:
        phone.say(answer)
        browser.say(answer)
        assert browser.came[-1] == phone.last


def test_without_a_language_the_bot_asks_for_it(browser: Browser) -> None:
    assert "The bot asks" in browser.open()
    browser.say("hello")
    browser.say("2")
    assert browser.fields["language"] == "sw"
    assert "The bot asks" not in browser.html


def test_a_language_chosen_while_it_is_asked_is_not_asked_again(browser: Browser) -> None:
    browser.open()
    browser.say("hello")
    browser.press("set", language="sw")
    assert "shamba" in browser.say("habari")


def test_the_day_begins_in_the_growers_zone_and_can_be_set(browser: Browser) -> None:
    browser.open()
    assert browser.fields["today"] == "2026-03-02"
    browser.press("set", today="2026-04-01")
    assert browser.fields["today"] == "2026-04-01"
    browser.press("day")
    assert browser.fields["today"] == "2026-04-02"


@pytest.mark.parametrize("written", ["soon", "2026-02-30", "9999-12-31", "0001-01-01", "1/2/2026"])
def test_a_day_that_is_none_is_told_and_changes_nothing(browser: Browser, written: str) -> None:
    browser.open()
    browser.press("set", today=written)
    assert "day" in browser.notice
    assert browser.fields["today"] == "2026-03-02"


def test_reminders_arrive_as_days_pass(browser: Browser) -> None:
    browser.open("?language=en")
    for answer in ("hello", *ANSWERS):
        browser.say(answer)
    day = browser.fields["today"]
    browser.press("jump")
    assert browser.fields["today"] > day
    assert "1 Done" in browser.came[-1]
    reminded = browser.fields["today"]
    browser.say("1")
    browser.press("set", today="2026-03-20")
    assert browser.fields["today"] > reminded
    assert "1 Done" in browser.came[-1]


def test_where_no_reminder_is_owed_the_page_says_so(browser: Browser) -> None:
    browser.open("?language=en")
    browser.press("jump")
    assert "No reminder is owed" in browser.notice


def test_who_has_stopped_is_not_reminded(browser: Browser) -> None:
    browser.open("?language=en")
    for answer in ("hello", *ANSWERS, "STOP"):
        browser.say(answer)
    browser.press("jump")
    assert "No reminder is owed" in browser.notice


def test_ussd_shows_one_screen_and_counts_it(browser: Browser) -> None:
    browser.open("?language=en&channel=ussd")
    assert "Dial" in browser.html
    browser.press("send")
    for answer in ANSWERS:
        assert len([1 for _ in re.finditer('class="screen"', browser.html)]) == 1
        counted = re.search(r"(\d+) of 182 characters", browser.html)
        assert counted
        assert int(counted[1]) <= 182  # 3GPP TS 23.038
        more = browser.came[0].endswith("0 more")
        if more:
            browser.say("0")
        browser.say(answer)
    assert "The session is over" in browser.html
    assert "Texts that came by SMS" in browser.html  # the plan itself
    browser.press("jump")
    assert "1 Done" in "".join(browser.came)
    browser.press("send")
    assert "1 Done" in browser.came[0]


def test_the_keypad_types_without_a_script(browser: Browser) -> None:
    browser.open("?language=en")
    for key in "1*5#":
        browser.press(key=key)
    assert browser.fields["text"] == "1*5#"
    browser.press(key="C")
    browser.press(key="<b>")
    assert browser.fields["text"] == "1*5"
    assert "No texts yet" in browser.html


def test_an_empty_text_is_not_sent(browser: Browser) -> None:
    browser.open("?language=en")
    browser.say("  ")
    assert "Write a text first" in browser.notice


def test_what_is_typed_is_shown_as_text(browser: Browser) -> None:
    browser.open("?language=en")
    html = browser.say('<script>alert("1")</script>')
    assert "<script" not in html
    assert "&lt;script&gt;" in html


def test_beginning_anew_forgets_the_grower(browser: Browser) -> None:
    browser.open("?language=en")
    browser.say("hello")
    browser.press("begin", language="sw", channel="ussd", today="2026-05-01")
    assert browser.came == []
    assert browser.fields["language"] == "sw"
    assert browser.fields["channel"] == "ussd"
    assert browser.fields["today"] == "2026-05-01"


def test_no_more_texts_are_kept_than_the_page_shows(browser: Browser) -> None:
    browser.open("?language=en")
    for _ in range(TEXTS_KEPT):
        browser.say("\U0001f33f" * 480)
    assert browser.notice == ""
    assert len(browser.came) == TEXTS_KEPT / 2


@pytest.mark.parametrize("state", ["", "x", "x.y", "\udc80", "Zm9v.", "é.é", "a" * 70_000])
def test_a_state_that_was_altered_begins_anew(browser: Browser, state: str) -> None:
    browser.open("?language=en")
    browser.say("hello")
    answer = browser.app.test_client().post(
        "/try",
        data={"state": state.encode(errors="surrogatepass"), "do": "send", "text": "1"},
    )
    assert answer.status_code == 200
    browser.got(answer.text)
    assert "Here is a new one" in browser.notice
    assert browser.came == []


def test_a_state_of_another_key_or_version_begins_anew(browser: Browser) -> None:
    browser.open()
    signer = Signer(SECRET, salt="fieldbell.try.phone")
    of_another = Seal("another").write(Phone(Grower(), date(2026, 3, 2)))
    for state in (of_another, signer.sign(b"bm90aGluZw==").decode(), signer.sign(b"").decode()):
        browser.press("send", state=state, text="hello")
        assert "Here is a new one" in browser.notice


@given(st.text(max_size=200))
@examples(max_examples=200)
def test_no_text_at_all_is_read_as_a_state(text: str) -> None:
    assert Seal("").read(text) is None


def test_a_phone_comes_back_from_the_page_as_it_went() -> None:
    seal = Seal("")
    phone = Phone(Grower(language="sw"), date(2026, 3, 2), "ussd", open=True).showing("sms", "é\n")
    assert seal.read(seal.write(phone)) == phone


def test_a_form_that_is_too_large_is_refused_in_a_sentence(browser: Browser) -> None:
    answer = browser.app.test_client().post("/try", data={"state": "x" * (MOST_BYTES + 1)})
    assert answer.status_code == 413
    assert "too large" in answer.text


def test_the_pages_are_guarded_light_and_fetch_only_their_own_style(app: Flask) -> None:
    client = app.test_client()
    for path in ("/try", "/try/words/sw", "/try/words/en", "/try/words/sw/menu.choice"):
        answer = client.get(path)
        policy = answer.headers["Content-Security-Policy"]
        assert "default-src 'self'" in policy
        assert "unsafe" not in policy
        assert answer.headers["X-Content-Type-Options"] == "nosniff"
        assert len(answer.data) < 30_000
        check_page(answer.text)
    with client.get("/try/static/try.css") as style:
        assert style.mimetype == "text/css"
    assert len(CSS.read_bytes()) < 10_000


def luminance(colour: str) -> float:
    # WCAG 2.2, relative luminance.
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


@pytest.mark.parametrize(
    ("ink", "ground"),
    [
        ("#241b12", "#f7f2e7"),  # text on the page
        ("#4c3d2e", "#fdf9f0"),  # small text in a box
        ("#4c3d2e", "#f7f2e7"),
        ("#7a3410", "#f7f2e7"),  # links
        ("#f7f2e7", "#3b2c20"),  # the top of the page
        ("#182011", "#dfe8c4"),  # the phone's glass
        ("#3a4628", "#dfe8c4"),
        ("#7a3410", "#dfe8c4"),  # where an SMS ends
        ("#931a0b", "#f7f2e7"),  # over budget
        ("#241b12", "#fbe8d3"),  # a notice
        ("#4f3100", "#fde9b8"),  # fuzzy
        ("#1f4326", "#f7f2e7"),  # changed
    ],
)
def test_letters_stand_out_from_their_ground(ink: str, ground: str) -> None:
    css = CSS.read_text(encoding="utf-8")
    assert ink in css
    assert ground in css
    light, dark = sorted((luminance(ink), luminance(ground)), reverse=True)
    assert (light + 0.05) / (dark + 0.05) >= 4.5  # WCAG 2.2, 1.4.3, level AA


# Limits


def test_an_address_gets_so_many_pages_a_minute_from_all_processes_and_others_are_not_held_up(
    store: Store,
) -> None:
    settings = Settings(secret=SECRET, try_pages=True)
    one, another = (create_app(settings, store, lambda: NOON).test_client() for _ in range(2))
    for place in range(PER_ADDRESS.amount):
        client = one if place % 2 else another
        # A language that is not there counts alike.
        path = ("/try", "/try/words/sw", "/try/words/xx")[place % 3]
        assert client.get(path).status_code == (404 if path == "/try/words/xx" else 200)
    for answer in (one.get("/try"), another.post("/try"), another.post("/try/words/sw")):
        assert answer.status_code == 429
        assert 0 < int(answer.headers["Retry-After"]) <= 60
    with one.get("/try/static/try.css") as sheet:
        assert sheet.status_code == 200
    elsewhere = {"REMOTE_ADDR": "192.0.2.7"}
    assert one.get("/try", environ_overrides=elsewhere).status_code == 200


def test_a_subscribers_whole_network_is_one_address(store: Store) -> None:
    client = create_app(Settings(secret=SECRET, try_pages=True), store).test_client()
    statuses = [
        client.get("/try", environ_overrides={"REMOTE_ADDR": f"2001:db8::{place:x}"}).status_code
        for place in range(PER_ADDRESS.amount + 60)
    ]
    assert 429 in statuses


def test_without_redis_the_phone_page_says_so(store: Store) -> None:
    client = create_app(Settings(secret=SECRET, try_pages=True), store).test_client()
    store.redis.config_set("maxmemory", 1)
    try:
        answer = client.get("/try")
    finally:
        store.redis.config_set("maxmemory", 0)
    assert answer.status_code == 503
    assert "Retry-After" in answer.headers
