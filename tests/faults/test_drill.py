"""A drill of seconds every day, one of an hour now and then; and that its checker can fail."""

from __future__ import annotations

import dataclasses
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from drill.drilling import Drill, Plan
from drill.gateway import Answer, Handed
from drill.ledger import AWAY, JUMPED, KILLED, NOT_SAID, UNEXPLAINED, Caller, Fault, Ledger, repeats
from drill.services import Killed, Service
from drill.stores import KINDS
from msgspec.structs import replace

from bot import data

if TYPE_CHECKING:
    from drill.gateway import Way

DAY = date(2026, 3, 2)
NUMBER = "+255655000001"


def test_a_short_drill_loses_nothing_and_answers_nothing_wrongly(tmp_path: Path) -> None:
    plan = Plan(
        seconds=2,
        seed=20260302,
        callers=30,
        texts_a_second=25,
        reminders_a_second=3,
        pause_s=0.6,
        least=2,
        longest_s=1.5,
        lease_s=8,
    )
    told: list[str] = []
    outcome = Drill(plan, tmp_path, told.append).run()
    assert outcome.faults == [], "\n".join([*told, *outcome.figures])
    assert outcome.kills >= 2
    assert len(outcome.ledger.texts) >= 10
    assert outcome.ledger.reminders


@pytest.mark.slow
@pytest.mark.parametrize(
    ("kind", "fsync"), [*((kind, "always") for kind in KINDS), ("single", "everysec")]
)
def test_an_hour_of_drills_loses_nothing(tmp_path: Path, kind: str, fsync: str) -> None:
    plan = Plan(seconds=3600, seed=20260303, kind=kind, fsync=fsync, mount=True)
    outcome = Drill(plan, tmp_path, print).run()
    assert outcome.faults == [], "\n".join(outcome.figures)
    assert outcome.kills >= 200


class TestTheChecker:
    """A checker that cannot find fault proves nothing."""

    def test_another_reply_than_the_dialogues_is_wrong(self) -> None:
        ledger, caller = Ledger(), Caller(NUMBER, "ussd", 1, data.dialogue())
        text, _ = caller.write(DAY)
        assert text.expected is not None
        assert ledger.heard(text, Answer(200, text.expected))
        assert ledger.wrong == []
        assert ledger.heard(text, Answer(200, {"text": "Welcome!", "more": True}))
        assert len(ledger.wrong) == 1

    def test_an_error_nobody_meant_is_wrong_and_a_moment_out_of_service_is_not(self) -> None:
        ledger, caller = Ledger(), Caller(NUMBER, "sms", 1, data.dialogue())
        text, _ = caller.write(DAY)
        assert not ledger.heard(text, Answer(503))
        assert not ledger.heard(text, Answer(0))
        assert ledger.wrong == []
        assert not ledger.heard(text, Answer(500))
        assert len(ledger.wrong) == 1

    def test_what_never_came_is_lost_and_what_was_never_due_is_wrong(self) -> None:
        ledger, caller = Ledger(), Caller(NUMBER, "sms", 1, data.dialogue())
        text, queued = caller.write(DAY)
        ledger.wrote(text, queued)
        ((text_id, body),) = queued.items()
        ledger.heard(text, Answer(200))
        ledger.close({})
        assert ledger.lost == [f"{text_id}: never sent: {body[:40]!r}"]
        ledger.lost.clear()
        ledger.close({text_id: [handed(text_id, body)]})
        assert (ledger.lost, ledger.wrong) == ([], [])
        ledger.close({text_id: [handed(text_id, "?")], "x:1": [handed("x:1", body)]})
        assert len(ledger.wrong) == 2

    def test_a_text_taken_by_a_gateway_that_failed_first_is_lost(self) -> None:
        ledger, caller = Ledger(), Caller(NUMBER, "sms", 1, data.dialogue())
        text, queued = caller.write(DAY)
        ledger.wrote(text, queued)
        ledger.heard(text, Answer(200))
        ((text_id, body),) = queued.items()
        ledger.close({text_id: [handed(text_id, body, way="error")]})
        assert len(ledger.lost) == 1

    def test_what_a_stop_has_cancelled_is_not_lost_but_its_own_reply_is(self) -> None:
        ledger, caller = Ledger(), Caller(NUMBER, "sms", 1, data.dialogue())
        first, queued = caller.write(DAY)
        ledger.wrote(first, queued)
        stop = dataclasses.replace(first, id="m-2", stops=True)
        ledger.wrote(stop, {f"{NUMBER}:9": "No more texts."})
        for text in (first, stop):
            ledger.heard(text, Answer(200))
        ledger.close({})
        assert [each.partition(": ")[0] for each in ledger.lost] == [f"{NUMBER}:9"]

    def test_a_record_that_is_not_as_it_must_be_is_wrong(self) -> None:
        ledger, caller = Ledger(), Caller(NUMBER, "sms", 1, data.dialogue())
        caller.write(DAY)
        ledger.compare(NUMBER, caller.grower, caller.grower)
        assert ledger.wrong == []
        ledger.compare(NUMBER, replace(caller.grower, serial=7), caller.grower)
        assert len(ledger.wrong) == 1


def handed(
    text_id: str, body: str = "", at: float = 0, by: str = "a.1", way: Way = "taken"
) -> Handed:
    return Handed(text_id, text_id.rpartition(":")[0], body, by, at, way, at)


class TestWhyATextCameTwice:
    def causes(
        self, handings: list[Handed], kills: tuple[Killed, ...] = (), faults: tuple[Fault, ...] = ()
    ) -> list[str]:
        service = Service("a", [], Path(), {})
        service.kills += kills
        return [cause for cause, _, _ in repeats(handings, [service], faults)]

    def test_once_is_no_repeat_and_a_failure_before_it_neither(self) -> None:
        assert self.causes([handed("x:1", way="error"), handed("x:1", at=1), handed("x:2")]) == []

    def test_a_repeat_without_a_fault_is_unexplained(self) -> None:
        assert self.causes([handed("x:1"), handed("x:1", at=1)]) == [UNEXPLAINED]

    def test_a_kill_explains_only_the_text_that_was_being_sent(self) -> None:
        killed = (Killed("a.1", 2.0),)
        before, last = handed("x:1"), handed("x:2", at=1)
        again = [handed("x:1", at=9, by="a.2"), handed("x:2", at=9, by="a.2")]
        assert sorted(self.causes([before, last, *again], killed)) == sorted([UNEXPLAINED, KILLED])

    def test_an_outage_explains_what_was_sent_in_it_and_nothing_later(self) -> None:
        outage = (Fault("out of memory", "", 1, 3),)
        inside = [handed("x:1", at=2), handed("x:1", at=20)]
        later = [handed("x:2", at=40), handed("x:2", at=60)]
        assert self.causes([*inside, *later], faults=outage) == [
            AWAY,
            UNEXPLAINED,
        ]

    def test_a_fault_explains_one_text_and_two_that_came_together_two(self) -> None:
        outage, jump = Fault("out of memory", "", 1, 3), Fault("clock put", "+300 s", 2, 4)
        twice = [handed(text, at=at) for at in (2.5, 20) for text in ("x:1", "x:2")]
        assert sorted(self.causes(twice, faults=(outage,))) == sorted([AWAY, UNEXPLAINED])
        assert sorted(self.causes(twice, faults=(outage, jump))) == sorted([AWAY, JUMPED])

    def test_a_gateway_that_does_not_say_that_it_took_a_text_gets_it_again(self) -> None:
        assert self.causes([handed("x:1", way="closed_after"), handed("x:1", at=2)]) == [NOT_SAID]
