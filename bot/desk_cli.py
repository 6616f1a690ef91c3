"""The commands `fieldbell desk`: who may sign in to the desk, and the tokens of other systems."""

from __future__ import annotations

from contextlib import contextmanager
from datetime import datetime
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import click

from bot.commands import WHO, store_of
from bot.settings import nearest
from bot.store.people import SCOPES, People, Refusal, fold_name
from bot.words_files import Refused

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from pathlib import Path

    from bot.store.people import Role, Scope


@click.group()
def desk() -> None:
    """Say who may sign in to the desk, and give other systems their tokens."""


@contextmanager
def _people(file: Path | None) -> Iterator[tuple[People, ZoneInfo]]:
    """Reach the people of the settings' Redis, and the zone that times are shown in."""
    with store_of(file) as (settings, store):
        yield People(store.redis), ZoneInfo(settings.zone)


def _groups(command: Callable[..., None]) -> Callable[..., None]:
    return click.option("--group", "groups", multiple=True, help="A group; may be given often.")(
        command
    )


# People


@desk.command()
@click.argument("name")
@click.option("--role", type=click.Choice(["agent", "admin"]), default="agent", show_default=True)
@_groups
@click.pass_obj
def add(file: Path | None, name: str, role: Role, groups: tuple[str, ...]) -> None:
    """Add somebody and print their temporary password, once.

    An agent sees the groups given here; an admin sees all.
    """
    with _people(file) as (people, _):
        password = people.add(name, role, groups)
        if isinstance(password, Refusal):
            raise Refused(f"{name}: {password.reason}")
        people.record(WHO, "added", fold_name(name), "; ".join((role, *groups)))
    click.echo(f"{fold_name(name)} may sign in with this password, and then chooses another:")
    click.echo(password)


@desk.command("list")
@click.pass_obj
def list_(file: Path | None) -> None:
    """List who may sign in."""
    with _people(file) as (people, zone):
        rows = [
            (
                each.name,
                each.role,
                _moment(each.last_seen, zone),
                "yes" if each.factor else "no",
                "; ".join(each.groups),
            )
            for each in people.users()
        ]
    _table(("name", "role", "last seen", "second factor", "groups"), rows)


@desk.command()
@click.argument("name")
@click.pass_obj
def password(file: Path | None, name: str) -> None:
    """Give somebody a temporary password and print it, once; they are signed out."""
    with _people(file) as (people, _):
        new = people.reset_password(name)
        if new is None:
            raise _nobody(people, name)
        people.record(WHO, "gave a new password to", fold_name(name))
    click.echo(f"{fold_name(name)} may sign in with this password, and then chooses another:")
    click.echo(new)


@desk.command()
@click.argument("name")
@click.pass_obj
def remove(file: Path | None, name: str) -> None:
    """Remove somebody, who is signed out at once."""
    with _people(file) as (people, _):
        if not people.remove(name):
            raise _nobody(people, name)
        people.record(WHO, "removed", fold_name(name))
    click.echo(f"{fold_name(name)} is removed")


@desk.command()
@click.argument("name")
@click.pass_obj
def sign_out(file: Path | None, name: str) -> None:
    """Sign somebody out on all their devices."""
    with _people(file) as (people, _):
        if people.sign_out(name) is None:
            raise _nobody(people, name)
        people.record(WHO, "ended the sessions of", fold_name(name))
    click.echo(f"{fold_name(name)} is signed out everywhere")


@desk.command()
@click.argument("name")
@click.pass_obj
def drop_second_factor(file: Path | None, name: str) -> None:
    """Take away the second factor of somebody who has lost it; they are signed out.

    Make sure first that it is they who ask.
    """
    with _people(file) as (people, _):
        if people.drop_factor(name) is None:
            if people.user(name) is None:
                raise _nobody(people, name)
            raise Refused(f"{name}: there is no second factor to take away")
        people.record(WHO, "took away the second factor of", fold_name(name))
    click.echo(f"{fold_name(name)} signs in with the password alone, and may set up another")


# Tokens


@desk.command()
@click.argument("name")
@click.option(
    "--scope",
    "scopes",
    type=click.Choice(SCOPES),
    multiple=True,
    help="What it may do: one at least; may be given often.",
)
@_groups
@click.pass_obj
def token(file: Path | None, name: str, scopes: tuple[Scope, ...], groups: tuple[str, ...]) -> None:
    """Make a token for another system and print it, once.

    Without --group, it reaches the growers of every group.
    """
    with _people(file) as (people, _):
        secret = people.add_token(name, scopes, groups)
        if isinstance(secret, Refusal):
            raise Refused(f"{name}: {secret.reason}")
        people.record(WHO, "made the token", fold_name(name), "; ".join((*scopes, *groups)))
    click.echo(secret)


@desk.command()
@click.pass_obj
def tokens(file: Path | None) -> None:
    """List the tokens, without their secrets."""
    with _people(file) as (people, zone):
        rows = [
            (
                each.name,
                " ".join(each.scopes),
                _moment(each.last_used, zone),
                "; ".join(each.groups) or "every group",
            )
            for each in people.tokens()
        ]
    _table(("name", "scopes", "last used", "groups"), rows)


@desk.command()
@click.argument("name")
@click.pass_obj
def revoke(file: Path | None, name: str) -> None:
    """End a token at once."""
    with _people(file) as (people, _):
        if not people.revoke(name):
            names = [each.name for each in people.tokens()]
            raise _unknown(name, "no token has this name", names)
        people.record(WHO, "revoked the token", fold_name(name))
    click.echo(f"the token {fold_name(name)} is revoked")


def _nobody(people: People, name: str) -> Refused:
    return _unknown(name, "nobody has this name", [each.name for each in people.users()])


def _unknown(name: str, said: str, names: list[str]) -> Refused:
    hint = nearest(fold_name(name), names) if names else "there are none yet"
    return Refused(f"{name}: {said}; {hint}")


def _moment(at: int, zone: ZoneInfo) -> str:
    return f"{datetime.fromtimestamp(at, zone):%Y-%m-%d %H:%M}" if at else "never"


def _table(head: tuple[str, ...], rows: Iterable[tuple[str, ...]]) -> None:
    """Print rows in columns."""
    lines = [head, *rows]
    widths = [max(map(len, column)) for column in zip(*lines, strict=True)]
    for line in lines:
        cells = (text.ljust(width) for text, width in zip(line, widths, strict=True))
        click.echo("  ".join(cells).rstrip())
