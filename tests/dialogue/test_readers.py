"""What growers type, and what it must be read as.

The answers are made up after how people write on small keypads; a date is day before month, as
is usual in East Africa (from memory). "Today" is Wednesday 4 March 2026.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bot import data
from bot.dialogue.quantities import Sizes
from bot.dialogue.readers import HERBICIDE_QUESTIONS, LONGEST, Asked, Unread, read
from bot.dialogue.records import Grower, unsure
from bot.dialogue.turn import Dialogue

if TYPE_CHECKING:
    from bot.dialogue.records import Answers

TODAY = date(2026, 3, 4)
LANGUAGES = ("en", "sw", "fr", "ha")


def reading(
    state: str,
    language: str,
    text: str,
    today: date = TODAY,
    stops: frozenset[str] = frozenset(),
) -> Answers | Unread:
    dialogue = data.dialogue(offered=LANGUAGES)
    step = dialogue.flows.step(*state.split(".", 1))
    acres = dialogue.flows.figures.row("area_acres")
    return read(
        text,
        Asked(
            step=step,
            options=dialogue.voices[language].options(step),
            words=data.languages()[language].words,
            today=today,
            sizes=Sizes(acres.low, acres.high),
            stops=stops,
        ),
    )


def value(state: str, language: str, text: str) -> object:
    """The one value read, or the name of the sentence that refuses."""
    found = reading(state, language, text)
    if isinstance(found, Unread):
        return found.reason
    step = data.flows().step(*state.split(".", 1))
    # Beside the value there may only be the mark that the grower did not know it.
    assert found.keys() - {unsure(step.answer)} == {step.answer}
    return found[step.answer]


CHOICES = [
    ("clearing.cover", "en", "1", "woody"),
    ("clearing.cover", "en", "2.", "broadleaf"),
    ("clearing.cover", "en", "(3)", "grass"),
    ("clearing.cover", "en", "#4", "sparse"),
    ("clearing.cover", "en", "Grass", "grass"),
    ("clearing.cover", "en", "mostly grass", "grass"),
    ("clearing.cover", "en", "3 grass", "grass"),
    ("clearing.cover", "en", "bush", "woody"),
    ("clearing.cover", "en", "woody stems", "woody"),
    ("clearing.cover", "en", "ALMOST BARE!", "sparse"),
    ("clearing.cover", "en", "5", "pick_one"),
    ("clearing.cover", "en", "0", "pick_one"),
    ("clearing.cover", "en", "1 2", "pick_one"),
    ("clearing.cover", "en", "2 grass", "pick_one"),
    ("clearing.cover", "en", "stems", "pick_one"),
    ("clearing.cover", "en", "bush and grass", "pick_one"),
    ("clearing.cover", "en", "not grass", "pick_one"),
    # The common cover, whose route kills at the root whatever is sprayed (common practice).
    ("clearing.cover", "en", "don't know", "grass"),
    ("clearing.cover", "sw", "nyasi", "grass"),
    ("clearing.cover", "sw", "Vichaka vyenye miti", "woody"),
    ("clearing.cover", "sw", "majani mapana", "broadleaf"),
    ("clearing.cover", "sw", "karibu tupu", "sparse"),
    ("clearing.cover", "sw", "sijui", "grass"),
    ("planting.date_kind", "en", "from the day I start", "start"),
    ("planting.date_kind", "en", "planting day", "planting"),
    ("planting.date_kind", "en", "rains", "rains"),
    ("planting.date_kind", "en", "when the rains come", "rains"),
    ("planting.date_kind", "en", "3", "rains"),
    ("planting.date_kind", "en", "4", "pick_one"),
    ("planting.date_kind", "en", "day", "pick_one"),
    ("field.shape", "en", "triangle", "triangle"),
    ("field.shape", "en", "three sides", "triangle"),
    ("field.shape", "en", "sides", "pick_one"),
    ("sprayer.method", "en", "1", "strip"),
    ("sprayer.method", "en", "catch the spray", "flow"),
    ("menu.choice", "en", "sprayer", "sprayer"),
    ("menu.choice", "en", "weeding so far", "weeding"),
    ("menu.choice", "en", "9", "pick_one"),
    ("planting.preemergence", "en", "atrazine", "smetolachlor_atrazine"),
    ("planting.preemergence", "sw", "isoxaflutole", "isoxaflutole_aclonifen"),
    ("weeding.product", "en", "glyphosate", "glyphosate"),
    ("weeding.product", "en", "by hand", "none"),
    ("weeding.weed_cover", "en", "less than a third", "little"),
    ("weeding.weed_cover", "en", "lots", "pick_one"),
    ("weeding.weed_stage", "en", "30 cm", "pick_one"),
    ("welcome.language", "en", "Kiswahili", "sw"),
    ("welcome.language", "en", "hello", "pick_one"),
]

YES_NO = [
    ("clearing.green", "en", "1", True),
    ("clearing.green", "en", "Y", True),
    ("clearing.green", "en", "yes.", True),
    ("clearing.green", "en", "ok", True),
    ("clearing.green", "en", "\N{THUMBS UP SIGN}", True),
    ("clearing.green", "en", "2", False),
    ("clearing.green", "en", "NO", False),
    ("clearing.green", "en", "nope", False),
    ("clearing.green", "en", "3", "yes_or_no"),
    ("clearing.green", "en", "12", "yes_or_no"),
    ("clearing.green", "en", "yes no", "yes_or_no"),
    ("clearing.green", "en", "they are dry", "yes_or_no"),
    ("clearing.green", "en", "I don't know", False),  # the safe course: do not spray
    ("clearing.green", "sw", "ndiyo", True),
    ("clearing.green", "sw", "Ndio", True),
    ("clearing.green", "sw", "sawa", True),
    ("clearing.green", "sw", "hapana", False),
    ("clearing.green", "sw", "siyo", False),
    ("clearing.green", "sw", "si kweli", False),
    ("clearing.green", "sw", "mabichi", "yes_or_no"),
    ("field.go_on", "en", "I don't know", False),  # the safe course: another plot
    ("rain.rained", "en", "?", False),  # the safe course: wait for rain
    ("rain.rained", "en", "it rained", "yes_or_no"),
]

AREAS = [
    ("en", "1.5 acre", "1.5 acre"),
    ("en", "1,5 acre", "1.5 acre"),
    ("en", "1.5 ac", "1.5 acre"),
    ("en", "2acres.", "2 acre"),
    ("en", "half acre", "0.5 acre"),
    ("en", "three acres", "3 acre"),
    ("en", "an acre", "1 acre"),
    ("en", "\N{VULGAR FRACTION ONE HALF} acre", "0.5 acre"),
    ("en", "1\N{VULGAR FRACTION ONE HALF} acres", "1.5 acre"),
    ("en", "1 1/2 acres", "1.5 acre"),
    ("en", "1/4 acre", "0.25 acre"),
    ("en", "0.6ha", "0.6 ha"),
    ("en", "0,6 hectares", "0.6 ha"),
    ("en", "2400 m2", "2400 m2"),
    ("en", "2,400 sq m", "2400 m2"),
    ("en", "2400m\N{SUPERSCRIPT TWO}", "2400 m2"),
    ("en", "40x60", "40x60 m"),
    ("en", "40 x 60 m", "40x60 m"),
    ("en", "40m x 60m", "40x60 m"),
    ("en", "40 by 60", "40x60 m"),
    ("en", "40\N{MULTIPLICATION SIGN}60", "40x60 m"),
    ("en", "1.5", "which_unit"),
    ("en", "2400 m", "which_unit"),
    ("en", "1000000 ha", "area_range"),
    ("en", "0 acre", "area_range"),
    ("en", "1x1", "area_range"),
    ("en", "40 x 60 ft", "not_understood"),
    ("en", "1.000 acre", "two_numbers"),
    ("en", "acre", "not_understood"),
    ("en", "big", "not_understood"),
    ("en", "?", None),  # not known: it is paced
    ("sw", "sijui", None),
    ("sw", "1,5 ekari", "1.5 acre"),
    ("sw", "nusu ekari", "0.5 acre"),
    ("sw", "ekari mbili", "2 acre"),
    ("sw", "ekari moja na nusu", "1.5 acre"),
    ("sw", "ekari 2 na nusu", "2.5 acre"),
    ("sw", "heka 3", "3 acre"),
    ("sw", "hekta 1", "1 ha"),
    ("sw", "40 kwa 60", "40x60 m"),
    ("sw", "2400 mita za mraba", "2400 m2"),
    ("sw", "ekari", "not_understood"),
    ("sw", "kubwa", "not_understood"),
]

NUMBERS = [
    ("clearing.height_cm", "en", "60", 60),
    ("clearing.height_cm", "en", "60cm", 60),
    ("clearing.height_cm", "en", "1.2 m", 120),
    ("clearing.height_cm", "en", "1,2m", 120),
    ("clearing.height_cm", "en", "2 metres", 200),
    ("clearing.height_cm", "sw", "1.2 mita", 120),
    ("clearing.height_cm", "sw", "60 sm", 60),
    ("clearing.height_cm", "en", "knee", "number_range"),
    ("clearing.height_cm", "en", "6 feet", "number_range"),
    ("clearing.height_cm", "en", "50 to 60", "number_range"),
    ("clearing.height_cm", "en", "-60", "number_range"),
    ("clearing.height_cm", "en", "0", "number_range"),
    ("clearing.height_cm", "en", "9 m", "number_range"),
    ("clearing.height_cm", "en", "1,200", "two_numbers"),
    ("clearing.height_cm", "en", "don't know", 61),  # over any knee, so it is not sprayed
    ("tillage.price_per_tonne", "en", "15000", 15000),
    ("tillage.price_per_tonne", "en", "15,000", 15000),
    ("tillage.price_per_tonne", "en", "15.000", 15000),
    ("tillage.price_per_tonne", "en", "15 000", 15000),
    ("tillage.price_per_tonne", "en", "15k", 15000),
    ("tillage.price_per_tonne", "en", "15.5 K", 15500),
    ("tillage.price_per_tonne", "en", "1,500,000", 1500000),
    ("tillage.price_per_tonne", "en", "15000 TZS", 15000),
    ("tillage.price_per_tonne", "en", "15,000/=", 15000),
    ("tillage.price_per_tonne", "en", "1e9", "number_range"),
    ("tillage.price_per_tonne", "en", "1.5m", "number_range"),
    ("tillage.price_per_tonne", "en", "-5", "number_range"),
    ("tillage.price_per_tonne", "en", "0", "number_range"),
    ("tillage.price_per_tonne", "en", "10000-12000", "number_range"),
    ("tillage.price_per_tonne", "en", "1.2.3", "number_range"),
    ("tillage.price_per_tonne", "sw", "sijui", None),
    ("tillage.haulage_cost_per_tonne", "en", "0", 0),
    ("planting.tank_l", "en", "16 litres", 16),
    ("planting.tank_l", "sw", "15 lita", 15),
    ("planting.tank_l", "en", "15 gallons", "number_range"),
    ("planting.tank_l", "en", "26", "number_range"),
    ("planting.tank_l", "en", "?", 15),
    ("planting.workers", "en", "3", 3),
    ("planting.workers", "en", "three", 3),
    ("planting.workers", "en", "3 people", 3),
    ("planting.workers", "en", "1", 1),
    ("planting.workers", "en", "0", "number_range"),
    ("planting.workers", "en", "2.5", "number_range"),  # people are whole
    ("planting.workers", "en", "101", "number_range"),
    ("planting.workers", "sw", "watatu", 3),  # three, of people
    ("planting.workers", "en", "not sure", 2),
    ("gaps.gaps_in_100", "en", "0", 0),
    ("gaps.gaps_in_100", "en", "none", 0),
    ("gaps.gaps_in_100", "en", "100", 100),
    ("gaps.gaps_in_100", "en", "101", "number_range"),
    ("gaps.gaps_in_100", "en", "?", None),
    ("stakes.sprouted_of_20", "en", "21", "number_range"),
    ("stakes.sprouted_of_20", "en", "17", 17),
    ("costs.wage_per_day", "en", "5k", 5000),
    ("costs.wage_per_day", "sw", "sijui", None),
]

DAYS = [
    ("planting.start_date", "en", "today", "2026-03-04"),
    ("planting.start_date", "en", "TOMORROW", "2026-03-05"),
    ("planting.start_date", "en", "Friday", "2026-03-06"),
    ("planting.start_date", "en", "wednesday", "2026-03-04"),
    ("planting.start_date", "en", "12/3", "2026-03-12"),
    ("planting.start_date", "en", "12-3-2026", "2026-03-12"),
    ("planting.start_date", "en", "12.3.26", "2026-03-12"),
    ("planting.start_date", "en", "2026-03-12", "2026-03-12"),
    ("planting.start_date", "en", "12 March", "2026-03-12"),
    ("planting.start_date", "en", "12th Mar", "2026-03-12"),
    ("planting.start_date", "en", "3/12", "2026-12-03"),
    ("planting.start_date", "en", "10/1", "2027-01-10"),
    ("planting.start_date", "en", "31/2", "no_such_day"),
    ("planting.start_date", "en", "13/13", "no_such_day"),
    ("planting.start_date", "en", "yesterday", "day_range"),
    ("planting.start_date", "en", "1/1/2020", "day_range"),
    ("planting.start_date", "en", "12", "day_in_words"),
    ("planting.start_date", "en", "soon", "day_in_words"),
    ("planting.start_date", "sw", "leo", "2026-03-04"),
    ("planting.start_date", "sw", "kesho", "2026-03-05"),
    ("planting.start_date", "sw", "keshokutwa", "2026-03-06"),
    ("planting.start_date", "sw", "Ijumaa", "2026-03-06"),
    ("planting.start_date", "sw", "12 Machi", "2026-03-12"),
    ("planting.start_date", "sw", "jana", "day_range"),
    ("planting.start_date", "en", "?", "2026-03-04"),
    ("planting.planting_date", "en", "?", None),
    ("planting.rain_expected", "en", "20/4", "2026-04-20"),
    ("planting.rain_expected", "en", "?", None),
    ("planting.rain_expected", "en", "yesterday", "day_range"),
    ("planting.rain_expected", "sw", "12 Machi", "2026-03-12"),
    ("report.done_on", "en", "Friday", "2026-02-27"),
    ("report.done_on", "en", "1/3", "2026-03-01"),
    ("report.done_on", "en", "tomorrow", "day_range"),
    ("report.done_on", "sw", "juzi", "2026-03-02"),
    ("report.promised_on", "en", "Friday", "2026-03-06"),
    ("report.promised_on", "en", "yesterday", "day_range"),
]


@pytest.mark.parametrize(("state", "language", "text", "expected"), CHOICES + YES_NO)
def test_a_choice(state: str, language: str, text: str, expected: object) -> None:
    assert value(state, language, text) == expected


@pytest.mark.parametrize(("language", "text", "expected"), AREAS)
def test_an_area(language: str, text: str, expected: object) -> None:
    assert value("field.area", language, text) == expected


@pytest.mark.parametrize(("state", "language", "text", "expected"), NUMBERS)
def test_a_number(state: str, language: str, text: str, expected: object) -> None:
    assert value(state, language, text) == expected


@pytest.mark.parametrize(("state", "language", "text", "expected"), DAYS)
def test_a_day(state: str, language: str, text: str, expected: object) -> None:
    assert value(state, language, text) == expected


@pytest.mark.parametrize(
    ("language", "text", "faults"),
    [
        ("en", "1 4", {"stony", "sloping"}),
        ("en", "14", {"stony", "sloping"}),
        ("en", "1,3", {"stony", "waterlogged"}),
        ("en", "1, 3.", {"stony", "waterlogged"}),
        ("en", "4/2", {"sloping", "shallow"}),
        ("en", "1 1", {"stony"}),
        ("en", "1234", {"stony", "shallow", "waterlogged", "sloping"}),
        ("en", "many stones", {"stony"}),
        ("en", "5", set()),
        ("en", "none", set()),
        ("en", "None of these", set()),
        ("en", "no", set()),
        ("sw", "hakuna", set()),
        ("sw", "2 3", {"shallow", "waterlogged"}),
        ("sw", "mawe", {"stony"}),
        ("en", "1 5", None),
        ("en", "0", None),
        ("en", "6", None),
        ("en", "yes", None),
        ("en", "no stones", None),
        ("en", "1 to 3", None),
    ],
)
def test_any_of_several(language: str, text: str, faults: set[str] | None) -> None:
    found = reading("field.faults", language, text)
    if faults is None:
        assert isinstance(found, Unread)
    else:
        assert isinstance(found, dict)
        assert {name for name, fits in found.items() if fits} == faults


@pytest.mark.parametrize(
    ("language", "text", "expected"),
    [
        ("en", "1", ("done", None)),
        ("en", "Done!", ("done", None)),
        ("en", "I did it", ("done", None)),
        ("en", "1 yesterday", ("done", "2026-03-03")),
        ("en", "1,yesterday", ("done", "2026-03-03")),
        ("en", "done yesterday", ("done", "2026-03-03")),
        ("en", "done 2 days ago", ("done", "2026-03-02")),
        ("en", "done 1/3", ("done", "2026-03-01")),
        ("en", "yesterday", ("done", "2026-03-03")),
        ("en", "1/3", ("done", "2026-03-01")),
        ("en", "1-3-2026", ("done", "2026-03-01")),
        ("en", "2", ("not_yet", None)),
        ("en", "not yet", ("not_yet", None)),
        ("en", "not done", ("not_yet", None)),
        ("en", "2 Friday", ("not_yet", "2026-03-06")),
        ("en", "not yet, Friday", ("not_yet", "2026-03-06")),
        ("en", "tomorrow", ("not_yet", "2026-03-05")),
        ("en", "12/3", ("not_yet", "2026-03-12")),
        ("en", "3", ("help", None)),
        ("sw", "tayari", ("done", None)),
        ("sw", "tayari jana", ("done", "2026-03-03")),
        ("sw", "nimemaliza juzi", ("done", "2026-03-02")),
        ("sw", "1 leo", ("done", "2026-03-04")),
        ("sw", "bado", ("not_yet", None)),
        ("sw", "bado, kesho", ("not_yet", "2026-03-05")),
        ("sw", "2 Ijumaa", ("not_yet", "2026-03-06")),
        ("sw", "sijafanya", ("not_yet", None)),
        ("en", "1 tomorrow", "day_range"),
        ("en", "2 yesterday", "day_range"),
        ("en", "done 31/2", "no_such_day"),
        ("en", "done half of it", "day_in_words"),
        ("en", "1 not yet", "day_in_words"),
        ("en", "Friday", "pick_one"),  # the last one or the next one?
        ("en", "4", "pick_one"),
        ("en", "12", "pick_one"),
        ("en", "?", "pick_one"),
        ("sw", "tayari 31/2", "no_such_day"),
    ],
)
def test_a_report(language: str, text: str, expected: object) -> None:
    found = reading("report.report", language, text)
    if isinstance(found, Unread):
        assert found.reason == expected
    else:
        assert (found["report"], found["reported_on"]) == expected


# Who does not know: at every question, the safe answer and a mark that it was taken


REFUSE_UNSURE = {
    "report.report": "pick_one",  # done or not: nobody else can know it
    "welcome.language": "unsure_refused",
}


def test_who_does_not_know_is_taken_at_every_question_with_a_mark() -> None:
    for step in data.flows().steps():
        if step.kind != "ask":
            continue
        for language, text in (("en", "?"), ("en", "don't know"), ("sw", "sijui")):
            found = reading(step.context, language, text)
            where = (step.context, text, found)
            if isinstance(found, Unread):
                assert found.reason == REFUSE_UNSURE.get(step.context), where
                continue
            assert step.context not in REFUSE_UNSURE, where
            assert found.pop(unsure(step.answer)) is True, where
            assert found.keys() == set(step.answers), where


def test_what_is_taken_could_have_been_answered() -> None:
    # A safe answer outside the question's own range would be one that nobody may give.
    dialogue = data.dialogue()
    for step in dialogue.flows.steps():
        if step.kind != "ask" or step.context in REFUSE_UNSURE:
            continue
        found = reading(step.context, "en", "?")
        assert isinstance(found, dict)
        taken = found.get(step.answer)
        if taken is None:
            assert step.state.unsure_is_unknown or step.state.choose_any, step.context
        elif step.state.number:
            assert step.low <= float(str(taken)) <= step.high, step.context
        elif step.state.day:
            given = reading(step.context, "en", f"{date.fromisoformat(str(taken)):%d/%m/%Y}")
            assert given == {step.answer: taken}, step.context
        elif step.state.choose:
            assert taken in step.state.choose, step.context


def test_an_answer_that_is_known_carries_no_mark() -> None:
    assert reading("clearing.cover", "en", "grass") == {"cover": "grass"}
    assert reading("planting.workers", "en", "2") == {"workers": 2}
    assert reading("field.faults", "en", "none") == dict.fromkeys(
        ("stony", "shallow", "waterlogged", "sloping"), False
    )


def test_a_refusal_carries_the_range_that_was_missed() -> None:
    found = reading("clearing.height_cm", "en", "801")
    assert found == Unread("number_range", {"low": 1, "high": 800})
    found = reading("report.promised_on", "en", "yesterday")
    assert isinstance(found, Unread)
    assert found.values == {"low": TODAY, "high": TODAY + timedelta(days=120)}


def test_a_very_long_text_is_not_read() -> None:
    assert reading("field.area", "en", "1 acre" + " " * LONGEST) == Unread("too_long")


@given(day=st.integers(0, 365))
def test_a_full_date_comes_back_as_itself(day: int) -> None:
    wanted = TODAY + timedelta(days=day)
    for written in (f"{wanted:%d/%m/%Y}", f"{wanted.day}-{wanted.month}-{wanted:%y}", str(wanted)):
        assert value("planting.start_date", "en", written) == wanted.isoformat()


@given(tenths=st.integers(1, 2500))
def test_acres_come_back_as_written(tenths: int) -> None:
    acres = f"{tenths / 10:g}"
    assert value("field.area", "en", f"{acres} acre") == f"{acres} acre"
    assert value("field.area", "sw", f"{acres} ekari".replace(".", ",")) == f"{acres} acre"


# What nobody means must not be read: each of these once was, or could be, a wrong plan.


@pytest.mark.parametrize(
    ("language", "text", "meant"),
    [
        ("sw", "ekari 1.5", "1.5 acre"),  # the Kiswahili question's own example
        ("sw", "ha 0.6", "0.6 ha"),  # likewise
        ("sw", "ekari 2,5", "2.5 acre"),
        ("sw", "robo tatu ekari", "0.75 acre"),
        ("sw", "ekari tatu na robo tatu", "3.75 acre"),
        ("en", "half an acre", "0.5 acre"),
        ("en", "a quarter of an acre", "0.25 acre"),
        ("en", "one and a half acres", "1.5 acre"),
        ("en", "three quarters of an acre", "0.75 acre"),
        ("en", "-3 acre", None),
        ("en", "- 3 acre", None),
        ("en", "two three acres", None),
        ("en", "one two acre", None),
    ],
)
def test_an_area_is_read_as_meant_or_refused(language: str, text: str, meant: str | None) -> None:
    found = reading("field.area", language, text)
    assert isinstance(found, Unread) or found == {"area": meant}


def test_the_examples_of_the_area_question_can_be_read_in_kiswahili() -> None:
    assert value("field.area", "sw", "ekari 1.5") == "1.5 acre"
    assert value("field.area", "sw", "ha 0.6") == "0.6 ha"


def test_a_negative_number_without_a_unit_is_not_asked_back_as_a_sum_of_its_digits() -> None:
    found = reading("field.area", "en", "-1.5")
    assert not (isinstance(found, Unread) and found.values.get("number") == 6)


@pytest.mark.parametrize(
    ("language", "text", "meant"),
    [
        ("sw", "15 elfu", 15000),  # elfu: thousand
        ("sw", "2 laki", 200000),  # laki: a hundred thousand
        ("en", "15 lakh", 1500000),
        ("en", "15 mil", 15000000),
        ("en", "15 thou", 15000),
        ("en", "1 bag", None),  # a price for something else than a tonne
        ("en", "15 kg", None),
        ("en", "15.0000", None),  # a slip in 150,000, or 15?
        ("en", "15,0000", None),
    ],
)
def test_a_price_is_read_as_meant_or_refused(language: str, text: str, meant: int | None) -> None:
    found = reading("tillage.price_per_tonne", language, text)
    assert isinstance(found, Unread) or found == {"price_per_tonne": meant}


@pytest.mark.parametrize("text", ["1.2", "1,5"])
def test_nobody_measures_growth_in_tenths_of_a_centimetre(text: str) -> None:
    # Metres, surely: read as centimetres, man-high bush would be sprayed and not cut.
    found = reading("clearing.height_cm", "en", text)
    assert isinstance(found, Unread) or found["height_cm"] in (120, 150)


@pytest.mark.parametrize("text", ["60.", "60!", "60 cm.", "15,000."])
def test_a_full_stop_after_a_number_does_not_matter(text: str) -> None:
    state = "tillage.price_per_tonne" if "," in text else "clearing.height_cm"
    assert value(state, "en", text) in (60, 15000)


@pytest.mark.parametrize(
    ("language", "text"),
    [
        ("en", "3 days ago"),
        ("en", "3 March"),
        ("en", "3rd march"),
        ("en", "3 weeks"),
        ("sw", "3 Machi"),
    ],
)
def test_a_day_that_begins_with_a_three_is_no_call_for_help(language: str, text: str) -> None:
    found = reading("report.report", language, text)
    assert isinstance(found, Unread) or found["report"] == "done"


def test_two_days_ago_is_a_day_although_it_begins_with_the_number_of_not_yet() -> None:
    # "2 days ago" is in the list of days; alone it means done then.
    assert reading("report.report", "en", "2 days ago") == {
        "report": "done",
        "reported_on": "2026-03-02",
    }


def test_a_day_that_has_just_passed_is_not_taken_for_one_a_year_ahead() -> None:
    assert value("planting.start_date", "en", "3/3") == "day_range"


def test_a_word_of_a_label_that_names_nothing_is_not_a_choice() -> None:
    assert value("weeding.product", "en", "herbicide") == "pick_one"


@pytest.mark.parametrize(
    "text", ["9" * 400 + " m2", "9" * 400 + " acre", "9" * 200 + "x" + "9" * 200]
)
def test_a_number_longer_than_any_field_is_out_of_range(text: str) -> None:
    assert value("field.area", "en", text) == "area_range"


@pytest.mark.parametrize(("language", "text"), [("en", "nothing"), ("sw", "hakuna"), ("en", "0")])
def test_nothing_to_pay_is_nought(language: str, text: str) -> None:
    assert value("tillage.haulage_cost_per_tonne", language, text) == 0


@pytest.mark.parametrize(("language", "text"), [("en", "1 and 4"), ("sw", "1 na 4")])
def test_numbers_joined_by_a_word(language: str, text: str) -> None:
    assert reading("field.faults", language, text) == {
        "stony": True,
        "shallow": False,
        "waterlogged": False,
        "sloping": True,
    }


# Days by their distance, amounts in scales, and words around an answer


@pytest.mark.parametrize(
    ("state", "language", "text", "expected"),
    [
        ("planting.start_date", "en", "in 3 days", "2026-03-07"),
        ("planting.start_date", "en", "in three weeks", "2026-03-25"),
        ("planting.start_date", "sw", "baada ya siku 3", "2026-03-07"),
        ("planting.start_date", "en", "March 12th", "2026-03-12"),
        ("planting.start_date", "en", "12th of March", "2026-03-12"),
        ("planting.start_date", "sw", "tarehe 12 mwezi wa tatu", "2026-03-12"),
        ("planting.start_date", "en", "next Monday", "2026-03-09"),
        ("planting.start_date", "sw", "Jumatatu ijayo", "2026-03-09"),
        ("planting.start_date", "en", "next Wednesday", "2026-03-11"),
        ("planting.start_date", "en", "next Friday", "day_in_words"),  # in 2 days, or in 9?
        ("planting.start_date", "sw", "Ijumaa ijayo", "day_in_words"),
        ("planting.start_date", "en", "coming Friday", "2026-03-06"),
        ("planting.start_date", "en", "in 2-3 days", "day_in_words"),
        ("report.done_on", "en", "3 days ago", "2026-03-01"),
        ("report.done_on", "sw", "siku 3 zilizopita", "2026-03-01"),
        ("report.done_on", "en", "last Friday", "2026-02-27"),
        ("report.done_on", "en", "last Monday", "day_in_words"),  # 2 days ago, or 9?
        ("report.done_on", "en", "in 3 days", "day_range"),
    ],
)
def test_a_day_by_its_distance(state: str, language: str, text: str, expected: object) -> None:
    assert value(state, language, text) == expected


@pytest.mark.parametrize("today", [date(2026, 3, 2) + timedelta(days=each) for each in range(7)])
@pytest.mark.parametrize("weekday", range(7))
def test_next_and_last_weekdays_are_those_of_the_next_and_the_last_week(
    today: date, weekday: int
) -> None:
    name = f"{date(2026, 3, 2) + timedelta(days=weekday):%A}"
    monday = today - timedelta(days=today.weekday())
    for which, state, weeks in (("next", "promised_on", 1), ("last", "done_on", -1)):
        found = reading(f"report.{state}", "en", f"{which} {name}", today)
        if not isinstance(found, Unread):
            day = monday + timedelta(weeks=weeks, days=weekday)
            assert found == {"day_named": day.isoformat()}
            assert 1 < abs((day - today).days) <= 7


@pytest.mark.parametrize(
    ("language", "text", "expected"),
    [
        ("en", "15 thousand", 15000),
        ("en", "1.5 million", 1500000),
        ("en", "one and a half million", 1500000),
        ("en", "twenty five thousand", 25000),
        ("en", "two thousand five hundred", 2500),
        ("en", "9,500.00", 9500),
        ("sw", "15 elfu", 15000),
        ("sw", "elfu kumi na tano", 15000),
        ("sw", "laki 1 na nusu", 150000),
        ("sw", "laki moja na elfu ishirini", 120000),
        ("sw", "elfu 15 na 500", 15500),
        ("sw", "Tsh elfu 15 kwa tani", 15000),
        ("sw", "elfu 15 na 5", "number_range"),  # 15,005, or 15,500?
        ("sw", "laki na nusu", "number_range"),  # a lakh and a half: never half a lakh
        ("sw", "lak 5", "number_range"),  # a slip in laki, and no currency
        ("sw", "15,000 elfu", "number_range"),
        ("sw", "elf 15", "number_range"),
        ("en", "15 thousnd", "number_range"),
        ("en", "15 mil", "number_range"),  # a million to some, a thousand to others
    ],
)
def test_an_amount_in_words(language: str, text: str, expected: object) -> None:
    assert value("tillage.price_per_tonne", language, text) == expected


@pytest.mark.parametrize("count", [1, 15, 150, 999])
@pytest.mark.parametrize(
    ("language", "word", "scale"),
    [
        ("en", "thousand", 10**3),
        ("sw", "elfu", 10**3),
        ("sw", "laki", 10**5),
        ("en", "lakh", 10**5),
    ],
)
def test_a_scale_may_stand_on_either_side(language: str, word: str, scale: int, count: int) -> None:
    for text in (f"{count} {word}", f"{word} {count}"):
        found = value("tillage.price_per_tonne", language, text)
        assert found == (count * scale if count * scale <= 10**8 else "number_range")


@pytest.mark.parametrize(
    ("state", "language", "text", "expected"),
    [
        ("clearing.green", "en", "yes please sir", True),
        ("clearing.green", "sw", "ndiyo mkuu", True),
        ("clearing.green", "en", "stop please", "yes_or_no"),
        ("clearing.green", "en", "please", "yes_or_no"),
        ("clearing.height_cm", "sw", "goti 1.2m", 120),
        ("clearing.height_cm", "sw", "goti 2", "number_range"),  # two knees?
        ("clearing.height_cm", "en", "over 50", "number_range"),
        ("field.area", "sw", "mita 40 kwa 60", "40x60 m"),
        ("field.area", "sw", "mita 40 kwa mita 60", "40x60 m"),
        ("field.area", "en", "1 acre and a half", "1.5 acre"),
        ("field.area", "en", "2 please", "which_unit"),
        ("planting.tank_l", "sw", "lita 15", 15),
        ("sprayer.swath_m", "sw", "mita moja", 1),
        ("sprayer.seconds_for_100_m", "en", "2 minutes", 120),
        ("field.paces_of_rectangle", "sw", "ishirini na tano", "how_many_sides"),  # 25?
        ("weeding.product", "sw", "dawa", "pick_one"),  # any chemical
    ],
)
def test_words_around_an_answer(state: str, language: str, text: str, expected: object) -> None:
    assert value(state, language, text) == expected


# Mistyped


@pytest.mark.parametrize(
    ("state", "language", "text", "expected"),
    [
        ("clearing.green", "en", "wer", True),
        ("clearing.green", "en", "999 33 7777", True),
        ("clearing.green", "sw", "hapanaa", False),
        ("clearing.cover", "en", "mostly gras", "grass"),
        ("clearing.cover", "en", "not gras", "pick_one"),
        ("field.area", "en", "thre acrs", "3 acre"),
        ("planting.start_date", "en", "12 mrach", "2026-03-12"),
        ("planting.start_date", "sw", "jumatau", "2026-03-09"),
        ("clearing.height_cm", "en", "sixy", "number_range"),
        ("tillage.haulage_cost_per_tonne", "sw", "hakna", "number_range"),
        ("tillage.haulage_cost_per_tonne", "sw", "sijuii", 0),
        ("menu.choice", "en", "plam", "pick_one"),  # near the command
    ],
)
def test_a_slip(state: str, language: str, text: str, expected: object) -> None:
    assert value(state, language, text) == expected


@pytest.mark.parametrize("state", sorted(HERBICIDE_QUESTIONS))
@pytest.mark.parametrize("text", ["yse", "wer", "937", "corect", "dont kow", "nonne", "niether"])
def test_no_slip_is_taken_where_a_herbicide_hangs_on_it(state: str, text: str) -> None:
    assert isinstance(reading(state, "en", text), Unread)


@pytest.mark.parametrize(
    "text", ["stpo", "STOPP", "sto", "7867", "7777 8 666 7", "stop it", "spot"]
)
def test_what_may_be_stop_is_never_an_answer(text: str) -> None:
    for step in data.flows().steps():
        if step.kind == "ask":
            for language in LANGUAGES:
                found = reading(step.context, language, text)
                # A number stands for itself where a number is asked for.
                number = text == "7867" and step.state.number is not None
                assert isinstance(found, Unread) or number, (step.context, found)


def test_a_slip_that_is_stop_in_another_language_is_never_an_answer() -> None:
    stops = frozenset({"hapanaa"})
    for text in ("hapanaa", "hapanaa mkuu"):
        assert value("clearing.green", "sw", text) is False
        assert isinstance(reading("clearing.green", "sw", text, stops=stops), Unread)


def test_the_conversation_knows_the_stop_of_every_language_on_offer() -> None:
    languages = data.languages()
    english, kiswahili = languages["en"], languages["sw"]
    stopping = replace(english.words, _commands={**english.words._commands, "hapanaa": "stop"})  # noqa: SLF001 - made for this
    dialogue = Dialogue(data.flows(), {"en": replace(english, words=stopping), "sw": kiswahili})
    grower = Grower(language="sw")
    for text in ("hujambo", "hekta 1"):
        grower = dialogue.turn(grower, text, TODAY).grower
    assert grower.session is not None
    assert grower.session.state == "fertile"
    grower = dialogue.turn(grower, "hapanaa mkuu", TODAY).grower
    assert grower.session is not None
    assert (grower.session.state, grower.session.tries) == ("fertile", 1)


# French and Hausa, and what is alike in every language


@pytest.mark.parametrize(
    ("state", "language", "text", "expected"),
    [
        ("tillage.price_per_tonne", "fr", "15.000 F CFA", 15000),
        ("tillage.price_per_tonne", "fr", "FCFA 15 000", 15000),
        ("tillage.price_per_tonne", "fr", "15000F/tonne", 15000),
        ("tillage.price_per_tonne", "fr", "2.000,50", 2000.5),
        ("tillage.price_per_tonne", "fr", "vingt-cinq mille", 25000),
        ("tillage.price_per_tonne", "fr", "quatre-vingt-dix mille", 90000),
        ("tillage.price_per_tonne", "fr", "deux cent cinquante mille", 250000),
        ("tillage.price_per_tonne", "fr", "mille cinq cents", 1500),
        ("tillage.price_per_tonne", "fr", "cent cinquante", 150),
        ("tillage.price_per_tonne", "fr", "un million et demi", 1500000),
        ("tillage.price_per_tonne", "fr", "mille cinq", "number_range"),  # 1005, or 1500?
        ("tillage.price_per_tonne", "fr", "20000 l'hectare", "number_range"),
        ("tillage.price_per_tonne", "fr", "pas 15000", "number_range"),
        ("tillage.price_per_tonne", "en", "hundred fifty", "number_range"),  # never 50 hundreds
        ("tillage.price_per_tonne", "en", "=N=15,000", 15000),
        ("tillage.price_per_tonne", "en", "\N{NAIRA SIGN}15k", 15000),
        ("tillage.price_per_tonne", "ha", "N15,000", 15000),
        ("tillage.price_per_tonne", "ha", "dubu goma sha biyar", 15000),
        ("tillage.price_per_tonne", "ha", "dubu dari biyu da hamsin", 250000),
        ("tillage.price_per_tonne", "ha", "dubu biyu da dari biyar", 2500),
        ("tillage.price_per_tonne", "ha", "dubu da dari biyar", 1500),
        ("tillage.price_per_tonne", "ha", "miliyan daya da rabi", 1500000),
        ("tillage.price_per_tonne", "ha", "dubu", "number_range"),  # of what?
        ("tillage.price_per_tonne", "ha", "dubu da rabi", "number_range"),
        ("clearing.height_cm", "fr", "1m20", 120),
        ("clearing.height_cm", "fr", "un metre et demi", 150),
        ("clearing.height_cm", "fr", "1m 5", "number_range"),  # 105, or 150?
        ("clearing.height_cm", "ha", "mita 1 da rabi", 150),
        ("clearing.height_cm", "ha", "mita da rabi", "number_range"),  # never half a metre
        ("planting.workers", "fr", "nous sommes 4", 4),
        ("planting.workers", "fr", "vingt et un", 21),
        ("planting.workers", "fr", "pas 3", "number_range"),
        ("planting.workers", "ha", "mutane 3", 3),
        ("planting.workers", "ha", "sha biyu", 12),
        ("planting.workers", "sw", "watu vitatu", 3),
        ("planting.workers", "en", "3 of 100", "number_range"),
        ("field.steps_counted", "fr", "27 pas", 27),
        ("field.steps_counted", "ha", "taku ashirin da bakwai", 27),
        ("planting.tank_l", "fr", "seize litres", 16),
        ("planting.tank_l", "ha", "lita 15", 15),
        ("sprayer.strip_used_l", "fr", "50 cl", 0.5),
        ("sprayer.seconds_for_100_m", "fr", "2 min 30", 150),
        ("sprayer.seconds_for_100_m", "en", "2 minutes 30 seconds", 150),
        ("sprayer.seconds_for_100_m", "ha", "minti 2 da 3", "number_range"),
        ("stakes.sprouted_of_20", "fr", "17 sur 20", 17),
        ("stakes.sprouted_of_20", "sw", "17 kati ya 20", 17),
        ("stakes.sprouted_of_20", "en", "17/20", 17),
        ("stakes.sprouted_of_20", "en", "17 of 100", "number_range"),
        ("stakes.sprouted_of_20", "fr", "17 pas", "number_range"),  # 17 that did not?
        ("gaps.gaps_in_100", "en", "10%", 10),
    ],
)
def test_an_amount_in_each_language(state: str, language: str, text: str, expected: object) -> None:
    assert value(state, language, text) == expected


@pytest.mark.parametrize(
    ("language", "text", "expected"),
    [
        ("fr", "2 hectares et demi", "2.5 ha"),
        ("fr", "1 et 1/4 ha", "1.25 ha"),
        ("fr", "demi-hectare", "0.5 ha"),
        ("fr", "la moitie d'un hectare", "0.5 ha"),
        ("fr", "40 sur 60", "40x60 m"),
        ("fr", "40 par 60 m", "40x60 m"),
        ("fr", "60 m de long et 40 m de large", "60x40 m"),
        ("fr", "25 ares", "not_understood"),  # no slip in 25 acres
        ("fr", "2 et demi", "which_unit"),
        ("ha", "hekta biyu da rabi", "2.5 ha"),
        ("ha", "40 da 60", "40x60 m"),
        ("ha", "40 a kan 60", "40x60 m"),
        ("ha", "eka \N{LATIN SMALL LETTER D WITH HOOK}aya", "1 acre"),
        ("ha", "eka da rabi", "not_understood"),  # an acre and a half: never half an acre
        ("sw", "ekari na nusu", "not_understood"),
        ("en", "an acre and a half", "1.5 acre"),
        ("en", "2 acres and", "not_understood"),
        ("en", "length 60 width 40", "60x40 m"),
        ("en", "length 60", "which_unit"),
        ("sw", "urefu 60 upana 40", "60x40 m"),
    ],
)
def test_a_size_in_each_language(language: str, text: str, expected: object) -> None:
    assert value("field.area", language, text) == expected


def test_a_long_run_of_scales_is_refused_at_once() -> None:
    # Tried in every way it would take half a minute.
    assert value("tillage.price_per_tonne", "fr", "cent " * 12) == "number_range"


def test_number_words_that_could_be_one_number_are_no_two_sides() -> None:
    for language, text in (("fr", "soixante dix"), ("fr", "quatre vingt"), ("ha", "sha biyu")):
        assert value("field.paces_of_rectangle", language, text) == "how_many_sides"
    assert value("field.paces_of_rectangle", "fr", "pas 80 55") == "how_many_sides"


@pytest.mark.parametrize(
    ("language", "text", "expected"),
    [
        ("fr", "1er avril", "2026-04-01"),
        ("fr", "premier avril", "2026-04-01"),
        ("fr", "le 12 mars", "2026-03-12"),
        ("fr", "lundi 9 mars", "2026-03-09"),
        ("fr", "lundi 10 mars", "no_such_day"),
        ("fr", "merci", "day_in_words"),  # no slip in mercredi
        ("fr", "le 12", "day_in_words"),
        ("ha", "12 ga Maris", "2026-03-12"),
        ("ha", "12 ga watan Maris", "2026-03-12"),
        ("ha", "sha biyu ga Maris", "2026-03-12"),
        ("ha", "ran Litinin", "2026-03-09"),
        ("ha", "bayan kwana 3", "2026-03-07"),
        ("en", "Monday 9 March", "2026-03-09"),
        ("en", "Fri 6/3", "2026-03-06"),
        ("en", "Monday or Tuesday", "day_in_words"),
        ("en", "12xx March", "day_in_words"),
        ("en", "March 12xx", "day_in_words"),
    ],
)
def test_a_day_in_each_language(language: str, text: str, expected: object) -> None:
    assert value("planting.start_date", language, text) == expected


@pytest.mark.parametrize(
    ("language", "text", "expected"),
    [
        ("fr", "hier c'est fait", ("done", "2026-03-03")),
        ("fr", "non, pas encore", ("not_yet", None)),
        ("fr", "le 1er mars", ("done", "2026-03-01")),
        ("fr", "le 1", None),  # the answer 1, or the day?
        ("fr", "pas fait hier", None),
        ("ha", "jiya na gama", ("done", "2026-03-03")),
        ("ha", "na gama 1 ga Maris", ("done", "2026-03-01")),
        ("ha", "sai Litinin", ("not_yet", "2026-03-09")),
        ("en", "on Friday", None),
        ("en", "done 1 March", ("done", "2026-03-01")),
        ("en", "12 March 2", None),
        ("sw", "ndiyo bado", None),
    ],
)
def test_a_report_in_each_language(
    language: str, text: str, expected: tuple[str, str | None] | None
) -> None:
    found = reading("report.report", language, text)
    if expected is None:
        assert isinstance(found, Unread)
    else:
        assert isinstance(found, dict)
        assert (found["report"], found["reported_on"]) == expected


@pytest.mark.parametrize(
    ("state", "language", "text", "expected"),
    [
        ("clearing.cover", "ha", "ciyawa siririya", "grass"),
        ("clearing.cover", "fr", "GRAMINEES", "grass"),
        ("field.shape", "ha", "gefe hudu", "four_sides"),  # the label has a hook
        ("clearing.green", "ha", "a'a ta bushe", False),
        ("clearing.green", "ha", "eh ta bushe", "yes_or_no"),
        ("clearing.green", "fr", "oui non", "yes_or_no"),
        ("clearing.herbicide_ok", "fr", "ouii", "yes_or_no"),
        ("weeding.product", "ha", "ciyawa siririya", "pick_one"),  # the weed, not its product
        ("weeding.product", "ha", "maganin ciyawa", "pick_one"),  # any chemical for weeds
        ("weeding.product", "en", "broad leaved", "pick_one"),
        ("weeding.product", "fr", "pas de glyphosate", "pick_one"),
        ("weeding.weed_stage", "en", "15 to 20 cm", "ready"),
        ("weeding.weed_stage", "fr", "plus de 20 cm", "late"),
        ("weeding.weed_stage", "en", "4 leaves", "pick_one"),  # "under 4 leaves" it is not
        ("weeding.weed_stage", "en", "20 leaves", "pick_one"),
    ],
)
def test_a_choice_in_each_language(state: str, language: str, text: str, expected: object) -> None:
    assert value(state, language, text) == expected


@pytest.mark.parametrize(
    ("language", "text", "expected"),
    [
        ("en", "stones, slope", {"stony", "sloping"}),
        ("sw", "mawe na maji", {"stony", "waterlogged"}),
        ("fr", "pierres et pente", {"stony", "sloping"}),
        ("ha", "duwatsu da gangara", {"stony", "sloping"}),
        ("ha", "duka", {"stony", "shallow", "waterlogged", "sloping"}),
        ("en", "no stones and slope", None),
        ("sw", "hakuna mawe na maji", None),
        ("fr", "pierres mais pas de pente", None),
    ],
)
def test_several_faults_in_words(language: str, text: str, expected: set[str] | None) -> None:
    found = reading("field.faults", language, text)
    if expected is None:
        assert isinstance(found, Unread)
    else:
        assert isinstance(found, dict)
        assert {name for name, fits in found.items() if fits} == expected


@pytest.mark.parametrize("language", LANGUAGES)
def test_other_words_stand_for_answers_that_are_read(language: str) -> None:
    others = data.languages()[language].words._other_words  # noqa: SLF001 - all of them
    for question, answers in others.items():
        for text, answer in answers.items():
            found = reading(question, language, answer)
            assert not isinstance(found, Unread), (question, answer)
            assert reading(question, language, text) == found
