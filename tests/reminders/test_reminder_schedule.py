from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st

from bot.dialogue.records import Grower, Kind, Plan, Reminder, Waiting
from bot.reminders.schedule import (
    MOST_ATTEMPTS,
    next_due,
    next_waking,
    reminder_moment,
    retry_delay,
    text_due,
    within_waking,
)
from bot.settings import Settings

SETTINGS = Settings()
# Tanzania keeps UTC+3 all year (IANA tz database), so 07:00 there is 04:00 UTC.
DAR = ZoneInfo("Africa/Dar_es_Salaam")

# Zones without, with half-hour, and with southern, northern and midnight summer time.
zones = st.sampled_from(
    [
        "Africa/Dar_es_Salaam",
        "Africa/Lagos",
        "Africa/Cairo",
        "Africa/Casablanca",
        "Asia/Kolkata",
        "Asia/Beirut",
        "America/Havana",
        "America/Sao_Paulo",
        "America/New_York",
        "Australia/Lord_Howe",
        "Europe/London",
        "Pacific/Kiritimati",
    ]
)
days = st.dates(date(2000, 1, 1), date(2050, 12, 31))
instants = st.datetimes(datetime(2000, 1, 1), datetime(2050, 12, 31)).map(  # noqa: DTZ001 - made aware next
    lambda naive: naive.replace(tzinfo=UTC)
)


@st.composite
def all_settings(draw: st.DrawFn) -> Settings:
    start = draw(st.integers(0, 23))
    end = draw(st.integers(start + 1, 24))
    return Settings(
        waking_from=start, waking_until=end, remind_at=draw(st.integers(start, end - 1))
    )


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def owed(day: date, zone: str = "", **fields: object) -> Grower:
    return Grower(zone=zone, plan=Plan((), Reminder("plant", day)), **fields)  # type: ignore[arg-type]


def text(serial: int, at: float, kind: Kind = "reminder", attempts: int = 0) -> Waiting:
    return Waiting(serial, int(at), kind, f"text {serial}", attempts=attempts)


def test_nothing_owed() -> None:
    assert next_due(Grower(), SETTINGS) is None
    assert next_due(Grower(plan=Plan(())), SETTINGS) is None
    assert (
        next_due(Grower(stopped=True, plan=Plan((), Reminder("plant", date(2026, 3, 1)))), SETTINGS)
        is None
    )


def test_a_reminder_falls_due_at_its_local_hour() -> None:
    assert next_due(owed(date(2026, 3, 1)), SETTINGS) == utc("2026-03-01 04:00").timestamp()
    lagos = owed(date(2026, 3, 1), "Africa/Lagos")  # UTC+1 all year
    assert next_due(lagos, SETTINGS) == utc("2026-03-01 06:00").timestamp()


@pytest.mark.parametrize(
    ("day", "hour_utc"),
    [
        # New York began summer time on 8 March 2026 and ends it on 1 November (the second Sunday
        # of March, the first of November; US Energy Policy Act of 2005).
        (date(2026, 3, 7), 12),
        (date(2026, 3, 8), 11),
        (date(2026, 10, 31), 11),
        (date(2026, 11, 1), 12),
    ],
)
def test_summer_time_does_not_move_the_hour_a_grower_sees(day: date, hour_utc: int) -> None:
    due = next_due(owed(day, "America/New_York"), SETTINGS)
    assert due == datetime(day.year, day.month, day.day, hour_utc, tzinfo=UTC).timestamp()


@given(zones, days, all_settings())
@example("America/Havana", date(2024, 3, 10), Settings(waking_from=0, remind_at=0))
def test_a_reminder_falls_due_on_its_own_day_in_waking_hours(
    zone: str, day: date, settings: Settings
) -> None:
    due = next_due(owed(day, zone), settings)
    assert due is not None
    local = datetime.fromtimestamp(due, ZoneInfo(zone))
    naive = datetime.combine(day, datetime.min.time()).replace(hour=settings.remind_at)
    exists = naive.replace(tzinfo=ZoneInfo(zone)).astimezone(UTC).astimezone(ZoneInfo(zone))
    assume(exists.replace(tzinfo=None) == naive)
    assert (local.date(), local.hour, local.minute) == (day, settings.remind_at, 0)


@given(zones, instants, all_settings())
@example(
    "America/Havana",
    datetime(2024, 3, 10, 4, 59, tzinfo=UTC),
    Settings(waking_from=0, waking_until=1, remind_at=0),
)
@example(
    "America/New_York",
    datetime(2024, 3, 10, 6, 30, tzinfo=UTC),
    Settings(waking_from=2, waking_until=3, remind_at=2),
)
def test_the_next_waking_hour_is_the_first_one(
    zone: str, now: datetime, settings: Settings
) -> None:
    found = next_waking(now, ZoneInfo(zone), settings)
    assert found >= now
    assert within_waking(found, ZoneInfo(zone), settings)
    # No waking instant is passed over: every quarter of an hour before it is looked at.
    step = now
    while step < found:
        assert not within_waking(step, ZoneInfo(zone), settings)
        step += timedelta(minutes=15)


def test_waking_hours_begin_with_the_first_and_end_before_the_last() -> None:
    def awake(at: str) -> bool:
        return within_waking(datetime.fromisoformat(at).replace(tzinfo=DAR), DAR, SETTINGS)

    assert not awake("2026-03-01 06:59:59")
    assert awake("2026-03-01 07:00")
    assert awake("2026-03-01 18:59:59")
    assert not awake("2026-03-01 19:00")


def test_a_reply_is_due_at_night_and_a_reminder_in_the_morning() -> None:
    night = utc("2026-03-01 20:00").timestamp()  # 23:00 in Dar es Salaam
    morning = utc("2026-03-02 04:00").timestamp()
    for kind, due in (("reply", night), ("reminder", morning), ("notice", morning)):
        grower = Grower(waiting=(text(1, 0, kind),))  # type: ignore[arg-type]
        assert next_due(grower, SETTINGS, night) == due
        assert (text_due(grower, night, SETTINGS) is not None) is (kind == "reply")


SILENT: list[dict[str, object]] = [
    {"stopped": True},
    {"consent": False},
    {"unreachable": "no such number"},
]


@pytest.mark.parametrize("silent", SILENT)
def test_one_who_opted_out_or_is_not_to_be_texted_is_owed_replies_only(
    silent: dict[str, object],
) -> None:
    noon = utc("2026-03-01 09:00").timestamp()
    waiting = (text(1, 5), text(2, 6, "notice"), text(3, 7, "reply"))
    grower = owed(date(2026, 3, 1), **silent, waiting=waiting)
    assert next_due(grower, SETTINGS) == 7
    assert text_due(grower, noon, SETTINGS) == waiting[2]
    assert next_due(owed(date(2026, 3, 1), **silent, waiting=waiting[:2]), SETTINGS) is None
    assert text_due(Grower(**silent, waiting=waiting[:2]), noon, SETTINGS) is None  # type: ignore[arg-type]
    assert next_due(owed(date(2026, 3, 1), **silent), SETTINGS) is None
    assert reminder_moment(owed(date(2026, 3, 1), **silent), SETTINGS) is None
    assert reminder_moment(owed(date(2026, 3, 1)), SETTINGS) is not None


def test_the_next_reminder_waits_for_the_one_that_has_not_left_yet() -> None:
    later = utc("2026-03-05 09:00").timestamp()
    grower = owed(date(2026, 3, 1), waiting=(text(1, later),))
    assert next_due(grower, SETTINGS) == later


def test_replies_come_first_and_each_kind_in_the_order_written() -> None:
    noon = utc("2026-03-01 09:00").timestamp()
    waiting = [
        text(4, 0),
        text(7, 0, "reply"),
        text(5, noon, "reply"),
        text(3, noon + 1),
        text(2, 9),
    ]
    order = []
    while due := text_due(Grower(waiting=tuple(waiting)), noon, SETTINGS):
        order.append(due.serial)
        waiting.remove(due)
    assert order == [5, 7, 2, 4]


@given(
    zones,
    instants,
    all_settings(),
    st.booleans(),
    st.lists(
        st.tuples(st.integers(0, 2**31), st.sampled_from(["reply", "reminder", "notice"])),
        max_size=4,
    ),
    st.none() | days,
)
def test_the_due_time_is_when_there_is_something_to_do(  # noqa: PLR0913, PLR0917 - the whole case
    zone: str,
    now: datetime,
    settings: Settings,
    stopped: bool,  # noqa: FBT001
    texts: list[tuple[int, Kind]],
    day: date | None,
) -> None:
    grower = Grower(
        zone=zone,
        stopped=stopped,
        waiting=tuple(text(serial, at, kind) for serial, (at, kind) in enumerate(texts)),
        plan=None if day is None else Plan((), Reminder("plant", day)),
    )
    due = next_due(grower, settings, now.timestamp())
    if due is None:
        assert stopped or not (texts or day)
        assert text_due(grower, 2.0**32, settings) is None
        return
    assert due >= now.timestamp()
    # A sender that looks at that moment finds a text, or a reminder to write.
    awake = within_waking(datetime.fromtimestamp(due, UTC), ZoneInfo(zone), settings)
    assert text_due(grower, due, settings) is not None or (day is not None and awake)
    # And one that looked before it, but not before now, found none.
    for earlier in (now.timestamp(), (now.timestamp() + due) / 2, due - 1):
        # A datetime is whole microseconds: half of one before the hour is the hour.
        if now.timestamp() <= earlier < due - 1e-6:
            assert text_due(grower, earlier, settings) is None


def test_retries_wait_longer_each_time_up_to_six_hours() -> None:
    delays = [retry_delay(attempts) for attempts in range(1, MOST_ATTEMPTS)]
    assert delays[:4] == [60, 120, 240, 480]
    assert delays == sorted(delays)
    assert max(delays) == 6 * 3600
    assert 20 <= sum(delays) / 3600 < 21
