"""A grower's page at the desk: what it shows, what an agent may do, and that no text goes out."""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING
from urllib.parse import quote

import pytest
from desk_visits import ASHA, JUMA, LAKE, NINE, NORTH, OFFERED, TODAY, Desk, of_group
from hypothesis import HealthCheck, example, given
from hypothesis import settings as examples
from hypothesis import strategies as st
from msgspec.structs import replace

from bot.dialogue.records import Grower, Operation, Plan, enqueue
from bot.dialogue.standing import next_open
from bot.gateways.numbers import masked
from bot.reminders.schedule import next_due, text_due
from bot.store.errors import StoreUnavailable
from bot.store.keys import due_key, shard_of
from bot.store.rounds import Round, Rounds
from bot.store.texts import Line
from bot.store.uploads import Uploads
from bot.testing import Conversation
from bot.web.desk.growers import ASKED
from bot.web.desk.showing import work

if TYPE_CHECKING:
    import redis

    from bot.store.growers import Loaded, Store

SEASON = [
    *("hello", "1", "1 acre", "yes", "none", "broad leaves", "40", "no", "yes", "yes", "10,000"),
    *("0", "15000", "10k", "no", "no", "no", "no", "no", "yes", "1", "15 l", "2", "1", "today"),
]
"""A season from hello to the plan: spray, wait, clear, plough, ridge, plant."""

MAY_2027 = date(2027, 5, 1)


@pytest.fixture(scope="module")
def planned() -> Grower:
    """A grower whose plan begins today with a spray."""
    phone = Conversation(TODAY)
    phone.say_all(*SEASON)
    assert phone.grower.plan is not None
    return replace(phone.grower, name="Asha Nyembe", village="Kasele", group=NORTH)


@pytest.fixture
def agent(redis_client: redis.Redis) -> Desk:
    return Desk(redis_client).sign_in("baraka", NORTH)


@pytest.fixture
def asha(agent: Desk, planned: Grower) -> Desk:
    """An agent's desk, with a grower of theirs."""
    agent.put(ASHA, planned)
    return agent


def goes_out(desk: Desk, number: str = ASHA) -> list[str]:
    """What the sender would send now or in the next 40 days, reminders written as they fall due."""
    grower, sent = desk.grower(number), list[str]()
    for day in range(40):
        now = NINE + day * 24 * 3600
        grower = desk.exchange.compose(grower, TODAY + timedelta(days=day))
        while text := text_due(grower, now, OFFERED):
            sent.append(text.body)
            left = tuple(each for each in grower.waiting if each.serial != text.serial)
            grower = replace(grower, waiting=left)
    return sent


# Who sees it


def test_who_is_not_theirs_looks_like_who_is_not_there(agent: Desk) -> None:
    agent.put(ASHA, of_group(LAKE, "Asha Nyembe"))
    agent.put(JUMA, of_group("", "Juma Sengo"))
    pages = [agent.open(f"/desk/growers/{each}") for each in (ASHA, JUMA, "+255712000009")]
    pages += [agent.post(f"/desk/growers/{each}", do="stop") for each in (ASHA, "+255712000009")]
    assert {page.status for page in pages} == {404}
    assert len({page.said for page in pages}) == 1
    assert not agent.grower().stopped


@pytest.mark.parametrize("number", ["x", "712000001", "+255712000001 ", "{s00}:due", "a" * 3000])
def test_what_is_no_number_is_not_found(asha: Desk, number: str) -> None:
    assert asha.open(f"/desk/growers/{quote(number)}").status == 404


def test_an_unknown_deed_is_refused(asha: Desk) -> None:
    assert asha.post(f"/desk/growers/{ASHA}", do="sing").status == 400


def test_nothing_is_done_without_the_forms_own_token(asha: Desk) -> None:
    answer = asha.browser.post(f"/desk/growers/{ASHA}", data={"do": "stop"})
    assert answer.status_code == 400
    assert not asha.grower().stopped


# What it shows


def test_it_shows_who_they_are_and_what_is_planned(asha: Desk, planned: Grower) -> None:
    page = asha.open(f"/desk/growers/{ASHA}")
    for said in ("Asha Nyembe", "Kasele", NORTH, "English", ASHA):
        assert said in page.said
    assert planned.plan is not None
    assert [row[0] for row in page.rows[1:]] == [
        work(each.id) for each in planned.plan.in_date_order()
    ]


def test_it_shows_how_each_work_stands(agent: Desk) -> None:
    day = timedelta(days=1)
    plan = Plan(
        (
            Operation("slash", TODAY, TODAY - 9 * day, TODAY, done=TODAY - 6 * day, late=3),
            Operation("clear", TODAY, TODAY - day, TODAY, reminded=2, reminded_on=TODAY),
            Operation("plant", TODAY, TODAY + day, TODAY, promised=TODAY + 2 * day),
            Operation("weed_check_2", TODAY, MAY_2027, MAY_2027),
        )
    )
    agent.put(ASHA, of_group(NORTH, plan=plan))
    rows = {row[0]: row[2:] for row in agent.open(f"/desk/growers/{ASHA}").rows}
    assert rows["Cut the field low"][1] == "Done Tue 24 Feb , 3 days late"
    assert rows["Clear the field"][1] == "1 day behind ; reminded 2 times, last Mon 2 Mar"
    assert rows["Plant"][1] == "Open, put off to Wed 4 Mar"
    assert rows["Weed check 2"] == ["Due Sat 1 May 2027", "Open"]


def test_texts_go_both_ways_with_their_fate(asha: Desk) -> None:
    sent = [
        Line(1_772_400_000, "sent", "reminder", "Cut the field", serial=1, reference="a"),
        Line(1_772_400_100, "delivered", serial=1, reference="a"),
        Line(1_772_400_200, "heard", "sms", "not <yet>"),
        Line(1_772_400_300, "sent", "notice", "We meet", serial=2, reference="b"),
        Line(1_772_400_400, "failed", serial=2, reference="b", reason="switched off"),
        Line(1_772_400_500, "refused", "notice", "Again", serial=3, reason="no credit"),
    ]
    asha.put(ASHA, asha.grower(), *sent)
    said = asha.open(f"/desk/growers/{ASHA}").said
    wanted = [
        "2 Mar 2026, 00:28: notice, not taken by the gateway : no credit Again",
        "notice, did not arrive : switched off We meet",
        "2 Mar 2026, 00:23: from the grower, SMS not <yet>",
        "2 Mar 2026, 00:20: reminder, arrived Cut the field",
    ]
    assert sorted(wanted, key=said.index) == wanted


def test_what_waits_is_shown_and_held_back_from_who_has_stopped(asha: Desk) -> None:
    asha.put(ASHA, enqueue(asha.grower(), ["We meet on Friday"], "notice"))
    assert "Notice, as soon as it may We meet on Friday" in asha.open(f"/desk/growers/{ASHA}").said
    asha.put(ASHA, replace(asha.grower(), consent=False))
    said = asha.open(f"/desk/growers/{ASHA}").said
    assert "Notice, held back We meet on Friday" in said
    assert "has not agreed to be texted" in said


def test_a_name_that_is_markup_is_a_name(agent: Desk) -> None:
    agent.put(ASHA, of_group(NORTH, '<script>x</script> & "Co"'))
    assert '<script>x</script> & "Co"' in agent.open(f"/desk/growers/{ASHA}").said
    assert "<script>x</script>" in agent.open(f"/desk/groups/{NORTH}?part=none").said


# Reporting


def test_work_reported_done_moves_the_plan_and_texts_nobody(asha: Desk) -> None:
    work_next = next_open(asha.grower())
    assert work_next is not None
    day = (TODAY - timedelta(days=1)).isoformat()
    page = asha.do("report", operation=work_next.id, what="done", day=day)
    assert "Kept: " in page.said
    plan = asha.grower().plan
    assert plan is not None
    reported = plan.find(work_next.id)
    assert reported is not None
    assert reported.done == TODAY - timedelta(days=1)
    assert not asha.grower().waiting
    assert all(line.what != "sent" for line in asha.store.texts(ASHA))
    assert (asha.trail[0].what, asha.trail[0].whom) == ("reported", masked(ASHA))
    due = asha.store.redis.zscore(due_key(shard_of(ASHA)), ASHA)
    assert due == next_due(asha.grower(), OFFERED, NINE)


def test_work_is_put_off(asha: Desk) -> None:
    first = next_open(asha.grower())
    assert first is not None
    page = asha.do("report", operation=first.id, what="not_before", day="9/3/2026")
    assert "not before Mon 9 Mar 2026" in page.said
    moved = next_open(asha.grower())
    assert moved is not None
    assert (moved.id, moved.promised) == (first.id, date(2026, 3, 9))


@pytest.mark.parametrize(
    ("sent", "field", "said"),
    [
        ({"day": "2026-03-03"}, "day", "still to come"),
        ({"day": "soon"}, "day", "Write the day as"),
        ({"day": ""}, "day", "Write the day as"),
        ({"what": ""}, "what", "done or is put off"),
        ({"what": "not_before", "day": "2026-03-01"}, "day", "Put it off to a day from"),
        ({"what": "not_before", "day": "2029-03-01"}, "day", "Put it off to a day from"),
        ({"operation": "harvest"}, "operation", "Choose the work"),
    ],
)
def test_a_report_that_cannot_be_is_said_beside_its_field(
    asha: Desk, sent: dict[str, str], field: str, said: str
) -> None:
    before = asha.grower()
    first = next_open(before)
    assert first is not None
    page = asha.do(
        "report", **({"operation": first.id, "what": "done", "day": "2026-03-02"} | sent)
    )
    assert page.status == 400
    assert page.said.count(said) == 2
    assert f"#{field}" in page.parsed.links
    assert page.value("day") == sent.get("day", "2026-03-02")
    assert asha.grower() == before


def test_work_cannot_be_done_before_what_it_follows_nor_twice(asha: Desk) -> None:
    first = next_open(asha.grower())
    assert first is not None
    asha.do("report", operation=first.id, what="done", day="2026-03-02")
    then = next_open(asha.grower())
    assert then is not None
    page = asha.do("report", operation=then.id, what="done", day="2026-03-01")
    assert f"{work(first.id)} comes first, and was done on Mon 2 Mar 2026 only." in page.said
    page = asha.do("report", operation=first.id, what="done", day="2026-03-02")
    assert "was done on Mon 2 Mar 2026 already" in page.said


# Answering


def test_an_answer_gets_its_reply_shown_and_nothing_is_texted(agent: Desk) -> None:
    agent.put(ASHA, of_group(NORTH))
    form = agent.open(f"/desk/growers/{ASHA}")
    page = agent.do("answer", text="hello", once=form.hidden("once"))
    assert "The reply, which was not texted:" in page.said
    question = agent.exchange.dialogue.open_question(agent.grower())
    assert question
    assert " ".join(question.split()) in page.said
    assert agent.grower().waiting == ()
    told = [(line.what, line.kind, line.segments) for line in agent.store.texts(ASHA)]
    assert told == [("heard", "desk", 0), ("sent", "desk", 0)]
    assert "typed for the grower at the desk hello" in page.said
    assert all("hello" not in f"{entry}" for entry in agent.trail)


def test_a_form_sent_twice_is_answered_once(agent: Desk) -> None:
    agent.put(ASHA, of_group(NORTH))
    token = agent.open(f"/desk/growers/{ASHA}").hidden("once")
    first = agent.do("answer", text="hello", once=token)
    second = agent.do("answer", text="hello", once=token)
    assert first.said.count("not texted:") == second.said.count("not texted:") == 1
    assert len(agent.store.texts(ASHA)) == 2


@pytest.mark.parametrize("token", ["", "x", "../x", "0" * 31])
def test_an_answer_with_an_odd_token_is_taken_all_the_same(agent: Desk, token: str) -> None:
    agent.put(ASHA, of_group(NORTH))
    assert "not texted:" in agent.do("answer", text="hello", once=token).said
    assert agent.open(f"/desk/growers/{ASHA}?shown={token}").status == 200


def test_a_season_answered_at_the_desk_gives_a_plan_and_no_consent(agent: Desk) -> None:
    agent.put(ASHA, replace(of_group(NORTH), language="", consent=False))
    for text in SEASON:
        agent.do("answer", text=text)
    grower = agent.grower()
    assert grower.plan is not None
    assert not grower.consent
    assert goes_out(agent) == []


@pytest.mark.parametrize(
    "silent",
    [
        Grower(unreachable="no such number", trouble="no such number"),
        Grower(unreachable="no such number", trouble="asked for help"),
        Grower(consent=False),
    ],
)
def test_what_an_agent_types_is_no_word_of_the_grower(
    asha: Desk, planned: Grower, silent: Grower
) -> None:
    kept = {each: getattr(silent, each) for each in ("consent", "unreachable", "trouble")}
    asha.put(ASHA, enqueue(replace(planned, **kept), ["We meet on Friday"], "notice"))
    asha.do("answer", text="plan")
    assert {each: getattr(asha.grower(), each) for each in kept} == kept
    assert goes_out(asha) == []


@pytest.mark.parametrize("word", ["START", "anza", "STOP", "yes"])
def test_nothing_is_answered_for_who_has_stopped(asha: Desk, word: str) -> None:
    asha.do("stop")
    before = asha.grower()
    page = asha.do("answer", text=word)
    assert page.status == 400
    assert "has sent STOP" in page.said
    assert asha.grower() == before


@pytest.mark.parametrize("word", ["STOP", "acha", " stop. "])
def test_stop_is_no_answer(asha: Desk, word: str) -> None:
    page = asha.do("answer", text=word)
    assert "use the button" in page.said
    assert page.value("text") == word.strip() or page.value("text") == word
    assert not asha.grower().stopped


def test_an_empty_answer_asks_for_one(asha: Desk) -> None:
    assert "Write what the grower answers." in asha.do("answer", text="  ").said


# Who they are


def test_a_grower_is_edited(agent: Desk) -> None:
    agent.people.change("baraka", groups=(NORTH, LAKE))
    agent.groups.shelf.change(LAKE, lambda group: replace(group, zone="Africa/Kigali"))
    agent.put(ASHA, of_group(NORTH, "Asha"))
    sent = {"name": " Asha  Nyembe ", "village": "Kasele", "language": "sw", "group": LAKE}
    page = agent.do("edit", **sent)
    assert "The changes are kept." in page.said
    grower = agent.grower()
    assert (grower.name, grower.village, grower.language) == ("Asha Nyembe", "Kasele", "sw")
    assert (grower.group, grower.zone) == (LAKE, "Africa/Kigali")
    assert agent.groups.size(LAKE) == 1
    assert agent.groups.size(NORTH) == 0
    assert agent.trail[0].detail == "name, village, language, group"
    assert "Nothing was changed." in agent.do("edit", **sent).said


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("group", LAKE),
        ("group", ""),
        ("group", "Nowhere"),
        ("language", "tlh"),
        ("name", "x" * 81),
        ("village", "a\u202eb"),
    ],
)
def test_an_edit_that_cannot_be_changes_nothing_and_loses_nothing(
    asha: Desk, name: str, value: str
) -> None:
    before = asha.grower()
    sent = {"name": "Another", "village": "Lugongo", "language": "sw", "group": NORTH, name: value}
    page = asha.do("edit", **sent)
    assert page.status == 400
    assert f"#{name}" in page.parsed.links
    assert [page.value(each) for each in ("name", "village")] == [sent["name"], sent["village"]]
    assert asha.grower() == before


def test_an_admin_may_take_a_grower_out_of_every_group(asha: Desk) -> None:
    asha.sign_in("amina")
    grower = asha.grower()
    asha.do("edit", name=grower.name, village=grower.village, language="en", group="")
    assert asha.grower().group == ""
    assert "Asha Nyembe" in asha.open("/desk/no-group?part=week").said


# Stop and start


def test_stopped_at_the_desk_is_as_stopped_by_text(asha: Desk, planned: Grower) -> None:
    asha.put(ASHA, enqueue(planned, ["We meet on Friday"], "notice"))
    assert goes_out(asha)
    before = asha.grower()
    page = asha.do("stop")
    assert "No more texts go to this grower." in page.said
    assert asha.grower() == asha.exchange.dialogue.turn(before, "STOP", TODAY).grower
    assert goes_out(asha) == []
    assert asha.trail[0].what == "stopped texts to"


@pytest.mark.parametrize(
    ("silent", "why"),
    [
        ({"stopped": True, "told_stopped": TODAY}, "stopped"),
        ({"consent": False}, "no_consent"),
        ({"unreachable": "no such number", "trouble": "no such number"}, "unreachable"),
    ],
)
def test_texts_start_again_only_on_the_growers_word(
    asha: Desk, planned: Grower, silent: dict[str, object], why: str
) -> None:
    asha.put(ASHA, replace(planned, **silent))  # type: ignore[arg-type]
    assert goes_out(asha) == []
    page = asha.do("start", was=why)
    assert page.status == 400
    assert "Tick this only" in page.said
    assert goes_out(asha) == []
    page = asha.do("start", was=why, asked="yes")
    assert "Texts go out to this grower again." in page.said
    assert asha.grower() == planned
    assert goes_out(asha)
    assert asha.trail[0].detail == ASKED[why]


def test_one_word_undoes_one_thing(asha: Desk, planned: Grower) -> None:
    asha.put(ASHA, replace(planned, stopped=True, consent=False, unreachable="gone"))
    for why in ("stopped", "no_consent"):
        page = asha.do("start", was=why, asked="yes")
        assert "Something else still keeps texts" in page.said
        assert goes_out(asha) == []
    asha.do("start", was="unreachable", asked="yes")
    assert goes_out(asha)


def test_a_page_that_is_out_of_date_starts_nothing(asha: Desk, planned: Grower) -> None:
    asha.put(ASHA, replace(planned, stopped=True))
    page = asha.do("start", was="unreachable", asked="yes")
    assert "This has changed meanwhile" in page.said
    assert asha.grower().stopped
    assert asha.do("start", was="sleepy", asked="yes").status == 400


# Forgetting


def test_an_admin_forgets_a_grower_to_the_last_key(asha: Desk) -> None:
    asha.do("answer", text="plan")
    upload = Uploads(asha.store.redis).keep("amina", NORTH, f"phone\n{ASHA}\n".encode())
    asha.sign_in("amina")
    page = asha.do("forget", confirm="0712 000 001")
    assert "is forgotten" in page.said
    assert page.said.startswith(NORTH)
    client = asha.store.redis
    for key in client.scan_iter():
        assert ASHA.encode() not in key
        kind = client.type(key)
        held = client.zrange(key, 0, -1) if kind == b"zset" else []
        assert ASHA.encode() not in held
    assert Uploads(client).find(upload, "amina", NORTH) is None
    assert asha.open(f"/desk/growers/{ASHA}").status == 404
    assert (asha.trail[0].what, asha.trail[0].whom) == ("forgot", masked(ASHA))


def test_an_admin_forgets_by_trying_again_whom_the_store_forgot_in_part(
    asha: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    client, forget = asha.store.redis, Rounds.forget
    Rounds(client).shelf.add("r1", Round("r1", "Meeting", "amina", 1, (NORTH,)))
    Rounds(client).advance("r1", "count", NORTH, ((0, ""), (1, "")), {}, [("sw", ASHA)])
    asha.sign_in("amina")

    def down(*_: object) -> None:
        monkeypatch.setattr(Rounds, "forget", forget)
        raise StoreUnavailable

    monkeypatch.setattr(Rounds, "forget", down)
    assert asha.do("forget", confirm=ASHA).status == 503
    assert "is forgotten" in asha.do("forget", confirm=ASHA).said
    assert Rounds(client).progress("r1", "count").examples == ()


@pytest.mark.parametrize("confirm", ["", "yes", JUMA])
def test_nobody_is_forgotten_by_a_slip(asha: Desk, confirm: str) -> None:
    asha.sign_in("amina")
    page = asha.do("forget", confirm=confirm)
    assert page.status == 400
    assert page.value("confirm") == confirm
    assert asha.store.load(ASHA).known is not None


def test_an_agent_forgets_nobody(asha: Desk) -> None:
    assert 'value="forget"' not in asha.open(f"/desk/growers/{ASHA}").html
    assert asha.do("forget", confirm=ASHA).status == 404
    assert asha.store.load(ASHA).known is not None


# Races


class Meddled:
    """A store where something else is committed first, once, between a load and its commit."""

    def __init__(self, store: Store, grower: Grower | None) -> None:
        self.store, self.grower = store, grower
        self.meddled = 0

    def __getattr__(self, name: str) -> object:
        return getattr(self.store, name)

    def commit(self, number: str, loaded: Loaded, *args: object, **kwargs: object) -> bool:
        if not self.meddled:
            self.meddled += 1
            if self.grower is None:
                self.store.forget(number)
            else:
                now = self.store.load(number)
                assert self.store.commit(number, now, self.grower, due=None)
        return self.store.commit(number, loaded, *args, **kwargs)  # type: ignore[arg-type]


def meddle(desk: Desk, grower: Grower | None) -> Meddled:
    meddled = Meddled(desk.store, grower)
    desk.exchange.store = meddled  # type: ignore[assignment]
    return meddled


def test_a_text_that_comes_meanwhile_is_not_undone(asha: Desk, planned: Grower) -> None:
    meddled = meddle(asha, replace(planned, stopped=True))
    asha.do("edit", name="Another", village="Lugongo", language="en", group=NORTH)
    assert meddled.meddled == 1
    assert asha.grower().name == "Another"
    assert asha.grower().stopped


def test_stop_that_comes_meanwhile_beats_an_answer(asha: Desk, planned: Grower) -> None:
    meddle(asha, replace(planned, stopped=True))
    page = asha.do("answer", text="anza")
    assert page.status == 400
    assert asha.grower().stopped


def test_a_report_that_comes_meanwhile_is_not_made_twice(asha: Desk, planned: Grower) -> None:
    first = next_open(planned)
    assert first is not None
    told = asha.exchange.dialogue.report(planned, first.id, TODAY, done=TODAY)
    meddle(asha, told)
    page = asha.do("report", operation=first.id, what="done", day="2026-03-01")
    assert "was done on Mon 2 Mar 2026 already" in page.said
    assert asha.grower() == told


@pytest.mark.parametrize("act", ["rung", "stop", "edit", "report", "answer"])
def test_who_is_moved_or_forgotten_meanwhile_is_left_alone(
    asha: Desk, planned: Grower, act: str
) -> None:
    asha.put(ASHA, replace(planned, trouble="asked for help"))
    first = next_open(planned)
    assert first is not None
    fields = {"operation": first.id, "what": "done", "day": "2026-03-01", "text": "plan"}
    fields |= {"name": "Another", "language": "en", "group": NORTH}
    moved = replace(planned, group=LAKE)
    meddle(asha, moved)
    assert asha.do(act, **fields).status == 404
    assert asha.grower() == moved
    asha.exchange.store = asha.store
    asha.put(ASHA, replace(planned, trouble="asked for help"))
    meddle(asha, None)
    assert asha.do(act, **fields).status == 404
    assert asha.store.load(ASHA).known is None


# Whatever is sent


ODD = st.one_of(st.text(max_size=30), st.sampled_from(["done", "not_before", "2026-03-02", NORTH]))


@examples(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    act=st.sampled_from(["report", "answer", "edit", "rung", "stop", "start", "forget", ""]),
    fields=st.dictionaries(
        st.sampled_from(
            [
                *("operation", "what", "day", "text", "once", "name", "village", "language"),
                *("group", "asked", "was", "confirm", "next"),
            ]
        ),
        ODD,
    ),
)
@example("report", {"operation": "clear", "what": "done", "day": "0001-01-01"})
@example("report", {"operation": "clear", "what": "not_before", "day": "9999-12-31"})
@example("answer", {"text": "\x00"})
@example("edit", {"name": "\ud800", "group": NORTH})
def test_whatever_is_sent_the_answer_is_a_page(
    asha: Desk, act: str, fields: dict[str, str]
) -> None:
    sent = {name: value.encode("utf-8", "ignore").decode() for name, value in fields.items()}
    page = asha.post(f"/desk/growers/{ASHA}", do=act, **sent)
    assert page.status in {303, 400, 404}
    assert asha.open(f"/desk/growers/{ASHA}").status == 200
    assert goes_out(asha) == [] or asha.grower().receives
