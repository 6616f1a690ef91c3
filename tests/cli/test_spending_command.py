"""`fieldbell spending`: the month's bill, what is left of the ceiling, and what rounds say of it."""

from __future__ import annotations

import csv
import io
import time
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Protocol

import pytest

from bot import rounds_cli, spending_cli
from bot.cli import main
from bot.dialogue.records import Grower, enqueue
from bot.store.groups import Groups
from bot.store.rounds import Round, Rounds
from bot.store.texts import Line

if TYPE_CHECKING:
    import redis
    from click.testing import CliRunner, Result

    from bot.store.growers import Store
    from bot.store.server import EmbeddedRedis

NINE = datetime(2026, 3, 2, 6, 0, tzinfo=UTC).timestamp()
FEBRUARY = datetime(2026, 2, 28, 20, 59, tzinfo=UTC).timestamp()  # a minute before midnight there
A = "+255712345601"


class Run(Protocol):
    def __call__(self, *args: str, status: int = 0, **changes: str) -> Result: ...


@pytest.fixture
def run(
    runner: CliRunner,
    redis_server: EmbeddedRedis,
    redis_client: redis.Redis,  # noqa: ARG001 - empties it
    monkeypatch: pytest.MonkeyPatch,
) -> Run:
    monkeypatch.setenv("REDIS_URL", redis_server.url)
    monkeypatch.setattr(spending_cli, "time", lambda: NINE)

    def invoke(*args: str, status: int = 0, **changes: str) -> Result:
        settings = {"segment_price": "25", "gateway_prices": "coast=18.5"} | changes
        environ = {f"FIELDBELL_{name.upper()}": value for name, value in settings.items()}
        result = runner.invoke(main, args, env=environ)
        assert result.exit_code == status, result.output
        return result

    return invoke


def sent(store: Store, segments: int, at: float = NINE, speaks: str = "sw", **given: str) -> None:
    loaded = store.load(A)
    line = Line(int(at), "sent", segments=segments, **({"kind": "reply"} | given))
    grower = Grower(language=speaks, group="North")
    assert store.commit(A, loaded, grower, due=None, lines=[line])


def fill(store: Store) -> None:
    sent(store, 2)
    sent(store, 1, gateway="coast", language="ha")
    sent(store, 1000, speaks="", gateway="coast", kind="notice", about="round:r1")
    sent(store, 3, FEBRUARY, kind="reminder")


def test_a_month_is_told_by_gateway_language_and_kind(run: Run, store: Store) -> None:
    fill(store)
    result = run("spending")
    # 1,000 and 1 segments of 18.50, and two of 25.
    assert result.stdout == (
        "gateway     language  kind     texts  segments          cost\n"
        "coast       none yet  rounds       1     1,000  TZS18,500.00\n"
        "coast       ha        replies      1         1      TZS18.50\n"
        "plain-json  sw        replies      1         2      TZS50.00\n"
        "together                           3     1,003  TZS18,568.50\n"
    )
    assert result.stderr == ""
    february = run("spending", "--month", "2026-02", spend_ceiling="60").stdout
    assert "plain-json  sw        reminders      1         3" in february
    assert "ceiling" not in february


def test_a_month_of_which_nothing_is_kept_is_told_so(run: Run) -> None:
    assert run("spending").stdout == "Nothing was sent in 2026-03.\n"
    assert run("spending", "--month", "1999-12").stdout == "Nothing was sent in 1999-12.\n"
    assert "2026-13" in run("spending", "--month", "2026-13", status=2).output


def test_without_a_price_there_are_segments_only(run: Run, store: Store) -> None:
    sent(store, 2)
    said = run("spending", segment_price="0", gateway_prices="").stdout
    assert said.splitlines()[1].split() == ["plain-json", "sw", "replies", "1", "2"]


@pytest.mark.parametrize(
    ("segments", "line", "warning"),
    [
        (79, "left TZS525.00; 79% is spent", ""),
        (80, "left TZS500.00; 80% is spent", "The ceiling is near"),
        (100, "left TZS0.00; 100% is spent", "The ceiling is reached"),
        (120, "left TZS0.00; 120% is spent", "The ceiling is reached"),
    ],
)
def test_what_is_left_of_the_ceiling_is_told_and_warned_of(
    run: Run, store: Store, segments: int, line: str, warning: str
) -> None:
    sent(store, segments)
    result = run("spending", spend_ceiling="2500", gateway_prices="")
    last = result.stdout.splitlines()[-1]
    assert last == f"ceiling TZS2,500.00, {line}"
    assert result.stderr.startswith(warning)
    assert bool(result.stderr) == bool(warning)


def test_a_price_for_a_gateway_that_sends_nothing_is_asked_about(run: Run, store: Store) -> None:
    fill(store)
    warning = run("spending", gateway_prices="coats=18.5,plain-json=20").stderr
    assert warning.splitlines() == [
        "gateway_prices names 'coats', by which nothing went in 2026-03; is that its name?"
    ]


def test_a_table_for_a_spreadsheet_holds_no_formula(run: Run, store: Store) -> None:
    sent(store, 4, gateway="=HYPERLINK(A1)", about="round:r1", kind="notice")
    sent(store, 1, language="ha")
    out = run("spending", "--csv").stdout_bytes.decode("utf-8-sig")
    rows = list(csv.DictReader(io.StringIO(out, newline="")))
    assert [list(each.values()) for each in rows] == [
        ["2026-03", "'=HYPERLINK(A1)", "sw", "round", "1", "4", "100", "TZS"],
        ["2026-03", "plain-json", "ha", "reply", "1", "1", "25", "TZS"],
    ]


# Rounds


def test_a_count_warns_of_a_round_that_costs_more_than_is_left(run: Run, store: Store) -> None:
    Groups(store.redis).named("North")
    for place in range(3):
        number = f"+25571234560{place}"
        store.commit(number, store.load(number), Grower(language="sw", group="North"), due=None)
    made = Round("r1", "Meeting", "amina", 1, ("North",), texts={"sw": "Habari."})
    Rounds(store.redis).shelf.add("r1", made)
    assert run("rounds", "count", "r1", spend_ceiling="75").stderr == ""
    warned = run("rounds", "count", "r1", spend_ceiling="74.99").stderr
    assert warned.startswith("that is more than is left this month: TZS74.99 of TZS74.99")
    assert run("rounds", "count", "r1").stderr == ""


def test_a_paused_round_says_that_it_is_for_the_ceiling(run: Run, store: Store) -> None:
    kept = Rounds(store.redis)
    made = Round("r1", "Meeting", "amina", 1, ("North",), texts={"sw": "Habari."}, state="running")
    kept.shelf.add("r1", made)
    kept.change_state("r1", ("running",), "paused", "ceiling")
    assert rounds_cli.PAUSED_FOR["ceiling"] in run("rounds", "show", "r1").stdout
    run("rounds", "resume", "r1")
    run("rounds", "pause", "r1")
    assert "ceiling" not in run("rounds", "show", "r1").stdout


def test_send_asks_the_ceiling_before_a_rounds_text(run: Run, store: Store) -> None:
    gone_out = Round(
        "r1", "Meeting", "amina", 1, ("North",), texts={"sw": "Habari."}, state="finished"
    )
    Rounds(store.redis).shelf.add("r1", gone_out)
    sent(store, 4, time.time())
    waiting = enqueue(store.load(A).grower, ["Habari."], "notice", "round:r1")
    assert store.commit(A, store.load(A), waiting, due=1.0)
    run("send", "--once", spend_ceiling="100", waking_from="0", waking_until="24")
    kept = Rounds(store.redis).shelf.find("r1")
    assert kept is not None
    assert (kept.state, kept.paused_for) == ("paused", "ceiling")
    # It was not so much as tried.
    assert [each.attempts for each in store.load(A).grower.waiting] == [0]
