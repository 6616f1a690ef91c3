"""Rounds over the API: making one, counting it, letting it go, pausing and ending it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from functools import partial
from typing import TYPE_CHECKING

from bot.reminders.rounds import LONGEST_DAYS, faults
from bot.store import keys, rounds
from bot.web.api import shapes
from bot.web.api.routes import Call, Route, faulty, problem
from bot.web.api.shapes import Fault, Problem

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bot.store.rounds import Progress, State


def shown(one: rounds.Round) -> shapes.Round:
    """Show a round as the API does."""
    wanted = one.conditions
    return shapes.Round(
        id=one.id,
        name=one.name,
        by=one.by,
        made=datetime.fromtimestamp(one.made, UTC),
        groups=[*one.groups],
        texts=one.texts,
        flow=one.flow,
        conditions=shapes.Conditions(
            languages=[*wanted.languages],
            operation=wanted.operation,
            within=wanted.within,
            behind=wanted.behind,
            not_planted=wanted.not_planted,
            no_plan=wanted.no_plan,
        ),
        start=datetime.fromtimestamp(one.start, UTC) if one.start else None,
        rate=one.rate,
        state=one.state,
        paused_for=one.paused_for,
    )


# Making one


def new(call: Call, body: shapes.NewRound) -> shapes.Round | Problem:
    """Write down a round; nothing is sent before it is started."""
    now, wanted = call.api.exchange.clock(), body.conditions
    one = rounds.Round(
        id=rounds.new_id(),
        name=body.name.strip(),
        by=f"(token {call.token.name})",
        made=int(now),
        groups=tuple(dict.fromkeys(body.groups)),
        conditions=rounds.Conditions(
            tuple(wanted.languages),
            wanted.operation,
            wanted.within,
            wanted.behind,
            wanted.not_planted,
            wanted.no_plan,
        ),
        texts=body.texts,
        flow=body.flow,
        start=int(body.start.timestamp()) if body.start else 0,
        rate=body.rate,
    )
    wrong = _faults(call, one)
    if abs(one.start - now) > timedelta(days=LONGEST_DAYS).total_seconds() and one.start:
        wrong.append(Fault("start", f"it is more than {LONGEST_DAYS} days from now"))
    if wrong:
        return faulty(*wrong)
    call.api.rounds.shelf.add(one.id, one)
    call.record("made round", one.id)
    return shown(one)


def _faults(call: Call, one: rounds.Round) -> list[Fault]:
    """Say what must be mended; groups that the token does not reach are as good as unknown."""
    return [Fault("", reason) for reason in faults(one, call.api.dialogue, call.groups())]


# Looking at them


def listed(call: Call) -> shapes.RoundList:
    """List the rounds whose groups the token reaches."""
    every = call.api.rounds.shelf.all().values()
    theirs = [one for one in every if _reaches(call, one)]
    return shapes.RoundList([shown(one) for one in sorted(theirs, key=lambda one: -one.made)])


def show(call: Call, id: str) -> shapes.RoundProgress | Problem:  # noqa: A002 - as in the path
    """Show a round, what counting found and how far sending has come."""
    one = _found(call, id)
    if isinstance(one, Problem):
        return one
    kept = call.api.rounds
    fared = kept.fared(one.id)
    return shapes.RoundProgress(
        shown(one),
        counted=_tally(call, one, kept.progress(one.id, "count")),
        spread=_tally(call, one, kept.progress(one.id, "send")),
        texts=shapes.Fate(
            *(max(fared[what], 0) for what in ("sent", "refused", "delivered", "failed"))
        ),
    )


def _reaches(call: Call, one: rounds.Round) -> bool:
    """Whether all its groups are the token's; without any, whether the token reaches every group.

    Only the desk drafts one without groups, and shows it to its writer and to admins.
    """
    if not one.groups:
        return not call.token.groups
    return all(map(call.token.may_see, one.groups))


def _found(call: Call, round_id: str) -> rounds.Round | Problem:
    one = call.api.rounds.shelf.find(round_id)
    if one is not None and not _reaches(call, one):
        call.refused(f"the round {one.id}")
        one = None
    return one or problem(404, "there is no round of this id")


def _tally(call: Call, one: rounds.Round, progress: Progress) -> shapes.Tally:
    counts, settings = progress.counts, call.api.exchange.settings
    named = [name.partition(":") for name in counts]
    languages = {
        language: shapes.Spoken(counts[f"language:{language}"], counts[f"segments:{language}"])
        for kind, _, language in sorted(named)
        if kind == "language"
    }
    segments = sum(each.segments for each in languages.values())
    return shapes.Tally(
        progress=round(sum(progress.done.values()) / (keys.SHARDS * max(len(one.groups), 1)), 3),
        chosen=counts["chosen"],
        languages=languages,
        segments=segments,
        cost=round(segments * settings.segment_price, 2) if settings.segment_price else None,
        left_out={
            reason: counts[f"left_out:{reason}"]
            for kind, _, reason in sorted(named)
            if kind == "left_out"
        },
    )


# Letting it go

ACTIONS: dict[str, tuple[Sequence[State], State, str]] = {
    "count": (
        ("draft", "counted"),
        "counting",
        "Count whom a round would reach, and at what cost; nothing is sent.",
    ),
    "start": (
        ("draft", "counted"),
        "running",
        "Let a round go, at its time and rate, in waking hours.",
    ),
    "pause": (("running", "finished"), "paused", "Hold a round's texts."),
    "resume": (("paused",), "running", "Let a paused round go on."),
    "stop": (
        ("running", "paused", "finished"),
        "stopped",
        "End a round for good; texts of it that have not left are not sent.",
    ),
}
"""What can be done with a round: in which states, the state it is then in, and what it means."""


def move(action: str, call: Call, id: str) -> shapes.Round | Problem:  # noqa: A002
    """Put a round into another state; doing it again changes nothing."""
    one = _found(call, id)
    if isinstance(one, Problem):
        return one
    allowed, state, _ = ACTIONS[action]
    if one.state == state:
        return shown(one)
    if action == "start" and (wrong := _faults(call, one)):
        return faulty(*wrong)
    if action == "count" and one.state in allowed:
        call.api.rounds.begin_again(one.id, "count")
    changed = call.api.rounds.change_state(one.id, allowed, state)
    if changed is None or changed.state != state:
        now = changed.state if changed else "gone"
        return problem(
            409, f"the round is {now}; only one that is {' or '.join(allowed)} can {action}"
        )
    call.record(f"round {state}", one.id)
    if action == "start":
        here = call.api.exchange
        call.api.groups.open_season(one, here.clock(), here.settings.zone)
    return shown(changed)


ROUTES = [
    Route(
        "POST",
        "/rounds",
        new,
        "rounds:write",
        shapes.Round,
        "Write down a round: a draft, of which nothing is sent.",
        status=201,
        body=shapes.NewRound,
        example={
            "name": "Weeds after the rain",
            "groups": ["Mirindi North"],
            "texts": {
                "en": "{name}, the rain brings weeds. Look at your field this week.",
                "sw": "{name}, mvua huleta magugu. Angalia shamba lako wiki hii.",
            },
            "conditions": {"operation": "weed_check", "within": 14},
        },
    ),
    Route("GET", "/rounds", listed, "rounds:write", shapes.RoundList, "List rounds."),
    Route(
        "GET",
        "/rounds/{id}",
        show,
        "rounds:write",
        shapes.RoundProgress,
        "Show a round, what counting it found, and how far it has come.",
    ),
    *(
        Route(
            "POST",
            f"/rounds/{{id}}/{action}",
            partial(move, action),
            "rounds:write",
            shapes.Round,
            summary,
            problems=(409, 422) if action == "start" else (409,),
        )
        for action, (_, _, summary) in ACTIONS.items()
    ),
]
