"""Plans over the API: reading one, making one from an answer sheet, reporting on its operations."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, cast

from msgspec import UNSET
from msgspec.structs import replace

from bot.dialogue.records import enqueue
from bot.dialogue.sheet import SEASON_DAYS
from bot.dialogue.standing import why_silent
from bot.gateways.numbers import masked
from bot.store.growers import REPLAY_S
from bot.web.api import shapes
from bot.web.api.routes import Call, Route, faulty, problem
from bot.web.api.shapes import Fault, Problem
from bot.web.api.sheets import PLAN, Made, planned
from bot.wording.languages import SOURCE

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bot.dialogue import records


def shown(plan: records.Plan | None) -> shapes.Plan | Problem:
    """Show a plan as the API does."""
    if plan is None:
        return problem(404, "this grower has no plan yet")
    return shapes.Plan(
        [
            shapes.Operation(
                id=each.id,
                name=each.name,
                earliest=each.earliest,
                due=each.due,
                latest=each.latest,
                done=each.done,
                not_before=each.promised,
                late_days=each.late,
                product_ml=each.ml,
            )
            for each in plan.in_date_order()
        ],
        plan.next_reminder.day if plan.next_reminder else None,
    )


def show(call: Call, number: str) -> shapes.Plan | Problem:
    """Show a grower's plan."""
    loaded = call.grower(number)
    return loaded if isinstance(loaded, Problem) else shown(loaded.grower.plan)


# From an answer sheet


def make(call: Call, number: str, body: shapes.AnswerSheet) -> shapes.Planned | Problem:
    """Make a grower's plan from a sheet, and text it to them only if that is asked for."""
    told: list[Made] = []
    why: list[shapes.Reason] = []

    def change(grower: records.Grower) -> records.Grower | Problem:
        group = call.api.groups.shelf.find(grower.group)
        fallback = (group and group.language) or SOURCE
        today = call.api.day(grower.zone)
        made = planned(grower, body.sheet, call.api.dialogue, fallback, today)
        if not isinstance(made, Made):
            return faulty(*made)
        told[:] = [made]
        why[:] = [_why_not(call, number, made) if body.text else "not_asked"]
        if why == ["texted_before"]:
            return made.grower
        # A plan that has not left yet is stale.
        waiting = tuple(each for each in made.grower.waiting if each.operation != PLAN)
        changed = replace(made.grower, waiting=waiting)
        return changed if why[0] else enqueue(changed, made.texts, "notice", PLAN)

    changed = call.change(number, change)
    if isinstance(changed, Problem):
        return changed
    [made], [reason] = told, why
    call.record("made a plan for", masked(number), reason or "texted")
    plan = shown(changed.plan)
    if isinstance(plan, Problem):
        return plan
    return shapes.Planned(plan, made.language, [*made.texts], not reason, reason)


def _why_not(call: Call, number: str, made: Made) -> shapes.Reason:
    """Say why the texts of a plan are not sent; "" if they may be."""
    if silent := why_silent(made.grower):
        return cast("shapes.Reason", silent)
    # Lines are read after the record, and are added with it: no text has left in between unless
    # the commit fails.
    since = call.api.exchange.clock() - REPLAY_S
    lines = call.api.exchange.store.texts(number)
    sent = [line.body for line in lines if line.about == PLAN and line.at > since]
    waiting = [text.body for text in made.grower.waiting if text.operation == PLAN]
    last = (*sent, *waiting)[-len(made.texts) :]
    return "texted_before" if last == made.texts else ""


# Reports


def report(call: Call, number: str, body: shapes.Report) -> shapes.Plan | Problem:
    """Report for a grower that an operation was done, or when it will be."""

    def change(grower: records.Grower) -> records.Grower | Problem:
        return _reported(call, grower, body)

    changed = call.change(number, change)
    if isinstance(changed, Problem):
        return changed
    said = "not before" if body.done is UNSET else "done on"
    day = body.not_before if body.done is UNSET else body.done
    call.record("reported", masked(number), f"{body.operation} {said} {day}")
    return shown(changed.plan)


def _reported(call: Call, grower: records.Grower, body: shapes.Report) -> records.Grower | Problem:
    done = None if body.done is UNSET else body.done
    not_before = None if body.not_before is UNSET else body.not_before
    operation = grower.plan.find(body.operation) if grower.plan else None
    if operation is None:
        known = [each.id for each in grower.plan.operations] if grower.plan else []
        return faulty(Fault("operation", f"the plan has none of this id; it has {_list(known)}"))
    if done is not None and operation.done == done and not_before is None:
        return grower  # reported before
    today = call.api.day(grower.zone)
    if done is not None and done < (first := today - timedelta(days=SEASON_DAYS)):
        return faulty(Fault("done", f"{done} is no day of this season; give one from {first} on"))
    try:
        return call.api.dialogue.report(
            grower, body.operation, today, done=done, not_before=not_before
        )
    except ValueError as error:
        at = "operation" if operation.done else "not_before" if done is None else "done"
        return faulty(Fault(at, str(error)))


def _list(names: Sequence[str]) -> str:
    return ", ".join(names) or "no operations"


ROUTES = [
    Route(
        "GET",
        "/growers/{number}/plan",
        show,
        "growers:read",
        shapes.Plan,
        "Show a grower's plan.",
    ),
    Route(
        "PUT",
        "/growers/{number}/plan",
        make,
        "growers:write",
        shapes.Planned,
        "Make a grower's plan from an answer sheet, in the place of the plan before.",
        body=shapes.AnswerSheet,
        example={
            "sheet": {
                "area": {"value": 1.5, "unit": "acre"},
                "soil": {
                    "fertile": True,
                    "stony": False,
                    "shallow": False,
                    "waterlogged": False,
                    "sloping": False,
                },
                "cover": "grass",
                "height_cm": 30,
                "green": True,
                "hard_weeds": False,
                "herbicide_ok": True,
                "price_per_tonne": 10000,
                "plough_cost_per_acre": 15000,
                "ridge_cost_per_acre": 10000,
                "dry_season_harvest": True,
                "low_sprouting": False,
                "fast_early_weeds": True,
                "preemergence": "isoxaflutole_aclonifen",
                "tank_l": 15,
                "start_date": "unknown",
            },
            "text": False,
        },
    ),
    Route(
        "POST",
        "/growers/{number}/reports",
        report,
        "growers:write",
        shapes.Plan,
        "Report that an operation was done, or will not be before a day; nothing is texted.",
        body=shapes.Report,
        example={"operation": "spray_fallow", "done": "2026-03-02"},
    ),
]
