"""When a grower is owed a text: pure calculations on the record, the zone and the clock's time.

Instants are UTC epoch seconds; hours and days are local to the grower's zone.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from datetime import time as local_time
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

if TYPE_CHECKING:
    from bot.dialogue.records import Grower, Waiting
    from bot.settings import Settings

FIRST_RETRY_S = 60
LONGEST_RETRY_S = 6 * 3600
MOST_ATTEMPTS = 12
"""Attempts before a text is given up: with `retry_delay` between them, about 20 hours."""


def zone_of(grower: Grower, settings: Settings) -> ZoneInfo:
    """Return the grower's time zone, or the operator's where it is not known."""
    return ZoneInfo(grower.zone or settings.zone)


def next_due(grower: Grower, settings: Settings, not_before: float = 0) -> float | None:
    """Return when the sender should next look at this grower; None if nothing is owed.

    That is the earliest of its waiting texts and its plan's next reminder, which falls due at
    `remind_at` of its day. What is overdue counts from `not_before`, and all but direct replies
    from the next waking hour. A grower who has opted out, has not agreed to be texted or cannot
    be reached is owed direct replies only.
    """
    moments = []
    for text in grower.waiting:
        moment = max(text.at, not_before)
        if text.kind == "reply":
            moments.append(moment)
        elif grower.receives:
            moments.append(_waking_moment(moment, grower, settings))
    reminder = reminder_moment(grower, settings)
    if reminder is not None:
        moments.append(_waking_moment(max(reminder, not_before), grower, settings))
    return min(moments, default=None)


def reminder_moment(grower: Grower, settings: Settings) -> float | None:
    """Return when the plan's next reminder is to be written; None if none is.

    Reminders go one after the other: while one still waits to go out (the gateway may be down)
    the next is not written.
    """
    if not grower.receives or grower.plan is None or grower.plan.next_reminder is None:
        return None
    if any(text.kind == "reminder" for text in grower.waiting):
        return None
    return _at_hour(grower.plan.next_reminder.day, settings.remind_at, zone_of(grower, settings))


def text_due(grower: Grower, now: float, settings: Settings) -> Waiting | None:
    """Return the waiting text to send now, if there is one.

    Direct replies come first, then the rest in waking hours; each in the order they were
    written.
    """
    if not grower.waiting:
        return None
    awake = grower.receives and within_waking(
        datetime.fromtimestamp(now, UTC), zone_of(grower, settings), settings
    )
    due = [text for text in grower.waiting if text.at <= now and (text.kind == "reply" or awake)]
    return min(due, key=lambda text: (text.kind != "reply", text.serial), default=None)


def within_waking(now_utc: datetime, zone: ZoneInfo, settings: Settings) -> bool:
    """Tell whether a reminder may arrive at this instant."""
    hour = now_utc.astimezone(zone).hour
    return settings.waking_from <= hour < settings.waking_until


def next_waking(now_utc: datetime, zone: ZoneInfo, settings: Settings) -> datetime:
    """Return the first instant (UTC) from this one on at which a reminder may arrive."""
    if within_waking(now_utc, zone, settings):
        return now_utc
    today = now_utc.astimezone(zone).date()
    for days in range(8):
        opening = datetime.fromtimestamp(
            _at_hour(today + timedelta(days=days), settings.waking_from, zone), UTC
        )
        # Where summer time begins, the hour may not exist and be mapped past the waking hours.
        if opening >= now_utc and within_waking(opening, zone, settings):
            return opening
    raise ValueError(f"no waking hour within a week in {zone.key}; widen the waking hours")


def retry_delay(attempts: int) -> int:
    """Return the seconds to wait after so many failed attempts (1 or more).

    A minute, doubled each time, at most `LONGEST_RETRY_S`.
    """
    return min(FIRST_RETRY_S << (attempts - 1), LONGEST_RETRY_S)


def _waking_moment(moment: float, grower: Grower, settings: Settings) -> float:
    at = datetime.fromtimestamp(moment, UTC)
    waking = next_waking(at, zone_of(grower, settings), settings)
    return moment if waking == at else waking.timestamp()


def _at_hour(day: date, hour: int, zone: ZoneInfo) -> float:
    return datetime.combine(day, local_time(hour), zone).timestamp()
