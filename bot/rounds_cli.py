"""The commands `fieldbell rounds`: a text, or a flow's first question, to whole groups."""

from __future__ import annotations

import time
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import click

from bot.commands import WHO, money, store_of
from bot.exchange import dialogue_of
from bot.reminders.rounds import LONGEST_DAYS, REASONS, Chosen, faults, judge
from bot.reminders.spending import bill, estimate, month_at
from bot.reminders.spreading import Spreader
from bot.store.groups import Group, Groups, tidy
from bot.store.people import People
from bot.store.rounds import Conditions, Round, Rounds, new_id
from bot.store.spending import Spending
from bot.words_files import Refused

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from bot.settings import Settings
    from bot.store.growers import Store
    from bot.store.rounds import Pass, PausedFor, Progress, State

POLL_S = 0.5

PAUSED_FOR: dict[PausedFor, str] = {
    "": "",
    "ceiling": "paused as the month's spend has reached the ceiling; `fieldbell spending` shows it",
}
"""Why a round is paused, where no agent did it."""


@click.group()
def rounds() -> None:
    """Send a text, or a flow's first question, to everyone in groups who meets conditions."""


@contextmanager
def _reached(file: Path | None) -> Iterator[tuple[Settings, Store, Rounds]]:
    with store_of(file) as (settings, store):
        yield settings, store, Rounds(store.redis)


# Making one


@rounds.command()
@click.argument("name")
@click.option("--group", "groups", multiple=True, required=True, help="May be given often.")
@click.option("--text", "texts", multiple=True, metavar="LANG=TEXT", help="May be given often.")
@click.option("--flow", default="", help="Ask this flow's first question instead of a text.")
@click.option("--language", "languages", multiple=True, help="Only who speaks it.")
@click.option("--operation", default="", help="Only for whom this work comes next.")
@click.option("--within", type=int, help="Only whose next work is due within so many days.")
@click.option("--behind", type=int, help="Only whose next work is so many days overdue.")
@click.option("--not-planted", is_flag=True, help="Only who has not planted.")
@click.option("--no-plan", is_flag=True, help="Only who has no plan under way.")
@click.option("--start", type=click.DateTime(["%Y-%m-%d %H:%M"]), help="Not before; local time.")
@click.option("--rate", default=600, show_default=True, help="Texts a minute, at most.")
@click.pass_obj
def new(  # noqa: PLR0913, PLR0917 - an option each
    file: Path | None,
    name: str,
    groups: tuple[str, ...],
    texts: tuple[str, ...],
    flow: str,
    languages: tuple[str, ...],
    operation: str,
    within: int | None,
    behind: int | None,
    not_planted: bool,  # noqa: FBT001 - click's own
    no_plan: bool,  # noqa: FBT001
    start: datetime | None,
    rate: int,
) -> None:
    """Write down a round, and print its id. Nothing is sent before `start`.

    A text may hold {name}, {village}, {group}, {operation} and {due}.
    """
    with _reached(file) as (settings, store, kept):
        begins = _begins(start, ZoneInfo(settings.zone)) if start else 0
        one = Round(
            id=new_id(),
            name=name,
            by=WHO,
            made=int(time.time()),
            groups=tuple(dict.fromkeys(tidy(each) for each in groups)),
            conditions=Conditions(languages, operation, within, behind, not_planted, no_plan),
            texts=_texts(texts, flow),
            flow=flow,
            start=begins,
            rate=rate,
        )
        _refuse_faulty(one, store, settings)
        kept.shelf.add(one.id, one)
        People(store.redis).record(WHO, "made round", one.id)
    click.echo(one.id)


def _texts(written: tuple[str, ...], flow: str) -> dict[str, str]:
    texts: dict[str, str] = {}
    for each in written:
        code, equals, text = each.partition("=")
        language = code.strip()
        if not equals:
            raise Refused(f"--text {each}: write it as sw=TEXT")
        if language in texts:
            raise Refused(f"--text {each}: there is a text in {language} already")
        texts[language] = text
    if texts and flow:
        raise Refused("give either --text or --flow; a flow brings its own words")
    return texts


def _begins(start: datetime, zone: ZoneInfo) -> int:
    if abs((start - datetime.now(zone).replace(tzinfo=None)).days) > LONGEST_DAYS:
        raise Refused(f"--start {start:%Y-%m-%d}: write a day within {LONGEST_DAYS} days of today")
    return int(start.replace(tzinfo=zone).timestamp())


def _refuse_faulty(one: Round, store: Store, settings: Settings) -> None:
    known = ["", *Groups(store.redis).shelf.all()]
    if found := faults(one, dialogue_of(settings), known):
        raise Refused("\n".join(found))


# Looking at it


@rounds.command("list")
@click.pass_obj
def list_all(file: Path | None) -> None:
    """Print every round, the newest first."""
    with _reached(file) as (_, _store, kept):
        every = sorted(kept.shelf.all().values(), key=lambda one: -one.made)
    for one in every:
        click.echo(f"{one.id}  {one.state:<9} {one.name} ({', '.join(one.groups)})")
    if not every:
        click.echo("No rounds yet; `fieldbell rounds new` makes one.")


@rounds.command()
@click.argument("round_id")
@click.pass_obj
def count(file: Path | None, round_id: str) -> None:
    """Count whom a round would reach, and at what cost; nothing is sent."""
    with _reached(file) as (settings, store, kept):
        one = _found(kept, round_id)
        _refuse_faulty(one, store, settings)
        if one.state in {"draft", "counted"}:
            kept.begin_again(round_id, "count")
        _change(kept, round_id, ("draft", "counted"), "counting")
        dialogue = dialogue_of(settings)
        spreader = Spreader(store, Groups(store.redis), kept, dialogue, settings, time.time)
        try:
            while _found(kept, round_id).state == "counting":
                # Where `fieldbell send` runs, it counts, and this only waits.
                if not spreader.tick():
                    time.sleep(POLL_S)
        finally:
            spreader.release()
        progress = kept.progress(round_id, "count")
        for line in counted(progress, settings):
            click.echo(line)
        if warning := over_ceiling(progress, settings, store):
            click.echo(warning, err=True)
        for number in progress.examples:
            grower = store.load(number).grower
            group = Groups(store.redis).shelf.find(grower.group) or Group(grower.group)
            today = datetime.now(ZoneInfo(group.zone or settings.zone)).date()
            verdict = judge(one, group, grower, today, dialogue)
            if isinstance(verdict, Chosen):
                click.echo("\n" + "\n".join(text.body for text in verdict.texts))


def counted(progress: Progress, settings: Settings) -> list[str]:
    """Say what a count found, a line each."""
    counts = progress.counts
    lines = [f"chosen: {counts['chosen']:,}"]
    segments = 0
    for name, many in sorted(counts.items()):
        kind, _, what = name.partition(":")
        if kind == "language":
            segments += counts[f"segments:{what}"]
            named = what or "no language yet"
            lines.append(f"  {named}: {many:,}, segments {counts[f'segments:{what}']:,}")
    cost = f", {money(estimate(segments, settings), settings)}" if settings.segment_price else ""
    lines.append(f"segments: {segments:,}{cost}")
    lines += [
        f"left out, as they {REASONS[name.partition(':')[2]]}: {many:,}"
        for name, many in sorted(counts.items())
        if name.startswith("left_out:")
    ]
    return lines


def over_ceiling(progress: Progress, settings: Settings, store: Store) -> str:
    """Say that what was counted costs more than is left of the month's ceiling; "" if it is not."""
    many = sum(count for name, count in progress.counts.items() if name.startswith("segments:"))
    month = bill(Spending(store.redis), month_at(time.time(), settings), settings)
    if not month.short_of(estimate(many, settings)):
        return ""
    left, ceiling = money(month.left, settings), money(month.ceiling, settings)
    return (
        f"that is more than is left this month: {left} of {ceiling}; it will be paused on its way"
    )


@rounds.command()
@click.argument("round_id")
@click.pass_obj
def show(file: Path | None, round_id: str) -> None:
    """Print a round, how far it has come and what became of its texts."""
    with _reached(file) as (settings, _store, kept):
        one = _found(kept, round_id)
        click.echo(f"{one.name} ({', '.join(one.groups)}), by {one.by}: {one.state}")
        if why := PAUSED_FOR[one.paused_for]:
            click.echo(why)
        if one.start:
            start = datetime.fromtimestamp(one.start, UTC).astimezone(ZoneInfo(settings.zone))
            click.echo(f"not before {start:%Y-%m-%d %H:%M}")
        for language, text in one.texts.items():
            click.echo(f"{language}: {text}")
        which: Pass = "count" if one.state in {"draft", "counting", "counted"} else "send"
        for line in counted(kept.progress(round_id, which), settings):
            click.echo(line)
        for what, many in sorted(kept.fared(round_id).items()):
            click.echo(f"{what}: {many:,}")


# Letting it go


@rounds.command()
@click.argument("round_id")
@click.pass_obj
def start(file: Path | None, round_id: str) -> None:
    """Let a round go, at its time and rate, in waking hours. `fieldbell send` must be running."""
    with _reached(file) as (settings, store, kept):
        one = _found(kept, round_id)
        _refuse_faulty(one, store, settings)
        _move(kept, store, round_id, ("draft", "counted"), "running")
        Groups(store.redis).open_season(one, time.time(), settings.zone)


@rounds.command()
@click.argument("round_id")
@click.pass_obj
def pause(file: Path | None, round_id: str) -> None:
    """Hold a round; `resume` lets it go on where it was."""
    with _reached(file) as (_, store, kept):
        _move(kept, store, round_id, ("running", "finished"), "paused")


@rounds.command()
@click.argument("round_id")
@click.pass_obj
def resume(file: Path | None, round_id: str) -> None:
    """Let a paused round go on."""
    with _reached(file) as (_, store, kept):
        _move(kept, store, round_id, ("paused",), "running")


@rounds.command()
@click.argument("round_id")
@click.pass_obj
def stop(file: Path | None, round_id: str) -> None:
    """End a round for good; texts of it that have not left are not sent."""
    with _reached(file) as (_, store, kept):
        _move(kept, store, round_id, ("running", "paused", "finished"), "stopped")


def _move(
    kept: Rounds, store: Store, round_id: str, allowed: tuple[State, ...], state: State
) -> None:
    one = _change(kept, round_id, allowed, state)
    People(store.redis).record(WHO, f"round {state}", round_id)
    click.echo(f"{one.name}: {one.state}")


def _change(kept: Rounds, round_id: str, allowed: tuple[State, ...], state: State) -> Round:
    was = _found(kept, round_id).state
    one = kept.change_state(round_id, allowed, state)
    if one is None or one.state != state or was not in {*allowed, state}:
        raise Refused(f"round {round_id} is {was}; this is for one that is {' or '.join(allowed)}")
    return one


def _found(kept: Rounds, round_id: str) -> Round:
    one = kept.shelf.find(round_id)
    if one is None:
        raise Refused(f"there is no round {round_id!r}; `fieldbell rounds list` prints them")
    return one
