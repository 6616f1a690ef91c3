"""The operator's commands: `fieldbell doctor`, `backup`, `backup-key` and `restore`."""

from __future__ import annotations

import os
from contextlib import ExitStack
from pathlib import Path

import click
import msgspec

from bot.commands import WHO, store_of
from bot.operating import archive, backups
from bot.operating.archive import ArchiveError
from bot.operating.doctor import examined, unanswered
from bot.operating.findings import wrong
from bot.settings import Settings
from bot.store.connecting import reached
from bot.store.errors import StoreUnavailable
from bot.store.people import People
from bot.store.server import EmbeddedRedisError

_WIDTH = 9
"""Letters of a finding's level, and the room after it."""


@click.command()
@click.option("--json", "as_json", is_flag=True, help="Print the findings as JSON, one a line.")
@click.pass_context
def doctor(context: click.Context, as_json: bool) -> None:  # noqa: FBT001 - click's own
    """Say what is wrong with this installation, and how to mend it; exit 1 if anything is.

    Nothing is changed and no text is sent.
    """
    settings = Settings.read(os.environ, context.obj)
    ill = False
    with ExitStack() as stack:
        client = unreached = None
        try:
            client = stack.enter_context(
                reached(settings.redis_url, settings.data, settings.redis_password)
            )
        except EmbeddedRedisError as error:
            unreached = wrong("redis", str(error), "do as it says")
        except StoreUnavailable as error:  # a cluster's nodes are asked at once
            unreached = unanswered(error)
        findings = examined(settings, client, os.environ)
        for each in (*([unreached] if unreached else []), *findings):
            ill = ill or each.level == "wrong"
            if as_json:
                click.echo(msgspec.json.encode(each))
                continue
            click.echo(f"{each.level:{_WIDTH}}{each.part}: {each.found}")
            if each.mend:
                click.echo(f"{'':{_WIDTH}}> {each.mend}")
    if ill:
        context.exit(1)


@click.command()
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
@click.option("--in-the-clear", is_flag=True, help="Do not encrypt it: whoever has it can read it.")
@click.pass_obj
def backup(settings_file: Path | None, file: Path, in_the_clear: bool) -> None:  # noqa: FBT001
    """Write everything kept to FILE, encrypted to FIELDBELL_BACKUP_TO, while all goes on."""
    with store_of(settings_file) as (settings, store):
        recipients = [each.strip() for each in settings.backup_to.split(",") if each.strip()]
        if not recipients and not in_the_clear:
            raise click.ClickException(
                "nobody is named to encrypt it to; `fieldbell backup-key FILE` makes a key, and "
                "FIELDBELL_BACKUP_TO names it (or say --in-the-clear)"
            )
        try:
            count = backups.backup(store.redis, file, [] if in_the_clear else recipients)
        except ArchiveError as error:
            raise click.ClickException(str(error)) from error
    how = "in the clear" if in_the_clear else f"encrypted to {len(recipients)}"
    click.echo(f"{count:,} keys: {file}, {how}")


@click.command("backup-key")
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
def backup_key(file: Path) -> None:
    """Make a key that opens backups, in FILE, and print whom to encrypt them to.

    Keep the file away from this machine, twice: without it no backup can be opened.
    """
    try:
        recipient = archive.make_key(file)
    except ArchiveError as error:
        raise click.ClickException(str(error)) from error
    click.echo(f"FIELDBELL_BACKUP_TO={recipient}")


@click.command()
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option(
    "--key",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="The file of the key that opens it.",
)
@click.option("--as-it-was", is_flag=True, help="For a move: nothing has been sent since.")
@click.pass_obj
def restore(settings_file: Path | None, file: Path, key: Path | None, as_it_was: bool) -> None:  # noqa: FBT001
    """Put a backup back, into an empty Redis, with no sender at work.

    Unless it was taken just now for a move, texts have left since. So rounds under way are
    paused, and new texts get new ids. Reminders that were due since then go out (again).
    """
    with store_of(settings_file) as (_, store):
        try:
            identities = archive.read_key(key) if key else []
            taken, count = backups.restore(store.redis, file, identities, as_it_was=as_it_was)
        except ArchiveError as error:
            raise click.ClickException(str(error)) from error
        if not as_it_was:
            People(store.redis).record(WHO, "restored", detail=f"a backup of {taken}")
    click.echo(f"{count:,} keys, as they were at {taken}.")
    if not as_it_was:
        click.echo("Rounds that were under way are paused: `fieldbell rounds list` shows them.")
        click.echo("What was due since then is due now, and goes out when a sender starts.")
