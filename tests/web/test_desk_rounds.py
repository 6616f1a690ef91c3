"""The desk's pages of rounds: written, looked at, counted, let go, and watched."""

from __future__ import annotations

from datetime import UTC, date, datetime
from html import unescape
from typing import TYPE_CHECKING, Any

import pytest
from desk_visits import ASHA, JUMA, LAKE, NINE, NORTH, OFFERED, TODAY, Desk, of_group, plan_due
from msgspec.structs import replace

from bot.gateways.loopback import LoopbackGateway
from bot.gateways.numbers import masked
from bot.reminders.sender import Sender
from bot.reminders.spreading import Permission, Spreader
from bot.settings import Settings
from bot.store.rounds import Conditions, Round, Rounds
from bot.store.texts import Line
from bot.web.desk.rounds import PAGE, WATCHED

if TYPE_CHECKING:
    import redis
    from desk_visits import Page

PRICED = Settings(secret=OFFERED.secret, segment_price=30.0, currency="TZS")
TEXT = "Hello {name}, we meet on Saturday."
FORM: dict[str, Any] = {
    "name": "Meeting",
    "group": [NORTH],
    "what": "text",
    "text-en": TEXT,
    "when": "once",
    "rate": "600",
}
ONE = Round("r2345678", "Meeting", "baraka", int(NINE), (NORTH,), texts={"en": TEXT}, rate=60_000)


class Rounding(Desk):
    """A desk, with the spreader and the sender that run beside it."""

    def __init__(self, client: redis.Redis) -> None:
        super().__init__(client, PRICED)
        self.rounds = Rounds(client)
        self.gateway = LoopbackGateway(self.clock)
        dialogue = self.exchange.dialogue
        spread = (self.store, self.groups, self.rounds, dialogue, PRICED, self.clock)
        self.spreader = Spreader(*spread)
        permission = Permission(self.rounds, self.clock)
        self.sender = Sender(
            self.store, self.gateway, dialogue.remind, PRICED, self.clock, permission
        )

    def work(self) -> None:
        while self.spreader.tick():
            pass

    def send(self) -> list[str]:
        self.work()
        while self.sender.tick():
            pass
        return [each.text.body for each in self.gateway.ledger]

    def keep(self, **changes: object) -> str:
        one = replace(ONE, **changes)
        assert self.rounds.shelf.add(one.id, one)
        return f"/desk/rounds/{one.id}"

    def found(self, round_id: str = ONE.id) -> Round:
        one = self.rounds.shelf.find(round_id)
        assert one is not None
        return one

    def only(self) -> Round:
        (one,) = self.rounds.shelf.all().values()
        return one

    def counted(self, **changes: object) -> str:
        address = self.keep(**changes)
        assert self.post(address, do="count").status == 303
        self.work()
        assert self.found().state == "counted"
        return address

    def started(self, **changes: object) -> str:
        address = self.counted(**changes)
        asked = self.open(f"{address}?ask=start")
        page = self.post(address, do="start", version=asked.hidden("version"))
        assert page.status == 303
        assert self.found().state == "running"
        return address


@pytest.fixture
def agent(redis_client: redis.Redis) -> Rounding:
    desk = Rounding(redis_client)
    desk.sign_in("baraka", NORTH)
    return desk


def fill(desk: Desk) -> None:
    """Two who get a text, and one each of those who do not."""
    desk.put(ASHA, of_group(NORTH, "Asha Nyembe"))
    desk.put(JUMA, of_group(NORTH, "Juma Sengo"))
    desk.put("+255712000003", replace(of_group(NORTH, "Neema Koroso"), stopped=True))
    desk.put("+255712000004", replace(of_group(NORTH, "Tumaini Pelo"), language="sw"))
    desk.put("+255712000005", of_group(NORTH))
    desk.put("+255712000006", of_group(LAKE, "Salome Tilwe"))


# The list


def test_without_a_round_the_list_says_what_to_do_next(agent: Rounding) -> None:
    page = agent.open("/desk/rounds")
    assert "There is no round yet. Write one" in page.said
    assert "/desk/rounds/new" in page.parsed.links


def test_an_agent_without_a_group_is_told_who_gives_one(redis_client: redis.Redis) -> None:
    desk = Desk(redis_client).sign_in("chausiku", "A group that is gone")
    assert "You look after no group yet" in desk.open("/desk/rounds").said
    assert "There is no group to send it to yet" in desk.open("/desk/rounds/new").said


def test_an_agent_sees_rounds_whose_groups_are_all_theirs(agent: Rounding) -> None:
    ours = agent.keep()
    theirs = [
        agent.keep(id="r3333333", name="Of the lake", groups=(LAKE,)),
        agent.keep(id="r4444444", name="Of both", groups=(NORTH, LAKE)),
        agent.keep(id="r5555555", name="Of nobody", groups=(), by="amina"),
    ]
    mine = agent.keep(id="r6666666", name="Half written", groups=())
    said = agent.open("/desk/rounds").said
    assert "Meeting" in said
    assert "Half written" in said
    assert "Of " not in said
    assert {agent.open(each).status for each in (ours, mine)} == {200}
    for each in theirs:
        assert agent.open(each).status == agent.open(f"{each}/edit").status == 404
        assert agent.post(each, do="count").status == agent.post(f"{each}/edit").status == 404
    unknown = agent.open("/desk/rounds/r9999999")
    assert (unknown.status, unknown.said) == (404, agent.open(theirs[0]).said)
    agent.sign_in("amina")
    assert agent.open("/desk/rounds").said.count(" Of ") == 3


def test_rounds_are_listed_newest_first_a_page_at_a_time(agent: Rounding) -> None:
    for place in range(PAGE + 2):
        agent.keep(id=f"r22222{place:02d}", name=f"Round {place}", made=place)
    page = agent.open("/desk/rounds")
    names = [row[0] for row in page.rows if row[0].startswith("Round ")]
    assert names == [f"Round {place}" for place in reversed(range(2, PAGE + 2))]
    (more,) = [each for each in page.parsed.links if "start=" in each]
    rest = agent.open(unescape(more))
    assert [row[0] for row in rest.rows[1:]] == ["Round 1", "Round 0"]


# Writing one


def test_a_draft_is_kept_and_changes_only_what_is_changed(agent: Rounding) -> None:
    page = agent.post("/desk/rounds/new", **FORM, no_plan="yes", within="7", language=["en", "sw"])
    assert page.status == 303
    one = agent.only()
    assert one.conditions == Conditions(("en", "sw"), within=7, no_plan=True)
    assert (one.name, one.groups, one.by, one.state) == ("Meeting", (NORTH,), "baraka", "draft")
    shown = agent.open(page.goal)
    assert "The round is kept as a draft. Nothing is sent yet." in shown.said
    assert "speak English or Kiswahili; have work due within 7 days" in shown.said
    assert (agent.trail[0].what, agent.trail[0].whom) == ("made the round", "Meeting")
    form = agent.open(f"{page.goal}/edit")
    assert form.value("within") == "7"
    assert "checked" in form.parsed.fields["no_plan"]
    again = {**FORM, "name": "Gathering", "version": form.hidden("version")}
    assert agent.post(f"{page.goal}/edit", **again).status == 303
    assert agent.only() == replace(one, name="Gathering", conditions=Conditions())


def test_a_form_sent_twice_makes_one_round_and_one_written_over_makes_another(
    agent: Rounding,
) -> None:
    ident = agent.open("/desk/rounds/new").hidden("id")
    first = agent.post("/desk/rounds/new", **FORM, id=ident)
    agent.clock.now += 2
    assert agent.post("/desk/rounds/new", **FORM, id=ident).goal == first.goal
    assert agent.only().id == ident
    over = agent.post("/desk/rounds/new", **{**FORM, "text-en": "Another."}, id=ident)
    assert over.goal != first.goal
    assert len(agent.rounds.shelf.all()) == 2


def test_looking_at_it_keeps_nothing_and_tells_segments_and_faults(agent: Rounding) -> None:
    typed = {**FORM, "text-en": "Hello {nam} ɗ come.", "text-sw": "x" * 161}
    page = agent.post("/desk/rounds/new", **typed, do="look")
    assert page.status == 200
    assert "The text in en: the placeholder: 'nam' is not known; did you mean 'name'?" in page.said
    assert "1 segment. This letter leaves a segment less than half its room: ɗ" in page.said
    assert "2 segments." in page.said
    assert "Hello {nam} ɗ come.</textarea>" in page.html
    assert agent.rounds.shelf.all() == {}


def test_a_text_over_four_segments_is_said_to_be_too_long(agent: Rounding) -> None:
    page = agent.post("/desk/rounds/new", **{**FORM, "text-en": "x" * 613}, do="look")
    assert "5 segments: too long to be sent" in page.said


@pytest.mark.parametrize(
    ("changes", "field", "said"),
    [
        ({"name": "x" * 81}, "name", "at most 80 letters"),
        ({"group": [LAKE]}, None, "Choose among your groups"),
        ({"what": "flow"}, "flow", "Choose which question is asked"),
        ({"what": "flow", "flow": "field"}, "text-en", "There is a text as well"),
        ({"text-en": "x" * 1001}, "text-en", "at most 1000 letters"),
        ({"within": "soon"}, "within", "Due within: write a whole number"),
        ({"behind": "٣"}, "behind", "Behind by: write a whole number"),
        ({"rate": "-1"}, "rate", "Texts in a minute: write a whole number"),
        ({"rate": ""}, "rate", "Say how many texts"),
        ({"when": "at", "start": "tomorrow"}, "start", "Write day and time as 2026-03-31 09:00"),
        ({"when": "at", "start": "2026-03-02T08:59"}, "start", "from now to a year ahead"),
        ({"when": "at", "start": "2027-03-03T09:00"}, "start", "from now to a year ahead"),
    ],
)
def test_what_no_record_can_hold_is_said_and_nothing_typed_is_lost(
    agent: Rounding, changes: dict[str, Any], field: str | None, said: str
) -> None:
    typed = {**FORM, "within": "3", "behind": "5", "start": "2026-03-04T10:00", **changes}
    page = agent.post("/desk/rounds/new", **typed)
    assert page.status == 400
    assert page.said.count(said) == 2  # summed up on top, and beside the field
    if field:
        assert page.parsed.fields[field]["aria-describedby"] == f"{field}-fault"
    for each in ("name", "within", "behind", "rate", "start"):
        assert page.value(each) == typed[each]
    assert f"{typed['text-en']}</textarea>" in page.html
    assert agent.rounds.shelf.all() == {}


@pytest.mark.parametrize(
    "start", ["2026-03-04T09:30", "2026-03-04 09:30", "4/3/2026 09:30", "04.03.2026 09:30"]
)
def test_a_start_is_read_in_the_operators_zone(agent: Rounding, start: str) -> None:
    page = agent.post("/desk/rounds/new", **FORM | {"when": "at", "start": start})
    # Dar es Salaam is three hours ahead of UTC all year (IANA time zone database).
    assert agent.only().start == datetime(2026, 3, 4, 6, 30, tzinfo=UTC).timestamp()
    assert "not before 4 Mar 2026, 09:30" in agent.open(page.goal).said
    assert agent.open(f"{page.goal}/edit").value("start") == "2026-03-04T09:30"


def test_a_draft_with_faults_is_kept_and_they_are_listed(agent: Rounding) -> None:
    page = agent.post("/desk/rounds/new", when="once", rate="0", what="text")
    shown = agent.open(page.goal)
    for said in ("Give the round a name.", "Choose at least one group.", "The rate is from 1"):
        assert said in shown.said
    assert "Count it" not in shown.said
    refused = agent.post(page.goal, do="count")
    assert refused.status == 409
    assert "It cannot be counted yet." in refused.said
    assert agent.only().state == "draft"


def test_a_change_of_what_somebody_else_changed_is_not_made_and_not_lost(agent: Rounding) -> None:
    address = agent.keep()
    form = agent.open(f"{address}/edit")
    agent.rounds.shelf.change(ONE.id, lambda one: replace(one, name="Theirs"))
    typed = {**FORM, "name": "Mine", "version": form.hidden("version")}
    page = agent.post(f"{address}/edit", **typed)
    assert page.status == 409
    assert "Somebody else changed this round meanwhile" in page.said
    assert page.value("name") == "Mine"
    assert agent.only().name == "Theirs"
    assert (
        agent.post(f"{address}/edit", **{**typed, "version": page.hidden("version")}).status == 303
    )
    assert agent.only().name == "Mine"


@pytest.mark.parametrize("state", ["counting", "running", "paused", "stopped", "finished"])
def test_a_round_on_its_way_cannot_be_changed(agent: Rounding, state: str) -> None:
    address = agent.keep(state=state)
    assert agent.open(f"{address}/edit").status == 409
    assert agent.post(f"{address}/edit", **FORM).status == 409
    assert agent.only() == replace(ONE, state=state)


def test_opening_a_season_is_filled_in(agent: Rounding) -> None:
    page = agent.open(f"/desk/rounds/new?season={NORTH}")
    assert page.value("name") == f"Season of {NORTH}"
    assert "checked" in page.parsed.fields["no_plan"]
    assert "checked" in page.parsed.fields["what-flow"]
    assert '<option value="field" selected>' in page.html
    assert agent.open(f"/desk/rounds/new?season={LAKE}").status == 404


# Counting


def test_a_count_says_how_many_at_what_cost_and_who_is_left_out(agent: Rounding) -> None:
    fill(agent)
    address = agent.counted()
    page = agent.open(address)
    assert "To 2 growers Takes 2 segments Costs TZS 60.00" in page.said
    assert ["English", "2", "2"] in page.rows
    assert ["have sent STOP", "1"] in page.rows
    assert ["speak a language the round has no text in, or none that is known", "1"] in page.rows
    assert ["lack a value the text asks for", "1"] in page.rows
    assert "Hello Asha Nyembe, we meet on Saturday." in page.said
    assert masked(ASHA) in page.said
    assert ASHA not in page.said
    assert agent.send() == []
    assert [each.what for each in agent.trail[:1]] == ["counted the round"]


def test_an_example_is_of_those_who_are_still_theirs_to_see(agent: Rounding) -> None:
    agent.put(ASHA, of_group(NORTH, "Asha Nyembe"))
    agent.put(JUMA, of_group(NORTH, "Juma Sengo"))
    address = agent.counted()
    agent.put(ASHA, of_group(LAKE, "Asha Nyembe"))
    agent.store.forget(JUMA)
    said = agent.open(address).said
    assert "Asha" not in said
    assert "Juma" not in said
    assert "have changed since" in said


def test_while_counting_the_page_refreshes_a_bounded_number_of_times(agent: Rounding) -> None:
    address = agent.keep(state="counting")
    answer = agent.browser.get(address)
    assert answer.headers["Refresh"] == f"5; url={address}?watch={WATCHED - 1}"
    assert (
        agent.browser.get(f"{address}?watch=99999").headers["Refresh"].endswith(f"={WATCHED - 1}")
    )
    for still in (f"{address}?watch=0", f"{address}?watch=x", f"{address}?ask=stop"):
        assert "Refresh" not in agent.browser.get(still).headers
    agent.work()
    assert "Refresh" not in agent.browser.get(address).headers


def test_a_change_has_it_counted_anew(agent: Rounding) -> None:
    fill(agent)
    address = agent.counted()
    typed = {**FORM, "group": [NORTH], "text-en": "Come.", "text-sw": "Njoo."}
    version = agent.open(f"{address}/edit").hidden("version")
    assert agent.post(f"{address}/edit", **typed, version=version).status == 303
    assert agent.found().state == "draft"
    assert not agent.rounds.progress(ONE.id, "count").counts
    assert "Start it" not in agent.open(address).said
    agent.post(address, do="count")
    agent.work()
    assert "To 4 growers" in agent.open(address).said


def test_counting_again_does_not_add_up(agent: Rounding) -> None:
    fill(agent)
    address = agent.counted()
    agent.post(address, do="count")
    agent.work()
    assert "To 2 growers" in agent.open(address).said


def test_a_round_for_nobody_cannot_start(agent: Rounding) -> None:
    address = agent.counted()
    page = agent.open(f"{address}?ask=start")
    assert "It is for nobody as it is." in page.said
    assert "Send to" not in page.said
    refused = agent.post(address, do="start", version=page.hidden("version"))
    assert (refused.status, agent.found().state) == (409, "counted")


# Letting it go


def test_what_was_looked_at_goes_out_to_whom_it_was_counted_for(agent: Rounding) -> None:
    fill(agent)
    address = agent.counted()
    asked = agent.open(f"{address}?ask=start")
    assert "Send to 2 growers: TZS 60.00" in asked.said
    assert agent.send() == []
    assert agent.post(address, do="start", version=asked.hidden("version")).goal == address
    assert sorted(agent.send()) == [
        "Hello Asha Nyembe, we meet on Saturday.",
        "Hello Juma Sengo, we meet on Saturday.",
    ]
    page = agent.open(address)
    assert "Growers chosen so far 2, 2 segments, TZS 60.00 Texts sent 2" in page.said
    assert "2 done, 0 failed, 0 left, of 2." in page.said
    assert agent.found().state == "finished"
    assert "Pause" not in page.said
    assert [each.what for each in agent.trail[:2]] == ["started the round", "counted the round"]


def test_without_a_price_the_button_counts_segments(redis_client: redis.Redis) -> None:
    desk = Rounding(redis_client)
    fill(desk)
    desk.sign_in("amina")
    address = desk.counted()
    object.__setattr__(desk.exchange, "settings", OFFERED)
    page = desk.open(f"{address}?ask=start")
    assert "Send to 2 growers: 2 segments" in page.said
    assert "TZS" not in page.said


def test_what_changed_since_it_was_looked_at_does_not_start(agent: Rounding) -> None:
    fill(agent)
    address = agent.counted()
    asked = agent.open(f"{address}?ask=start")
    changed = {"en": "Give {name} your money."}
    agent.rounds.shelf.change(ONE.id, lambda one: replace(one, texts=changed))
    page = agent.post(address, do="start", version=asked.hidden("version"))
    assert page.status == 409
    assert "It has changed since you looked at it, and was not started." in page.said
    assert agent.found().state == "counted"
    assert agent.send() == []


def test_faults_are_looked_for_again_at_the_start(agent: Rounding) -> None:
    fill(agent)
    address = agent.counted()
    asked = agent.open(f"{address}?ask=start")
    agent.groups.shelf.remove(NORTH)
    page = agent.post(address, do="start", version=asked.hidden("version"))
    assert page.status == 409
    assert "It was not started. There is no group 'Mirindi North'." in page.said
    assert agent.found().state == "counted"


@pytest.mark.parametrize(
    ("do", "allowed", "then"),
    [
        ("count", {"draft", "counted"}, "counting"),
        ("pause", {"running", "finished"}, "paused"),
        ("resume", {"paused"}, "running"),
        ("stop", {"running", "paused", "finished"}, "stopped"),
    ],
)
def test_a_button_does_its_own_or_says_how_it_stands(
    agent: Rounding, do: str, allowed: set[str], then: str
) -> None:
    states = ("draft", "counting", "counted", "running", "paused", "stopped", "finished")
    for place, state in enumerate(states):
        ident = f"r222222{place + 2}"
        page = agent.post(agent.keep(id=ident, state=state), do=do)
        noted = ident in [entry.detail for entry in agent.trail]
        if state in allowed:
            assert (page.status, agent.found(ident).state, noted) == (303, then, True)
        elif state == then:
            assert (page.status, agent.found(ident).state, noted) == (303, then, False)
        else:
            assert (page.status, agent.found(ident).state, noted) == (409, state, False)
            assert "It stands like this now" in page.said


def test_a_pressed_button_nobody_knows_is_refused(agent: Rounding) -> None:
    assert agent.post(agent.keep(), do="explode").status == 400


def test_a_paused_round_holds_its_texts_and_a_resumed_one_lets_them_go(agent: Rounding) -> None:
    fill(agent)
    address = agent.started()
    agent.post(address, do="pause")
    assert agent.send() == []
    assert "Resume" in agent.open(address).said
    agent.post(address, do="resume")
    assert len(agent.send()) == 2


def test_a_stop_asks_first_and_ends_it_for_good(agent: Rounding) -> None:
    fill(agent)
    address = agent.started()
    asked = agent.open(f"{address}?ask=stop")
    assert "A round that is stopped is over for good." in asked.said
    assert agent.found().state == "running"
    agent.post(address, do="stop")
    assert agent.send() == []
    page = agent.open(address)
    assert "Stopped" in page.said
    assert agent.post(address, do="resume").status == 409


def test_a_round_before_its_time_waits_and_says_so(agent: Rounding) -> None:
    fill(agent)
    address = agent.started(start=int(NINE) + 3600)
    assert agent.send() == []
    assert "Waits for its time" in agent.open(address).said
    assert "Starts 2 Mar 2026, 10:00" in agent.open("/desk/rounds").said
    agent.clock.now += 3600
    assert len(agent.send()) == 2


@pytest.mark.parametrize(
    ("start", "day"), [(0, TODAY), (int(NINE) + 5 * 24 * 3600, date(2026, 3, 7))]
)
def test_a_season_opens_with_its_round(agent: Rounding, start: int, day: date) -> None:
    agent.put(ASHA, of_group(NORTH, "Asha Nyembe"))
    agent.put(JUMA, of_group(NORTH, "Juma Sengo", plan_due(3)))
    changes = {"texts": {}, "flow": "field", "conditions": Conditions(no_plan=True)}
    address = agent.counted(start=start, **changes)
    page = agent.open(f"{address}?ask=start")
    assert "To 1 grower " in page.said
    assert agent.groups.named(NORTH).season is None
    agent.post(address, do="start", version=page.hidden("version"))
    assert agent.groups.named(NORTH).season == day
    assert agent.groups.named(LAKE).season is None
    agent.clock.now += 24 * 3600
    agent.sign_in("chausiku", NORTH)
    agent.post(address, do="pause")
    agent.post(address, do="resume")
    assert agent.groups.named(NORTH).season == day


def test_a_text_to_a_group_opens_no_season(agent: Rounding) -> None:
    fill(agent)
    agent.started()
    assert agent.groups.named(NORTH).season is None


def test_failures_and_arrivals_are_counted_as_the_gateway_tells_them(agent: Rounding) -> None:
    fill(agent)
    address = agent.started()
    agent.send()
    about = f"round:{ONE.id}"
    for number, what in ((ASHA, "delivered"), (JUMA, "failed")):
        line = Line(int(NINE), what, "notice", serial=1, about=about)  # type: ignore[arg-type]
        agent.put(number, agent.grower(number), line)
    said = agent.open(address).said
    assert "Texts sent 2 Reported as arrived 1 Refused or failed 1" in said
    assert "1 done, 1 failed, 0 left, of 2." in said


def test_a_copy_is_a_draft_to_look_over(agent: Rounding) -> None:
    address = agent.keep(state="finished", start=5, by="amina", name="x" * 80)
    page = agent.post(address, do="copy")
    (copy,) = [one for one in agent.rounds.shelf.all().values() if one.id != ONE.id]
    assert page.goal == f"/desk/rounds/{copy.id}/edit"
    assert copy == replace(
        ONE, id=copy.id, name=f"{'x' * 73} (copy)", by="baraka", made=int(NINE), state="draft"
    )
    assert agent.found().state == "finished"
    form = agent.open(page.goal)
    assert form.value("name") == copy.name
    saved: Page = agent.post(page.goal, **FORM, version=form.hidden("version"))
    assert saved.status == 303


def test_what_people_wrote_is_shown_as_text(agent: Rounding) -> None:
    bad = "<script>alert(1)</script>"
    agent.put(ASHA, of_group(NORTH, bad))
    address = agent.counted(name=bad, texts={"en": f"{bad} {{name}}"})
    for page in (agent.open(address), agent.open(f"{address}/edit"), agent.open("/desk/rounds")):
        assert "<script" not in page.html
        assert bad in page.html.replace("&lt;", "<").replace("&gt;", ">")
