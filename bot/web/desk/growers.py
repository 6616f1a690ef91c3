"""A grower's page: who they are, their plan, the conversation, and what an agent does for them.

Whatever is done here is worked out from the record as it stands and made true by one commit; if
something else came first, it is worked out anew. None of it sends a text: replies to what an
agent types are shown to the agent. And none of it makes texts go out to who has sent STOP or has
not agreed, but the one button that says that the grower asked for it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING
from uuid import uuid4

from flask import abort, flash, redirect, render_template, request, url_for
from msgspec.structs import replace

from bot.dialogue.inviting import MOST_DAYS_AHEAD
from bot.dialogue.planning import done_later
from bot.dialogue.records import Grower, Turn
from bot.dialogue.standing import stage, why_silent
from bot.enrolment.rows import LONGEST_NAME
from bot.exchange import LONGEST_KEPT, MOST_RACES
from bot.gateways.numbers import LONGEST, masked, read_number
from bot.reminders.schedule import next_due
from bot.store.errors import StoreUnavailable
from bot.store.forgetting import forget
from bot.store.groups import Group, tidy
from bot.store.texts import Line
from bot.web.desk.guarding import (
    local_address,
    may_see,
    me,
    must_be_admin,
    note_refusal,
    record,
    refuse,
)
from bot.web.desk.showing import (
    Fault,
    day,
    day_in,
    dialogue_here,
    exchange_here,
    group_address,
    groups_here,
    groups_of,
    work,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from flask import Blueprint
    from flask.typing import ResponseReturnValue

    from bot.store.growers import Loaded

AT_DESK = "desk"
"""The kind of a text that an agent typed for a grower, and of a reply shown to the agent."""

ASKED = {
    "stopped": "The grower has asked for texts again.",
    "no_consent": "The grower has agreed to be texted.",
    "unreachable": "The grower says that texts reach this number again.",
}
"""What an agent vouches for before texts go out again, by `standing.why_silent`."""

Outcome = Grower | Turn | Fault


def register(desk: Blueprint) -> None:
    """Add the pages of growers."""

    @desk.get("/growers")
    def find() -> ResponseReturnValue:
        """Find a grower by number, however it is written."""
        return _found()

    @desk.get("/growers/<number>")
    def grower(number: str) -> str:
        """Show a grower."""
        return _page(number)

    @desk.post("/growers/<number>")
    def do_for(number: str) -> ResponseReturnValue:
        """Do for a grower what a button says."""
        act = _ACTS.get(request.form.get("do", ""))
        if act is None:
            abort(400)
        done = act(number)
        if isinstance(done, Fault):
            return _page(number, request.form, done), 400
        flash(done.said)
        goal = local_address(request.form.get("next", ""))
        return redirect(goal or done.address or url_for("desk.grower", number=number), 303)


@dataclass(frozen=True, slots=True)
class Done:
    """What was done, in a sentence, and where to go on if not to the grower's page."""

    said: str
    address: str = ""


# Finding


def _found() -> ResponseReturnValue:
    written, group = request.args.get("number", "").strip(), request.args.get("group", "")
    fault = None
    if "number" in request.args:
        number = read_number(written, _country(group))
        if number is None:
            fault = "That is no telephone number. Write it as it is dialled, or with + in front."
        else:
            known = exchange_here().store.load(number).known
            if known is not None:
                if may_see(known.group):
                    return redirect(url_for("desk.grower", number=number), 303)
                note_refusal(f"the grower {masked(number)}")
            fault = f"There is no grower with the number {number} among those you look after."
    page = render_template(
        "desk/find.html",
        written=written[:LONGEST],
        group=group if may_see(group) else "",
        fault=fault,
    )
    return page, 404 if fault else 200


def _country(group: str) -> str:
    """Return the country of numbers without their country code."""
    found = groups_here().shelf.find(group) if group and may_see(group) else None
    return (found and found.country) or exchange_here().settings.country


# Reading


def _theirs(number: str, message_id: str | None = None) -> Loaded:
    """Read a grower who is theirs to see who is signed in; else 404, as for an unknown number."""
    loaded = exchange_here().store.load(number, message_id)
    if loaded.known is None:
        abort(404)
    if not may_see(loaded.grower.group):
        refuse(f"the grower {masked(number)}")
    return loaded


def _page(number: str, typed: Mapping[str, str] | None = None, fault: Fault | None = None) -> str:
    shown = request.args.get("shown", "")
    loaded = _theirs(number, _message_id(shown) if _TOKEN.fullmatch(shown) else None)
    grower, here = loaded.grower, exchange_here()
    today = day_in(grower.zone)
    typed = typed or {}
    did = typed.get("do", "")
    kept = {each: getattr(grower, each) for each in ("name", "village", "language", "group")}
    return render_template(
        "desk/grower.html",
        number=number,
        grower=grower,
        today=today,
        last_day=today + timedelta(days=MOST_DAYS_AHEAD),
        stage=stage(grower),
        silent=why_silent(grower),
        asked=ASKED,
        operations=grower.plan.in_date_order() if grower.plan else [],
        question=dialogue_here().open_question(grower),
        texts=[*reversed(here.store.texts(number))],
        replies=loaded.replay.replies if loaded.replay else None,
        # One for each form shown, so that one sent twice is answered once.
        once=uuid4().hex,
        did=did,
        typed=typed,
        edited=typed if did == "edit" else kept,
        faults=[fault] if fault else [],
        groups=groups_of(me()),
        languages=dialogue_here().languages,
        longest_name=LONGEST_NAME,
        longest_text=LONGEST_KEPT,
    )


# Changing


def _made_true(
    number: str,
    change: Callable[[Grower], Outcome],
    *,
    message_id: str | None = None,
    lines: Callable[[Turn], Sequence[Line]] = lambda _: (),
) -> Grower | Fault:
    """Make a change of a grower true, whoever else changes them meanwhile.

    Returns the grower as they then are, or the fault that `change` found with what is there.
    """
    here = exchange_here()
    for _ in range(MOST_RACES):
        loaded = _theirs(number, message_id)
        if loaded.replay is not None:
            return loaded.grower  # it was sent twice
        outcome = change(loaded.grower)
        if isinstance(outcome, Fault):
            return outcome
        turn = outcome if isinstance(outcome, Turn) else Turn((), outcome)
        if message_id is None and turn.grower == loaded.grower:
            return loaded.grower
        due = next_due(turn.grower, here.settings, here.clock())
        if here.store.commit(
            number, loaded, turn, due=due, message_id=message_id, lines=lines(turn)
        ):
            return turn.grower
    raise StoreUnavailable(f"lost {MOST_RACES} races in a row")


def _report(number: str) -> Done | Fault:
    """Report that work was done on a day, or will not be before one."""
    identity, what = request.form.get("operation", ""), request.form.get("what", "")
    given = _read_day(request.form.get("day", ""))
    if what not in {"done", "not_before"}:
        return Fault("what", "Say whether it was done or is put off.")
    if given is None:
        return Fault("day", "Write the day as 2026-03-31 or 31/3/2026.")

    def change(grower: Grower) -> Outcome:
        fault = _fault_in_report(grower, identity, what, given)
        if fault is not None:
            return fault
        done, later = (given, None) if what == "done" else (None, given)
        try:
            return dialogue_here().report(
                grower, identity, day_in(grower.zone), done=done, not_before=later
            )
        except ValueError as error:
            return Fault("day", f"The plan does not allow this: {error}.")

    changed = _made_true(number, change)
    if isinstance(changed, Fault):
        return changed
    said = "done on" if what == "done" else "not before"
    record("reported", masked(number), f"{identity} {said} {given}")
    return Done(f"Kept: {work(identity)}, {said} {day(given)}. The plan follows from it.")


def _fault_in_report(grower: Grower, identity: str, what: str, given: date) -> Fault | None:
    """Say what is wrong with a report, in words for an agent."""
    today = day_in(grower.zone)
    operation = grower.plan.find(identity) if grower.plan else None
    if grower.plan is None or operation is None:
        return Fault("operation", "Choose the work. The plan may have changed meanwhile.")
    if operation.done is not None:
        return Fault("operation", f"That was done on {day(operation.done)} already.")
    if what == "not_before":
        last = today + timedelta(days=MOST_DAYS_AHEAD)
        if not today <= given <= last:
            return Fault("day", f"Put it off to a day from {day(today)} to {day(last)}.")
        return None
    if given > today:
        return Fault("day", f"{day(given)} is still to come. What is done was done by today.")
    before = done_later(dialogue_here().flows, grower.plan, operation, given)
    if before is not None and before.done is not None:
        return Fault(
            "day", f"{work(before.id)} comes first, and was done on {day(before.done)} only."
        )
    return None


def _read_day(written: str) -> date | None:
    """Read a day as browsers send it, or as people write it where theirs knows no such field."""
    for form in ("%Y-%m-%d", "%d/%m/%Y", "%d.%m.%Y"):
        try:
            return datetime.strptime(written.strip(), form).date()  # noqa: DTZ007 - a day has no zone
        except ValueError:
            continue
    return None


_TOKEN = re.compile(r"[0-9a-f]{32}")


def _message_id(token: str) -> str:
    return f"{AT_DESK}:{token}"


def _answer(number: str) -> Done | Fault:
    """Answer the question that stands, as if the grower had sent the text."""
    text, token = request.form.get("text", "").strip(), request.form.get("once", "")
    if not text:
        return Fault("text", "Write what the grower answers.")
    if not _TOKEN.fullmatch(token):
        token = uuid4().hex

    def change(grower: Grower) -> Outcome:
        if grower.stopped:
            return Fault("text", "This grower has sent STOP, so nothing is answered for them.")
        turn = dialogue_here().turn(grower, text, day_in(grower.zone))
        if turn.grower.stopped:
            return Fault("text", "To stop texts, use the button for it further down.")
        # The grower has not written: what only their own text can change stays as it is.
        unheard = {"consent": grower.consent, "unreachable": grower.unreachable}
        if grower.trouble and grower.trouble == grower.unreachable:
            unheard["trouble"] = turn.grower.trouble or grower.trouble
        return replace(turn, grower=replace(turn.grower, **unheard))

    def lines(turn: Turn) -> list[Line]:
        now = int(exchange_here().clock())
        said = [Line(now, "sent", AT_DESK, each) for each in turn.replies]
        return [Line(now, "heard", AT_DESK, text[:LONGEST_KEPT]), *said]

    changed = _made_true(number, change, message_id=_message_id(token), lines=lines)
    if isinstance(changed, Fault):
        return changed
    record("answered for", masked(number))
    address = url_for("desk.grower", number=number, shown=token, _anchor="answer")
    return Done("Answered for the grower. Nothing was texted.", address)


def _edit(number: str) -> Done | Fault:
    """Change who a grower is, and the group they are in."""
    form = request.form
    words = {each: " ".join(form.get(each, "").split()) for each in ("name", "village")}
    for field, written in words.items():
        if len(written) > LONGEST_NAME or not written.isprintable():
            return Fault(field, f"Write it in at most {LONGEST_NAME} letters.")
    language, group = form.get("language", ""), tidy(form.get("group", ""))
    if language and language not in dialogue_here().languages:
        return Fault("language", "Choose one of the languages on offer.")
    found = groups_here().shelf.find(group) if group else Group("")
    if found is None or not may_see(group):
        return Fault("group", "Choose one of your groups.")
    was: list[Grower] = []

    def change(grower: Grower) -> Outcome:
        was[:] = [grower]
        zone = grower.zone if grower.group == group else found.zone
        spoken = language or grower.language
        return replace(grower, **words, language=spoken, group=group, zone=zone)

    changed = _made_true(number, change)
    if isinstance(changed, Fault):
        return changed
    fields = ("name", "village", "language", "group")
    new = [each for each in fields if getattr(was[0], each) != getattr(changed, each)]
    if not new:
        return Done("Nothing was changed.")
    record("changed", masked(number), ", ".join(new))
    return Done("The changes are kept.")


def _rung(number: str) -> Done | Fault:
    """Take a grower from those to ring: somebody has."""
    changed = _made_true(number, dialogue_here().settled)
    if isinstance(changed, Fault):
        return changed
    record("rang", masked(number))
    return Done("Kept: the grower has been rung, and is off the list.")


def _stop(number: str) -> Done | Fault:
    """Stop texts as STOP does, on the grower's word; nothing is sent to confirm it."""
    changed = _made_true(
        number, lambda grower: dialogue_here().turn(grower, "STOP", day_in(grower.zone)).grower
    )
    if isinstance(changed, Fault):
        return changed
    record("stopped texts to", masked(number))
    return Done("No more texts go to this grower.")


def _start(number: str) -> Done | Fault:
    """Let texts go out again, where the grower asked for it."""
    was = request.form.get("was", "")
    if request.form.get("asked") != "yes":
        return Fault("asked", "Tick this only if the grower told you so. Nothing was changed.")

    def change(grower: Grower) -> Outcome:
        if why_silent(grower) != was:
            return Fault("asked", "This has changed meanwhile. Look at it again.")
        # What waited until now is stale, but for what the grower asked.
        waiting = tuple(each for each in grower.waiting if each.kind == "reply")
        grower = replace(grower, waiting=waiting)
        if was == "stopped":
            return replace(grower, stopped=False, told_stopped=None)
        if was == "no_consent":
            return replace(grower, consent=True)
        trouble = "" if grower.trouble == grower.unreachable else grower.trouble
        return replace(grower, unreachable="", trouble=trouble)

    if was not in ASKED:
        abort(400)
    changed = _made_true(number, change)
    if isinstance(changed, Fault):
        return changed
    record("let texts go out again to", masked(number), ASKED[was])
    if why_silent(changed):
        return Done("Kept. Something else still keeps texts from this grower: see below.")
    return Done("Texts go out to this grower again.")


def _forget(number: str) -> Done | Fault:
    """Forget everything of a number; for admins."""
    must_be_admin()
    store = exchange_here().store
    # They may be gone already, but not on enough replicas when it was tried.
    store.confirm(number, desk=True)
    grower = _theirs(number).grower
    if read_number(request.form.get("confirm", ""), _country(grower.group)) != number:
        return Fault("confirm", "Write this grower's number. Nothing was forgotten.")
    forget(store, number)
    record("forgot", masked(number))
    return Done(f"Everything of {masked(number)} is forgotten.", group_address(grower.group))


_ACTS: dict[str, Callable[[str], Done | Fault]] = {
    "report": _report,
    "answer": _answer,
    "edit": _edit,
    "rung": _rung,
    "stop": _stop,
    "start": _start,
    "forget": _forget,
}
