from __future__ import annotations

import dataclasses
from datetime import date, timedelta
from typing import TYPE_CHECKING

import pytest
import yaml
from msgspec.structs import replace

from bot import data
from bot.dialogue.loading import read_flows
from bot.dialogue.records import Grower, Session
from bot.dialogue.turn import Dialogue
from bot.wording.gsm import segments
from bot.wording.screens import fits_screen

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from bot.dialogue.loading import Flows
    from bot.wording.languages import Language
    from tests.dialogue.conftest import Phone

TUESDAY = date(2026, 3, 3)

# What is answered, and the question that then stands.
ENGLISH = [
    ("hi", "welcome.language"),
    ("English", "field.area"),
    ("1.5 acre", "field.fertile"),
    ("yes", "field.faults"),
    ("none", "clearing.cover"),
    ("grass", "clearing.height_cm"),
    ("1.2 m", "clearing.hard_weeds"),
    ("n", "clearing.green"),
    ("yes", "clearing.herbicide_ok"),
    ("yes", "tillage.price_per_tonne"),
    ("10,000", "tillage.haulage_cost_per_tonne"),
    ("0", "tillage.plough_cost_per_acre"),
    ("15k", "tillage.ridge_cost_per_acre"),
    ("10000", "tillage.dry_season_harvest"),
    ("yes", "planting.low_sprouting"),
    ("no", "planting.fast_early_weeds"),
    ("yes", "planting.preemergence"),
    ("atrazine", "planting.tank_l"),
    ("16 litres", "planting.workers"),
    ("2", "planting.date_kind"),
    ("1", "planting.start_date"),
    ("tomorrow", ""),
]
KISWAHILI = [
    ("habari", "welcome.language"),
    ("kiswahili", "field.area"),
    ("nusu ekari", "field.fertile"),
    ("hapana", "field.faults"),
    ("mteremko", "clearing.cover"),
    ("vichaka", "clearing.height_cm"),
    ("40", "clearing.hard_weeds"),
    ("ndiyo", "clearing.green"),
    ("ndio", "clearing.herbicide_ok"),
    ("hapana", "tillage.price_per_tonne"),
    ("sijui", "tillage.haulage_cost_per_tonne"),
    ("0", "tillage.plough_cost_per_acre"),
    ("sijui", "tillage.ridge_cost_per_acre"),
    ("sijui", "planting.low_sprouting"),  # a slope is ridged, so nothing more is asked of it
    ("hapana", "planting.fast_early_weeds"),
    ("hapana", "planting.workers"),
    ("watatu", "planting.date_kind"),
    ("kuanzia", "planting.start_date"),
    ("leo", ""),
]


def words(command: str, *codes: str) -> list[str]:
    """All the words for a command, of these languages or of all, as the words files have them."""
    found = []
    for code in codes or data.dialogue().languages:
        file = data.folder("locales") / code / "words.yaml"
        raw = yaml.load(file.read_text(encoding="utf-8"), Loader=yaml.BaseLoader)  # noqa: S506 - builds no objects
        found += raw["commands"][command]
    return list(dict.fromkeys(found))


def question(phone: Phone) -> str:
    """The open question as last put."""
    return phone.turn.replies[-1]


# The conversation


def test_a_new_number_is_welcomed_and_asked_for_its_language_in_every_language(
    phone: Phone,
) -> None:
    reply = phone.send("hello")
    assert "Fieldbell" in reply
    assert "language?" in reply
    assert "Lugha" in reply
    assert "1 English\n2 Kiswahili" in reply
    assert phone.state == "welcome.language"


@pytest.mark.parametrize("talk", [ENGLISH, KISWAHILI], ids=["en", "sw"])
def test_a_whole_conversation_ends_in_a_plan(phone: Phone, talk: list[tuple[str, str]]) -> None:
    for text, state in talk:
        phone.send(text)
        assert phone.state == state, f"after {text!r}"
    plan = phone.grower.plan
    assert plan is not None
    assert [each.due for each in plan.operations] == sorted(each.due for each in plan.operations)
    assert {"plant", "gap_fill", "harvest_check"} <= {each.id for each in plan.operations}
    assert not phone.turn.more
    assert all(segments(text) <= 2 for text in phone.turn.replies)


def test_the_plan_of_tall_grass_waits_for_regrowth_and_for_the_kill(phone: Phone) -> None:
    for text, _ in ENGLISH:
        phone.send(text)
    plan = phone.grower.plan
    assert plan is not None
    due = {each.id: each.due for each in plan.operations}
    assert due["slash"] == TUESDAY
    assert due["spray_fallow"] == TUESDAY + timedelta(days=14)
    assert due["plough"] == TUESDAY + timedelta(days=28)
    assert "Tue 3 Mar: cut" in phone.turn.replies[0]


def test_a_plan_in_kiswahili_has_no_english_in_it(phone: Phone) -> None:
    for text, _ in KISWAHILI:
        phone.send(text)
    texts = "\n".join(phone.turn.replies)
    assert "Mpango wako wa 0.5 ekari" in texts
    assert [word for word in (" the ", " and ", "weed", "plant ", "Wed ") if word in texts] == []


def test_two_faults_ask_whether_to_go_on_and_no_ends_without_a_plan(phone: Phone) -> None:
    phone.send("hi", "1", "1 acre", "no", "1 3")
    assert phone.state == "field.go_on"
    assert "NEW" in phone.send("no")
    assert phone.grower.plan is None
    assert phone.state == ""


# BACK


def test_back_at_the_first_question_says_so(phone: Phone) -> None:
    phone.send("hi", "1")
    assert phone.send("back").startswith("This is the first question.")
    assert phone.state == "field.area"


def test_back_across_a_decision_forgets_the_answer_and_takes_the_other_way(phone: Phone) -> None:
    phone.send("hi", "1", "1 acre", "yes", "none", "grass", "60")
    assert phone.state == "clearing.hard_weeds"
    phone.send("back")
    assert phone.state == "clearing.height_cm"
    phone.send("BACK")
    assert phone.state == "clearing.cover"
    session = phone.grower.session
    assert session is not None
    assert not {"cover", "height_cm"} & session.answers.keys()
    assert session.answers["area"] == "1 acre"
    phone.send("almost bare")
    assert phone.state == "clearing.hard_weeds"


def test_back_goes_into_the_flow_before(phone: Phone) -> None:
    phone.send("hi", "1", "1 acre", "yes", "none", "back")
    assert phone.state == "field.faults"
    session = phone.grower.session
    assert session is not None
    assert "stony" not in session.answers


def test_an_answer_taken_back_is_not_in_the_plan(phone: Phone) -> None:
    for text, _ in ENGLISH[:-4]:
        phone.send(text)
    assert phone.state == "planting.tank_l"
    phone.send("back")
    assert phone.state == "planting.preemergence"
    phone.send("back", "no", "16", "2", "1", "today")
    plan = phone.grower.plan
    assert plan is not None
    assert plan.find("spray_preemergence") is None
    assert "preemergence" not in phone.grower.answers


def test_double_nought_is_back_on_ussd(dialogue: Dialogue, phone: Phone) -> None:
    phone.send("hi", "1", "1 acre")
    turn = dialogue.turn(phone.grower, "00", phone.today, "ussd")
    assert turn.grower.session is not None
    assert turn.grower.session.state == "area"


# HELP, PLAN, NEW, SAME, LANGUAGE


@pytest.mark.parametrize("word", ["help", "HELP!", "msaada"])
def test_help_explains_and_asks_again(phone: Phone, word: str) -> None:
    phone.send("hi", "2" if word == "msaada" else "1", "1 ac")
    before = question(phone)
    reply = phone.send(word)
    assert before in reply
    assert ("BACK" in reply) == (word != "msaada") or "RUDI" in reply
    assert phone.state == "field.fertile"
    assert phone.grower.trouble == "asked for help"


def test_help_at_the_language_question_is_help(dialogue: Dialogue) -> None:
    asked = dialogue.turn(Grower(), "hi", TUESDAY).grower
    deaf = [
        word
        for word in words("help")
        if dialogue.turn(asked, word, TUESDAY).grower.trouble != "asked for help"
    ]
    assert deaf == []


def test_plan_without_a_plan_says_so_and_keeps_the_question(phone: Phone) -> None:
    phone.send("hi", "1", "1 acre")
    reply = phone.send("plan")
    assert reply.startswith("You have no plan yet.")
    assert phone.state == "field.fertile"


def test_plan_shows_the_days_that_are_left(planned: Phone) -> None:
    planned.remind(TUESDAY)
    planned.send("done today")
    reply = planned.send("my plan")
    assert "Your plan for 1 acre:" in reply
    assert ": spray\n" not in reply
    assert "clear" in reply
    assert planned.state == ""


def test_new_offers_earlier_answers_and_same_keeps_them(planned: Phone) -> None:
    before = dict(planned.grower.answers)
    assert "Last time: 1 acre. Send SAME to keep it." in planned.send("new")
    for _ in ENGLISH:
        if planned.state.endswith("date"):
            break
        reply = planned.send("same")
    assert planned.state == "planting.start_date"
    assert "Last time" not in reply  # a day is not offered back
    planned.send("same")
    assert "There is no earlier answer to keep." in planned.turn.replies[0]
    planned.send("today")
    assert planned.grower.answers == before


def test_new_keeps_the_old_plan_until_there_is_another(planned: Phone) -> None:
    plan = planned.grower.plan
    planned.send("new", "2 acres", "yes")
    assert planned.grower.plan == plan


def test_a_change_of_language_loses_no_answer(phone: Phone) -> None:
    phone.send("hi", "1", "1 acre", "yes", "none", "grass")
    phone.send("language", "kiswahili")
    assert phone.grower.language == "sw"
    assert phone.state == "clearing.height_cm"


# STOP and START


@pytest.mark.parametrize("word", words("stop"))
@pytest.mark.parametrize("sent", [0, 1, 2, 7, len(ENGLISH)])
def test_stop_works_everywhere_in_every_language(phone: Phone, word: str, sent: int) -> None:
    for text, _ in ENGLISH[:sent]:
        phone.send(text)
    reply = phone.send(word.upper())
    assert "no more texts" in reply
    assert phone.grower.stopped
    assert phone.grower.waiting == ()
    assert not phone.turn.more
    assert "START" in phone.send("1")
    assert phone.grower.stopped


def starting(dialogue: Dialogue, grower: Grower, candidates: list[str]) -> list[str]:
    """Those of the words after which a grower who has stopped gets texts again."""
    stopped = dialogue.turn(grower, "stop", TUESDAY).grower
    return [word for word in candidates if not dialogue.turn(stopped, word, TUESDAY).grower.stopped]


@pytest.mark.parametrize("language", ["en", "sw"])
def test_start_works_in_the_growers_own_words(dialogue: Dialogue, language: str) -> None:
    own = words("start", language)
    assert starting(dialogue, Grower(language=language), own) == own


@pytest.mark.parametrize("language", ["en", "sw"])
def test_start_works_in_every_languages_words_as_stop_does(
    dialogue: Dialogue, language: str
) -> None:
    every = words("start")
    assert starting(dialogue, Grower(language=language), every) == every


def test_start_works_before_a_language_is_chosen(phone: Phone) -> None:
    phone.send("hi", "acha", "anza")
    assert not phone.grower.stopped
    assert phone.state == "welcome.language"


def test_after_stop_no_reminder_is_composed_and_after_start_it_is(planned: Phone) -> None:
    planned.send("stop")
    assert planned.remind(TUESDAY) == ""
    assert planned.grower.plan is not None
    planned.send("start")
    assert "Spray the green leaves" in planned.remind(TUESDAY)


def test_stop_takes_what_waits_to_go_out(planned: Phone, dialogue: Dialogue) -> None:
    due = dialogue.remind(planned.grower, TUESDAY)
    assert due.waiting
    assert dialogue.turn(due, "simama", TUESDAY).grower.waiting == ()


def test_start_is_an_answer_where_it_names_a_choice(phone: Phone) -> None:
    for text, state in ENGLISH:
        if state == "planting.start_date":
            break
        phone.send(text)
    assert phone.state == "planting.date_kind"
    phone.send("start")
    assert phone.state == "planting.start_date"


def test_go_on_at_the_question_whether_to_go_on_is_an_answer(phone: Phone) -> None:
    phone.send("hi", "1", "1 acre", "no", "1 3")
    before = question(phone)
    assert phone.send("go on") != before  # read as yes, or else told what is expected


# Answers that cannot be read


def test_three_misread_answers_bring_a_person(phone: Phone) -> None:
    phone.send("hi", "1", "1 acre")
    for _ in range(2):
        reply = phone.send("blue")
        assert reply.startswith("Please answer 1 for yes or 2 for no.")
        assert phone.grower.trouble == ""
    reply = phone.send("blue")
    assert "I have asked your agent to call you." in reply
    assert phone.grower.trouble == "could not answer a question"
    phone.send("yes", "blue")
    assert phone.grower.session is not None
    assert phone.grower.session.tries == 1


def test_what_numbers_of_a_list_are_expected_is_said_once(phone: Phone) -> None:
    reply = phone.send("hi", "9")
    assert reply.startswith("I did not understand that. Send the number of your language.\n")
    reply = phone.send("1", "1 acre", "yes", "blue")
    assert reply.startswith(
        "I did not understand that. Send the numbers that fit, such as 1 4, or 5 for none.\n"
    )
    # A list without a hint of its own.
    assert phone.send("none", "blue").startswith("Please answer with one of the numbers.\n")


@pytest.mark.parametrize("text", ["9999999999999999", "9" * 400 + " acre", "9" * 480, "0x0", "1x0"])
def test_absurd_numbers_get_a_reply(phone: Phone, text: str) -> None:
    phone.send("hi", "1")
    assert phone.send(text)
    assert phone.state == "field.area"


@pytest.mark.parametrize(
    "text", ["paraquat", "Can I use PARAQUAT?", "I have para\u00adquat", "paraquat 20%"]
)
@pytest.mark.parametrize("language", ["1", "2"])
@pytest.mark.parametrize("sent", [0, 1, 4])
def test_paraquat_is_refused_everywhere(phone: Phone, text: str, language: str, sent: int) -> None:
    phone.send("hi", language)
    phone.send(*["1 acre", "1", "5", "1"][:sent])
    state = phone.state
    refusal = {"1": "We do not advise paraquat", "2": "Hatushauri paraquat"}[language]
    assert refusal in phone.send(text)
    assert phone.state == state


@pytest.mark.parametrize("text", ["paraquat", "4", "I have paraquat", "paraquat and glyphosate"])
@pytest.mark.parametrize("language", ["en", "sw"])
def test_paraquat_is_refused_at_the_question_for_the_product(
    planned: Phone, text: str, language: str
) -> None:
    given = {"gate_open": True, "last_group": None, "herbicide_ok": True}
    answers = given | {"weed_cover": "third", "weed_stage": "ready", "weed_kind": "other"}
    version = planned.dialogue.flows.flows["weeding"].version
    session = Session("weeding", "product", version, answers=answers, about="weed_check_3")
    planned.grower = replace(planned.grower, language=language, session=session)
    reply = planned.send(text)
    assert {"en": "there is no antidote", "sw": "haina dawa ya kuiponya"}[language] in reply
    assert "spray_shielded" not in str(planned.grower.plan)


# Reports and reminders


def test_done_without_being_asked_is_a_report(planned: Phone) -> None:
    planned.today = date(2026, 3, 5)
    assert planned.send("done yesterday").startswith("Noted: done on Wed 4 Mar.")
    plan = planned.grower.plan
    assert plan is not None
    spray = plan.find("spray_fallow")
    assert spray is not None
    assert spray.done == date(2026, 3, 4)


def test_a_reminder_breaks_in_is_answered_and_the_question_comes_back(planned: Phone) -> None:
    planned.send("new", "2 acres", "yes")
    before, open_question = planned.state, question(planned)
    assert "1 Done" in planned.remind(TUESDAY)
    assert planned.state == "report.report"
    reply = planned.send("1")
    assert reply.startswith("Noted: done on Tue 3 Mar.")
    assert reply.endswith(open_question)
    assert planned.state == before
    session = planned.grower.session
    assert session is not None
    assert session.answers["area"] == "2 acre"


def test_a_second_reminder_does_not_bury_the_conversation(planned: Phone) -> None:
    planned.send("new", "2 acres")
    planned.remind(TUESDAY)
    planned.remind(TUESDAY + timedelta(days=3))
    planned.send("1 today")
    assert planned.state == "field.fertile"


def test_nought_is_an_answer_again_after_an_interrupted_long_screen(planned: Phone) -> None:
    planned.send("new")
    for _ in ENGLISH:
        if planned.state == "tillage.haulage_cost_per_tonne":
            break
        planned.send("same")
    assert planned.state == "tillage.haulage_cost_per_tonne"
    planned.channel = "ussd"
    planned.send("plan")
    assert planned.grower.session is not None
    assert planned.grower.session.rest
    planned.channel = "sms"
    planned.remind(TUESDAY)
    planned.send("1 today")
    assert planned.state == "tillage.haulage_cost_per_tonne"
    planned.send("0")
    assert planned.state == "tillage.plough_cost_per_acre"


def test_work_reported_before_what_it_follows_is_asked_again(planned: Phone) -> None:
    planned.today = date(2026, 3, 20)
    planned.send("done 19/3")
    planned.send("done 2/3")  # cleared 17 days before the spray it follows
    plan = planned.grower.plan
    assert plan is not None
    clear = plan.find("clear")
    assert clear is not None
    assert clear.done is None


# USSD


def test_the_redial_of_a_cut_session_shows_the_same_question(phone: Phone) -> None:
    phone.channel = "ussd"
    phone.send("", "1", "1 acre")
    before = question(phone)
    assert phone.send("").endswith(before)
    assert phone.state == "field.fertile"
    assert phone.turn.more


@pytest.mark.parametrize("word", ["plan", "mpango"])
def test_a_long_screen_is_paged_with_nought_and_nothing_is_lost(
    planned: Phone, dialogue: Dialogue, word: str
) -> None:
    if word == "mpango":
        planned.grower = replace(planned.grower, language="sw")
    whole = planned.send("new", word)
    planned.channel = "ussd"
    shown = [planned.send(word)]
    for _ in range(20):
        if planned.grower.session is None or not planned.grower.session.rest:
            break
        assert planned.turn.more
        shown.append(planned.send("0"))
    assert len(shown) > 2
    assert all(map(fits_screen, shown))
    more = "\n" + dialogue.voice(planned.grower.language).say("more")
    assert " ".join(each.removesuffix(more) for each in shown).split() == whole.split()
    planned.send("3 ha")
    assert planned.state == "field.fertile"


def test_more_can_be_asked_for_in_a_word(planned: Phone) -> None:
    planned.channel = "ussd"
    first = planned.send("new", "plan")
    assert first.endswith("0 more")
    assert planned.send("more") not in ("", first)


def test_a_plan_made_on_ussd_comes_whole_by_sms(phone: Phone) -> None:
    phone.channel = "ussd"
    phone.send("")
    for text, _ in ENGLISH[1:]:
        phone.send(text)
    assert phone.grower.plan is not None
    assert fits_screen(phone.turn.replies[0])
    assert [each.kind for each in phone.grower.waiting] == ["reply"] * len(phone.grower.waiting)
    texts = "\n".join(each.body for each in phone.grower.waiting)
    assert "Your plan for 1.5 acre:" in texts
    assert "goggles" in texts


# Flows that change under a conversation


def changed(flows: Flows, name: str) -> Flows:
    """The same flows under another version of one."""
    flow = dataclasses.replace(flows.flows[name], version="00000000")
    return dataclasses.replace(flows, flows={**flows.flows, name: flow})


ROOTS = (
    "  roots:\n    ask: Old roots?\n    yes_no: true\n    unsure: true\n"
    "    assume: old roots are there\n    then: cover\n"
)
"""A question that a flow file gains."""


def test_a_changed_flow_carries_the_grower_on_from_the_open_question(
    phone: Phone, flows: Flows, languages: dict[str, Language]
) -> None:
    phone.send("hi", "1", "1 acre", "yes", "none", "grass", "40")
    phone.dialogue = Dialogue(changed(flows, "clearing"), languages)
    phone.send("no")
    assert phone.state == "clearing.green"
    phone.send("back")
    assert phone.state == "clearing.hard_weeds"


def test_a_question_added_before_the_open_one_is_asked_first(
    phone: Phone,
    flow_folder: Path,
    edit: Callable[[str, str, str], None],
    languages: dict[str, Language],
) -> None:
    phone.send("hi", "1", "1 acre", "yes", "none", "grass", "40")
    edit(
        "clearing.yaml",
        "states:\n  cover:\n",
        f"states:\n{ROOTS}  cover:\n",
    )
    phone.dialogue = Dialogue(read_flows(flow_folder), languages)
    assert "Old roots?" in phone.send("no")
    phone.send("no")
    assert phone.state == "clearing.hard_weeds"


def test_an_answer_no_longer_offered_is_asked_again(
    phone: Phone,
    flow_folder: Path,
    edit: Callable[[str, str, str], None],
    languages: dict[str, Language],
) -> None:
    phone.send("hi", "1", "1 acre", "yes", "none", "almost bare")
    edit("clearing.yaml", "      sparse: Almost bare\n", "      bare: Almost bare\n")
    file = flow_folder / "clearing.yaml"
    file.write_text(file.read_text().replace("cover: sparse", "cover: bare"))
    phone.dialogue = Dialogue(read_flows(flow_folder), languages)
    phone.send("no")
    assert phone.state == "clearing.cover"


def test_a_plan_is_not_made_over_a_question_that_an_earlier_flow_has_gained(
    phone: Phone,
    flow_folder: Path,
    edit: Callable[[str, str, str], None],
    languages: dict[str, Language],
) -> None:
    # The conversation stands in planting.yaml when clearing.yaml, already passed, is changed.
    for text, _ in ENGLISH[:-1]:
        phone.send(text)
    edit(
        "clearing.yaml",
        "states:\n  cover:\n",
        f"states:\n{ROOTS}  cover:\n",
    )
    phone.dialogue = Dialogue(read_flows(flow_folder), languages)
    phone.send("today")
    assert phone.state == "clearing.roots"
    assert phone.grower.plan is None


def test_back_after_a_change_of_an_earlier_flow_is_no_error(
    phone: Phone, flow_folder: Path, languages: dict[str, Language]
) -> None:
    phone.send("hi", "1", "1 acre", "yes", "none", "grass", "40", "no", "yes", "yes")
    file = flow_folder / "clearing.yaml"
    text = file.read_text().replace("  herbicide_ok:\n", "  sprayer:\n    answer: herbicide_ok\n")
    file.write_text(text.replace("then: herbicide_ok\n", "then: sprayer\n"))
    phone.dialogue = Dialogue(read_flows(flow_folder), languages)
    assert phone.send("back")


def test_where_nothing_can_be_carried_on_the_grower_is_told_and_not_taken_at_their_word(
    planned: Phone,
) -> None:
    gone = Session("weeding", "no_such_state", "00000000", about="weed_check_1")
    planned.grower = replace(planned.grower, session=gone)
    assert planned.send("1").startswith("My questions have changed, so we begin again.")
    assert planned.state == "menu.choice"


def test_where_the_flow_itself_is_gone_the_grower_is_told(planned: Phone) -> None:
    planned.grower = replace(planned.grower, session=Session("fertiliser", "when", "00000000"))
    assert planned.send("1").startswith("My questions have changed, so we begin again.")


def test_a_turn_changes_nothing_it_was_given(phone: Phone, dialogue: Dialogue) -> None:
    phone.send("hi", "1")
    before = phone.grower
    dialogue.turn(before, "1 acre", phone.today)
    assert before == phone.grower
    assert Grower() == Grower(language="")


def test_back_at_the_language_question_returns_to_the_one_that_stood(phone: Phone) -> None:
    phone.send("hi", "1", "1 acre", "language")
    assert phone.state == "welcome.language"
    phone.send("back")
    assert phone.state == "field.fertile"


def test_changing_the_language_keeps_the_open_question_and_the_answers(phone: Phone) -> None:
    phone.send("hi", "1", "1 acre", "language", "kiswahili")
    assert phone.state == "field.fertile"
    assert phone.grower.language == "sw"
    assert phone.grower.session is not None
    assert phone.grower.session.answers["area"] == "1 acre"


def test_stop_keeps_the_open_question_for_start(phone: Phone) -> None:
    phone.send("hi", "1", "1 acre", "stop", "start")
    assert phone.state == "field.fertile"


def test_who_can_get_neither_product_is_told_to_hoe_early(phone: Phone) -> None:
    *before, _preemergence, tank, people, _kind, _day = [text for text, _ in ENGLISH]
    reply = phone.send(*before, "neither", tank, people, "1", "today")
    assert phone.grower.plan is not None
    assert "pre-emergence" not in reply
    assert "hoe the first time" in reply


@pytest.mark.parametrize(("fault", "ridged"), [("1", False), ("2", True), ("3", True), ("4", True)])
def test_a_fault_whose_remedy_is_ridges_is_ridged_whatever_it_costs(
    phone: Phone,
    fault: str,
    ridged: bool,  # noqa: FBT001 - a column of the table
) -> None:
    phone.send("hi", "1", "1 acre", "yes", fault, "almost bare", "no", "no")
    phone.send("1000", "0", "90000", "90000")
    for _ in range(10):
        if phone.state == "planting.workers":
            break
        phone.send("no")
    assert phone.state == "planting.workers"
    phone.send("2", "start", "today")
    assert phone.grower.plan is not None
    assert (phone.grower.plan.find("ridge") is not None) == ridged


# What is not known, and what the menu offers


def test_an_answer_not_known_is_marked_and_the_plan_says_what_was_taken(phone: Phone) -> None:
    for text, state in ENGLISH[:-1]:
        phone.send("?" if state == "clearing.hard_weeds" else text)  # the height is not known
    phone.send("?")  # nor is the day
    assert {name for name in phone.grower.answers if "?" in name} == {"height_cm?", "start_date?"}
    assert phone.turn.replies[0].startswith(
        "You were not sure of these, so I took it that\n"
        "- the growth is over the knee, so it is cut and not sprayed standing\n"
        "- you start today\n"
        "Your plan for 1.5 acre:"
    )
    plan = phone.grower.plan
    assert plan is not None
    assert plan.operations[0].id == "slash"
    assert plan.operations[0].due == date(2026, 3, 2)


def test_same_keeps_that_an_answer_was_not_known(phone: Phone) -> None:
    for text, state in ENGLISH:
        phone.send("?" if state == "clearing.hard_weeds" else text)
    assert phone.grower.answers["height_cm?"] is True
    phone.send("new")
    for _ in ENGLISH:
        if phone.state == "planting.start_date":
            break
        phone.send("same")
    phone.send("tomorrow")
    assert phone.grower.answers["height_cm?"] is True
    assert "- the growth is over the knee" in phone.turn.replies[0]


@pytest.mark.parametrize("again", [("back", "40"), ("back", "back", "grass", "40")])
def test_an_answer_in_place_of_one_not_known_takes_the_mark_away(
    phone: Phone, again: tuple[str, ...]
) -> None:
    for text, state in ENGLISH:
        phone.send("?" if state == "clearing.hard_weeds" else text)
        if state == "clearing.hard_weeds":
            phone.send(*again)
    assert phone.state == ""
    assert phone.grower.answers["height_cm"] == 40
    assert [name for name in phone.grower.answers if "?" in name] == []
    assert "not sure" not in "".join(phone.turn.replies)


def test_a_field_paced_after_all_is_measured_is_no_longer_assumed(phone: Phone) -> None:
    phone.send("hi", "1", "?", "?")  # neither its size nor the step
    assert phone.state == "field.shape"
    phone.send("back", "back", "2 acres")
    assert phone.state == "field.fertile"
    for text, _ in ENGLISH[3:]:
        phone.send(text)
    assert phone.grower.answers["area"] == "2 acre"
    assert "not sure" not in "".join(phone.turn.replies)


@pytest.mark.parametrize(
    ("text", "state"),
    [
        ("sprayer", "sprayer.swath_m"),
        ("STAKES", "stakes.sprouted_of_20"),
        ("costs", "costs.wage_per_day"),
        ("report work done", "report.report"),
        ("4", "menu.choice"),  # a number answers only what was asked
        ("1", "menu.choice"),
        ("hello", "menu.choice"),
        ("?", "menu.choice"),
    ],
)
def test_a_choice_of_the_menu_in_words_is_taken_when_nothing_is_asked(
    planned: Phone, text: str, state: str
) -> None:
    assert planned.state == ""
    planned.send(text)
    assert planned.state == state


@pytest.mark.parametrize(
    ("number", "state"),
    [
        *(("1", ""), ("2", "report.report"), ("3", ""), ("4", "sprayer.swath_m")),
        *(("5", "stakes.sprouted_of_20"), ("6", "costs.wage_per_day"), ("7", "field.area")),
        ("8", ""),
    ],
)
def test_every_choice_of_the_menu_leads_somewhere(planned: Phone, number: str, state: str) -> None:
    planned.send("hello")
    assert planned.state == "menu.choice"
    assert planned.send(number)
    assert planned.state == state
    assert (planned.grower.trouble == "asked for help") == (number == "8")


def test_the_weeding_diary_begins_empty(planned: Phone) -> None:
    assert planned.send("weeding so far") == "No weed check yet."
