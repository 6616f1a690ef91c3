"""The helper for people who write flows does what its docstring shows."""

from __future__ import annotations

from datetime import date

from bot.testing import Conversation

MONDAY = date(2026, 3, 2)

BARE = ["1 acre", "yes", "none", "bare", "no", "no", "?", "0", "?", "?", "no", "no", "no", "yes"]


def planned() -> Conversation:
    phone = Conversation(today=MONDAY, language="en")
    phone.say_all(*BARE, "no", "no", "2", "start", "today")
    return phone


def test_a_bare_field_needs_no_clearing() -> None:
    phone = planned()
    assert any("go straight on" in text for text in phone.heard)
    assert phone.question == ""
    assert not phone.open


def test_the_question_that_stands_is_named() -> None:
    phone = Conversation(today=MONDAY, language="en")
    assert phone.question == "field.area"
    assert phone.open
    phone.say("1 acre")
    assert phone.question == "field.fertile"


def test_days_pass_and_a_reminder_arrives() -> None:
    phone = planned()
    assert phone.wait_until(MONDAY) == []
    assert phone.wait_until(date(2026, 3, 3))
    assert phone.last.startswith("Leave tractors")
    assert "Plough once" in phone.last
    assert "Noted" in phone.say("1")


def test_a_new_number_is_asked_for_its_language() -> None:
    phone = Conversation(today=MONDAY)
    assert "Your language?" in phone.say("hello")
