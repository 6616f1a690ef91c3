"""Rounds at the desk: write one, see what it would do and cost, let it go, and watch it.

A round is counted before it may start, and what is started is what was looked at: should anyone
have changed it meanwhile, it does not start. Its texts are put to the growers by the spreader,
which runs beside the sender; here only its record changes.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from flask import Response, abort, flash, redirect, render_template, request, url_for
from msgspec.structs import replace

from bot.dialogue.slips import SEASON
from bot.reminders.rounds import FASTEST, PLACEHOLDERS, faults
from bot.store import keys
from bot.store.rounds import Round, moved, new_id
from bot.web.desk.deliveries import amount, bill_now, cost_of, money
from bot.web.desk.guarding import may_see, me, must_see, record, refuse
from bot.web.desk.round_figures import (
    examples_of,
    fared_of,
    flow_name,
    of_count,
    rounds_here,
    said_conditions,
)
from bot.web.desk.round_forms import (
    LONGEST_NAME,
    LONGEST_TEXT,
    Typed,
    looked_at,
    of_form,
    of_round,
    read,
    version_of,
)
from bot.web.desk.showing import (
    WORK,
    Fault,
    dialogue_here,
    exchange_here,
    groups_here,
    groups_of,
    names_of,
    page_start,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from flask import Blueprint
    from flask.typing import ResponseReturnValue

    from bot.store.rounds import State

PAGE = 30
"""Rounds on a page of the list."""

REFRESH_S = 5
WATCHED = 120
"""How often a page refreshes by itself, and how many times: then it keeps still, as a page left
open must not keep somebody signed in."""

STATES: dict[State, str] = {
    "draft": "Draft",
    "counting": "Being counted",
    "counted": "Counted, not started",
    "running": "Going out",
    "paused": "Paused",
    "stopped": "Stopped",
    "finished": "Gone out",
}

COPY = " (copy)"


def register(desk: Blueprint) -> None:
    """Add the pages of rounds."""

    @desk.get("/rounds")
    def rounds() -> str:
        """List the rounds, the newest first."""
        start = page_start(request.args.get("start", ""))
        every = [one for one in rounds_here().shelf.all().values() if _theirs(one)]
        every.sort(key=lambda one: (-one.made, one.id))
        return render_template(
            "desk/rounds.html",
            rounds=every[start : start + PAGE],
            more=len(every) > start + PAGE,
            start=start,
            page=PAGE,
            states=STATES,
            now=exchange_here().clock(),
            groups=groups_of(me()),
        )

    @desk.get("/rounds/new")
    def new_round() -> str:
        """Ask for a new round; one that opens a season is filled in."""
        group = request.args.get("season", "")
        if not group:
            return _form_page(_begun(), Typed())
        must_see(group)
        if groups_here().shelf.find(group) is None:
            abort(404)
        season = Typed(
            name=f"Season of {group}"[:LONGEST_NAME],
            groups=(group,),
            what="flow",
            flow=SEASON,
            no_plan=True,
        )
        return _form_page(_begun(), season)

    @desk.post("/rounds/new")
    def make_round() -> ResponseReturnValue:
        """Keep a new round as a draft, or only look at it."""
        ident = request.form.get("id", "")
        return _kept(_begun(ident if _ID.fullmatch(ident) else ""))

    @desk.get("/rounds/<round_id>")
    def round(round_id: str) -> ResponseReturnValue:  # noqa: A001 - the page's name
        """Show a round: what it would do, or how far it has come."""
        return _page(_round(round_id))

    @desk.post("/rounds/<round_id>")
    def do_to_round(round_id: str) -> ResponseReturnValue:
        """Do to a round what a button says."""
        act = _ACTS.get(request.form.get("do", ""))
        if act is None:
            abort(400)
        return act(_round(round_id))

    @desk.get("/rounds/<round_id>/edit")
    def edit_round(round_id: str) -> ResponseReturnValue:
        """Show a round's form, while it may be changed."""
        one = _round(round_id)
        if one.state not in _OPEN:
            return _page(one, _as_it_is("changed", one)), 409
        return _form_page(one, of_round(one), kept=True)

    @desk.post("/rounds/<round_id>/edit")
    def change_round(round_id: str) -> ResponseReturnValue:
        """Change a round that has not started, or only look at it."""
        return _kept(_round(round_id), kept=True)


_ID = re.compile("[2-9a-z]{8}")
_OPEN: tuple[State, ...] = ("draft", "counted")
"""States in which a round may be changed."""
_UNDER_WAY: tuple[State, ...] = ("running", "paused", "finished")
"""States in which it may be stopped; of one that has gone out, texts may still wait."""


def _theirs(one: Round) -> bool:
    """Whether a round is theirs to see: all its groups are; without any, they wrote it."""
    if not one.groups:
        return me().role == "admin" or one.by == me().name
    return all(may_see(group) for group in one.groups)


def _round(round_id: str) -> Round:
    one = rounds_here().shelf.find(round_id)
    if one is None:
        abort(404)
    if not _theirs(one):
        refuse(f"the round {one.id}")
    return one


# Writing one


def _begun(ident: str = "") -> Round:
    """A round as it begins; its id comes with the form, so that one sent twice is kept once."""
    return Round(ident or new_id(), "", me().name, int(exchange_here().clock()), ())


def _form_page(  # noqa: PLR0913 - what a form is shown with
    one: Round,
    typed: Typed,
    found: Sequence[Fault] = (),
    *,
    kept: bool = False,
    looked: Round | None = None,
    version: str = "",
) -> str:
    dialogue, groups = dialogue_here(), groups_of(me())
    return render_template(
        "desk/round_form.html",
        one=one,
        kept=kept,
        version=version or version_of(one),
        typed=typed,
        faults=found,
        looked=looked is not None,
        lacking=_lacking(looked) if looked else [],
        looks=looked_at(typed.texts) if looked or found else {},
        groups=names_of(groups, me()),
        codes=_codes(one),
        languages=dialogue.languages,
        beginnings=[(flow, flow_name(flow)) for flow in dialogue.beginnings],
        operations=[name for name in WORK if name in dialogue.flows.operations],
        placeholders=PLACEHOLDERS,
        longest_name=LONGEST_NAME,
        longest_text=LONGEST_TEXT,
        fastest=FASTEST,
        settings=exchange_here().settings,
    )


def _codes(one: Round) -> list[str]:
    """The languages that have a box for a text: those on offer, and any there is a text in."""
    return list(dict.fromkeys((*dialogue_here().languages, *one.texts)))


def _kept(one: Round, *, kept: bool = False) -> ResponseReturnValue:
    """Keep what was typed, or show it as it would be; what was typed is never lost."""
    typed = of_form(request.form, _codes(one))
    version = request.form.get("version", "")
    result = read(typed, one, names_of(groups_of(me()), me()))
    if not isinstance(result, Round):
        return _form_page(one, typed, result, kept=kept, version=version), 400
    if request.form.get("do") == "look":
        return _form_page(one, typed, kept=kept, looked=result, version=version)
    if not kept:
        return _added(result)
    return _changed(one, result, version)


def _added(one: Round) -> ResponseReturnValue:
    """Keep a new round. One sent twice is kept once; one written over since becomes another."""
    there = rounds_here().shelf.find(one.id)
    if there is not None and version_of(replace(there, made=one.made)) != version_of(one):
        one = replace(one, id=new_id())
    if rounds_here().shelf.add(one.id, one):
        record("made the round", one.name, one.id)
        flash("The round is kept as a draft. Nothing is sent yet.")
    return redirect(url_for("desk.round", round_id=one.id), 303)


def _changed(one: Round, wanted: Round, version: str) -> ResponseReturnValue:
    """Put a changed round in the place of the one that was shown, and have it counted anew."""
    if one.state in _OPEN and version_of(one) == version:
        # Before the record, so that no count of what it was before stands beside it.
        rounds_here().begin_again(one.id, "count")
        rounds_here().begin_again(one.id, "send")
    was = [one]

    def change(now: Round) -> Round:
        was[:] = [now]
        return wanted if now.state in _OPEN and version_of(now) == version else now

    now = rounds_here().shelf.change(one.id, change)
    if now is None:
        abort(404)
    if was[0].state not in _OPEN:
        return _page(now, _as_it_is("changed", now)), 409
    if version_of(was[0]) != version:
        said = "Somebody else changed this round meanwhile. What you typed is below and not kept; "
        said += "saving it now takes the place of theirs."
        typed = of_form(request.form, _codes(now))
        return _form_page(now, typed, [Fault("name", said)], kept=True), 409
    record("changed the round", now.name, now.id)
    flash("The changes are kept. Nothing is sent yet.")
    return redirect(url_for("desk.round", round_id=one.id), 303)


def _lacking(one: Round) -> list[str]:
    """Say what must be mended before a round may start."""
    known = ["", *groups_here().shelf.all()]
    return [
        f"{each[:1].upper()}{each[1:]}{'' if each.endswith('?') else '.'}"
        for each in faults(one, dialogue_here(), known)
    ]


# Looking at it


def _page(one: Round, warning: str = "") -> str | Response:
    # What a page warns of must not go before it is read.
    watch = 0 if warning else _watch(one)
    counted = of_count(rounds_here().progress(one.id, "count"))
    going = one.state not in {"draft", "counting", "counted"}
    progress = rounds_here().progress(one.id, "send" if going else "count")
    now = exchange_here().clock()
    asked = request.args.get("ask", "")
    bill = bill_now() if one.state in {"counted", "paused"} else None
    may = {
        "start": one.state == "counted" and counted.chosen > 0,
        "stop": one.state in _UNDER_WAY,
    }
    page = render_template(
        "desk/round.html",
        one=one,
        version=version_of(one),
        title=one.name or "A round without a name",
        states=STATES,
        waits=one.start > now,
        warning=warning,
        lacking=_lacking(one) if one.state in _OPEN else [],
        conditions=said_conditions(one.conditions),
        flow=flow_name(one.flow) if one.flow else "",
        looks=looked_at(one.texts),
        counted=counted if one.state == "counted" else None,
        so_far=of_count(progress),
        parts=(sum(progress.done.values()), keys.SHARDS * max(len(one.groups), 1)),
        examples=examples_of(one) if one.state == "counted" else [],
        fared=fared_of(one, counted.chosen, progress) if going else None,
        price=exchange_here().settings.segment_price,
        money=money,
        amount=amount,
        bill=bill,
        over=bill is not None and bill.short_of(cost_of(counted.segments)),
        asks=asked if may.get(asked) else "",
        watch=watch,
        settings=exchange_here().settings,
    )
    if not watch:
        return page
    again = url_for("desk.round", round_id=one.id, watch=watch - 1)
    return Response(page, headers={"Refresh": f"{REFRESH_S}; url={again}"})


def _watch(one: Round) -> int:
    """How many times more the page refreshes by itself: where something is going on."""
    if one.state not in {"counting", "running"} or "ask" in request.args:
        return 0
    return min(page_start(request.args.get("watch", str(WATCHED))), WATCHED)


# Letting it go


def _as_it_is(done: str, one: Round) -> str:
    return f"It could not be {done}. It stands like this now: {STATES[one.state].lower()}."


def _moved(
    one: Round,
    allowed: Sequence[State],
    state: State,
    done: str,
    unless: Callable[[Round], str] = lambda _: "",
) -> ResponseReturnValue:
    """Put a round into another state, if it still is as this needs it; else say how it is."""
    was: list[Round] = []
    kept_back: list[str] = []

    def change(now: Round) -> Round:
        was[:], kept_back[:] = [now], [unless(now) if now.state in allowed else ""]
        return moved(now, state) if now.state in allowed and not kept_back[0] else now

    now = rounds_here().shelf.change(one.id, change)
    if now is None:
        abort(404)
    if kept_back[0]:
        return _page(now, kept_back[0]), 409
    if was[0].state not in {*allowed, state}:
        return _page(now, _as_it_is(done, now)), 409
    if was[0].state != state:
        record(f"{done} the round", now.name, now.id)
        if was[0].state == "counted" and state == "running":
            _open_season(now)
    return redirect(url_for("desk.round", round_id=one.id), 303)


def _count(one: Round) -> ResponseReturnValue:
    if one.state in _OPEN and (lacking := _lacking(one)):
        return _page(one, f"It cannot be counted yet. {' '.join(lacking)}"), 409
    if one.state in _OPEN:
        rounds_here().begin_again(one.id, "count")
    return _moved(one, _OPEN, "counting", "counted")


def _start(one: Round) -> ResponseReturnValue:
    """Start what was looked at, if it still may go."""

    def unless(now: Round) -> str:
        if version_of(now) != request.form.get("version", ""):
            return "It has changed since you looked at it, and was not started. Look at it again."
        if lacking := _lacking(now):
            return f"It was not started. {' '.join(lacking)}"
        if not rounds_here().progress(now.id, "count").counts["chosen"]:
            return "It was not started, as it is for nobody. Change whom it is for."
        return ""

    return _moved(one, ("counted",), "running", "started", unless)


def _open_season(one: Round) -> None:
    """Note for its groups the day on which a round opens their season."""
    here = exchange_here()
    groups_here().open_season(one, here.clock(), here.settings.zone)


def _pause(one: Round) -> ResponseReturnValue:
    return _moved(one, ("running", "finished"), "paused", "paused")


def _resume(one: Round) -> ResponseReturnValue:
    return _moved(one, ("paused",), "running", "resumed")


def _stop(one: Round) -> ResponseReturnValue:
    return _moved(one, _UNDER_WAY, "stopped", "stopped")


def _copy(one: Round) -> ResponseReturnValue:
    """Write a new draft like a round, to be looked over and counted anew."""
    copied = replace(
        moved(one, "draft"),
        id=new_id(),
        name=f"{one.name[: LONGEST_NAME - len(COPY)]}{COPY}",
        by=me().name,
        made=int(exchange_here().clock()),
        start=0,
    )
    rounds_here().shelf.add(copied.id, copied)
    record("made the round", copied.name, f"{copied.id}, from {one.id}")
    flash("This is a copy, as a draft. Nothing of it is sent yet.")
    return redirect(url_for("desk.edit_round", round_id=copied.id), 303)


_ACTS: dict[str, Callable[[Round], ResponseReturnValue]] = {
    "count": _count,
    "start": _start,
    "pause": _pause,
    "resume": _resume,
    "stop": _stop,
    "copy": _copy,
}
