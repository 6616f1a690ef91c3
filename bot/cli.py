"""The command `fieldbell`."""

from __future__ import annotations

import io
import json
import os
import signal
import sys
import threading
import time
from contextlib import ExitStack, suppress
from datetime import date, datetime
from datetime import time as daytime
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import click
import msgspec
import yaml

from bot import data
from bot.commands import opened_store
from bot.desk_cli import desk
from bot.dialogue.advice import advise as advise_on
from bot.dialogue.advice import schema
from bot.dialogue.fitting import fit
from bot.dialogue.messages import messages
from bot.dialogue.proof import prove
from bot.dialogue.sheet import read_sheet
from bot.dialogue.slips import FlowError
from bot.dialogue.voice import Contacts, Voice
from bot.exchange import Exchange, dialogue_of
from bot.gateway_cli import gateway
from bot.gateways.numbers import read_number
from bot.gateways.profiles import ProfileError, read_profiles
from bot.growers_cli import growers
from bot.operating.logs import configure
from bot.operating_cli import backup, backup_key, doctor, restore
from bot.rounds_cli import rounds
from bot.settings import Settings, SettingsError
from bot.spending_cli import spending
from bot.store.codec import RecordError
from bot.store.errors import StoreUnavailable
from bot.store.server import EmbeddedRedisError
from bot.wording.languages import SOURCE
from bot.words_cli import words

if TYPE_CHECKING:
    from bot.store.growers import Store

EXIT_INPUT = 2
"""Exit status when what was given cannot be used; the reason is on standard error."""


class _Refused(click.ClickException):
    """What was given cannot be used."""

    exit_code = EXIT_INPUT

    def show(self, file: Any = None) -> None:  # noqa: ANN401, ARG002 - click's signature
        """Print the lines as they are, one reason each."""
        click.echo(self.message, err=True)


class _Fieldbell(click.Group):
    """The command group; errors that tell an operator what to mend need no traceback."""

    def invoke(self, ctx: click.Context) -> Any:  # noqa: ANN401 - click's signature
        """Run the command, and say in one line what the operator must mend."""
        try:
            return super().invoke(ctx)
        except (SettingsError, ProfileError) as error:
            raise _Refused(str(error)) from error
        except (FlowError, EmbeddedRedisError, RecordError, StoreUnavailable) as error:
            raise click.ClickException(str(error)) from error
        except UnicodeEncodeError as error:
            # Bytes that are no text in the terminal's encoding reach us as halves of letters.
            raise _Refused("what was typed is not text in UTF-8; write it anew") from error


@click.group(cls=_Fieldbell, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="fieldbell")
@click.option(
    "--settings", type=click.Path(dir_okay=False, path_type=Path), help="A TOML file of settings."
)
@click.pass_context
def main(context: click.Context, settings: Path | None) -> None:
    """Advise cassava growers by text message, and remind them on the day."""
    context.obj = settings
    if isinstance(sys.stdout, io.TextIOWrapper):
        # A terminal that lacks a letter shows its number; no command fails over that.
        sys.stdout.reconfigure(errors="backslashreplace")


def _settings(file: Path | None, **given: Any) -> Settings:  # noqa: ANN401 - any setting
    settings = Settings.read(os.environ, file)
    return msgspec.structs.replace(settings, **{k: v for k, v in given.items() if v is not None})


def _exchange(store: Store, settings: Settings, today: date | None = None) -> Exchange:
    return Exchange(store, dialogue_of(settings), settings, _clock(settings, today))


def _clock(settings: Settings, today: date | None) -> Any:  # noqa: ANN401 - a Callable[[], float]
    """The real clock, or one that begins at noon of another day.

    At noon the day's reminders have come, whatever hour it is here.
    """
    if today is None:
        return time.time
    noon = datetime.combine(today, daytime(12), ZoneInfo(settings.zone)).timestamp()
    began = time.time()
    return lambda: noon + time.time() - began


# The main job


@main.command()
@click.option(
    "--keep", type=click.Path(file_okay=False, path_type=Path), help="Keep the data in this folder."
)
def demo(keep: Path | None) -> None:
    """Live through a season of three growers, on a real Redis of its own."""
    from bot.demo import run  # noqa: PLC0415 - only this command needs it

    run(click.echo, keep)


@main.command()
@click.option("--number", default="+255655512345", show_default=True, help="The phone's number.")
@click.option("--lang", "language", help="Begin in this language: en, sw.")
@click.option("--channel", type=click.Choice(["sms", "ussd"]), default="sms", show_default=True)
@click.option("--today", type=click.DateTime(["%Y-%m-%d"]), help="Pretend that it is this day.")
@click.option(
    "--data",
    "folder",
    type=click.Path(file_okay=False, path_type=Path),
    help="Where state is kept.",
)
@click.pass_obj
def talk(  # noqa: PLR0913, PLR0917 - an option each
    file: Path | None,
    number: str,
    language: str | None,
    channel: str,
    today: datetime | None,
    folder: Path | None,
) -> None:
    """Be a phone in the terminal: type a text, see the reply.

    With piped input, each line is a text. It is shown after "> ", and what arrives after "< ".
    """
    from bot.phone import Phone  # noqa: PLC0415 - only this command needs it

    settings = _settings(file, data=folder)
    e164 = read_number(number, settings.country)
    if e164 is None:
        raise _Refused(f"{number}: not a phone number; write it as +255655512345")
    with opened_store(settings) as store:
        exchange = _exchange(store, settings, today.date() if today else None)
        offered = exchange.dialogue.languages
        if language is not None and language not in offered:
            raise _Refused(f"{language}: not on offer; choose {', '.join(offered)}")
        phone = Phone(exchange, e164, "ussd" if channel == "ussd" else "sms", language)
        if sys.stdin.isatty():
            phone.interactive()
        else:
            # A byte that is no letter is a slip of the keypad, as it is to a gateway.
            lines = (line.decode(errors="replace") for line in sys.stdin.buffer)
            phone.piped(lines, click.echo)


@main.command()
@click.argument("sheet", type=click.File("rb"), required=False)
@click.option("--json", "as_json", is_flag=True, help="Print the advice as JSON.")
@click.option("--schema", "show_schema", is_flag=True, help="Print the JSON Schema of the advice.")
@click.pass_obj
def advise(file: Path | None, sheet: Any, as_json: bool, show_schema: bool) -> None:  # noqa: ANN401, FBT001 - click's own
    """Advise on an answer sheet (YAML; `-` reads standard input)."""
    if show_schema:
        click.echo(json.dumps(schema(), indent=2))
        return
    if sheet is None:
        raise click.UsageError("name an answer sheet, or - for standard input")
    settings = _settings(file)
    today = datetime.now(ZoneInfo(settings.zone)).date()
    try:
        raw = yaml.safe_load(sheet.read())
    except (yaml.YAMLError, ValueError, RecursionError) as error:
        raise _Refused(
            f"{sheet.name}: not readable as YAML: {' '.join(str(error).split())}"
        ) from error
    dialogue = dialogue_of(settings)
    read = read_sheet(raw, dialogue.flows, dialogue.languages, today)
    if read.language in dialogue.own:
        dialogue = dialogue.own[read.language]
        read = read_sheet(raw, dialogue.flows, dialogue.languages, today)
    if read.faults:
        raise _Refused("\n".join(read.faults))
    advice = advise_on(read, dialogue.flows, dialogue.voice(read.language))
    if as_json:
        click.echo(msgspec.json.format(msgspec.json.encode(advice), indent=2).decode())
    else:
        click.echo("\n\n".join(advice.texts))


# Running it


@main.command()
@click.option("--host", default="127.0.0.1", show_default=True)
@click.option("--port", default=8080, show_default=True)
@click.option("--try", "try_pages", is_flag=True, help="Also serve /try: a phone in the browser.")
@click.option("--desk", "desk_pages", is_flag=True, help="Also serve /desk: pages for agents.")
@click.pass_obj
def serve(
    file: Path | None,
    host: str,
    port: int,
    try_pages: bool,  # noqa: FBT001 - click's own
    desk_pages: bool,  # noqa: FBT001
) -> None:
    """Serve the webhooks, for trying. In production: gunicorn 'bot.web:create_app()'."""
    from bot.web import create_app  # noqa: PLC0415 - Flask is slow to import

    settings = _settings(file, try_pages=try_pages or None, desk_pages=desk_pages or None)
    configure(settings)
    # Left to itself, the signal would end this process and leave the embedded Redis running.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit())
    with opened_store(settings) as store:
        create_app(settings, store).run(host=host, port=port, threaded=True)


@main.command()
@click.option("--once", is_flag=True, help="Send what is due now, then stop.")
@click.pass_obj
def send(file: Path | None, once: bool) -> None:  # noqa: FBT001 - click's own
    """Send reminders, rounds and queued replies as they fall due, until stopped.

    Over SMPP or a modem, what arrives is taken here, too.
    """
    from bot.gateways.opening import hands, opened_all  # noqa: PLC0415 - only this command sends
    from bot.operating.backups import being_restored  # noqa: PLC0415
    from bot.operating.beating import beating, counted  # noqa: PLC0415
    from bot.receiving import Receiver  # noqa: PLC0415
    from bot.reminders.sender import Sender  # noqa: PLC0415
    from bot.reminders.spending import Ceiling  # noqa: PLC0415
    from bot.reminders.spreading import Permission, Spreader  # noqa: PLC0415
    from bot.store.beats import Beats  # noqa: PLC0415
    from bot.store.groups import Groups  # noqa: PLC0415
    from bot.store.rounds import Rounds  # noqa: PLC0415
    from bot.store.spending import Spending  # noqa: PLC0415

    settings = _settings(file)
    configure(settings)
    profiles = read_profiles(settings.gateway)
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    with ExitStack() as stack:
        store = stack.enter_context(opened_store(settings))
        exchange = _exchange(store, settings)
        receiver = Receiver(exchange)
        with suppress(StoreUnavailable):  # it is waited for below
            if being_restored(store.redis):
                raise click.ClickException("a backup is being put back, or was in part")
        network = counted(stack.enter_context(opened_all(profiles, receiver, settings.country)))
        stack.enter_context(beating(Beats(store.redis, exchange.clock), network))
        groups, kept = Groups(store.redis), Rounds(store.redis)
        ceiling = Ceiling(Spending(store.redis), settings, exchange.clock)
        sender = Sender(
            store,
            network,
            exchange.compose,
            settings,
            exchange.clock,
            Permission(kept, exchange.clock, ceiling),
            hands(profiles),
        )
        dialogue = exchange.dialogue
        spreader = Spreader(store, groups, kept, dialogue, settings, exchange.clock)
        if once:
            try:
                while not stop.is_set() and any([spreader.tick(), sender.tick(stop)]):
                    pass
            finally:
                sender.close()
                spreader.release()
            return
        spreading = threading.Thread(target=spreader.run, args=(stop,), name="spreader")
        spreading.start()
        try:
            sender.run(stop)
        finally:
            # However the sender ended, a process that only spreads is of no use.
            stop.set()
            spreading.join()


# Flows and languages


@main.command()
@click.pass_obj
def check(file: Path | None) -> None:
    """Prove the flows and measure every text; exit 1 if anything is wrong."""
    settings = _settings(file)
    languages = data.languages(settings.locales)
    if settings.district is None:
        # Nothing but what came with Fieldbell: then every language that did is looked at.
        settings = msgspec.structs.replace(settings, languages=",".join(languages))
    dialogue = dialogue_of(settings)
    flows = dialogue.flows
    faults = prove(flows)
    for own in dialogue.own.values():
        faults += prove(own.flows)
    texts = len(list(messages(flows)))
    wanted = {code: languages[code] for code in dict.fromkeys([*settings.offered, SOURCE])}
    offered = {code: each.words.language for code, each in wanted.items()}
    for code, language in wanted.items():
        spoken = dialogue.own.get(code, dialogue).flows
        # A language without its safety texts has no voice in the conversation.
        folded = code in settings.folded
        found = fit(spoken, language, Voice(language, spoken, Contacts(), offered, folded=folded))
        faults += found
        state = "draft, waits for a speaker to read it" if language.draft else "reviewed"
        if code not in dialogue.languages:
            state += "; not offered for want of safety texts"
        click.echo(
            f"{code}  {language.words.language}: {texts} texts, {len(found)} faults; {state}"
        )
    states = sum(1 for _ in flows.steps())
    click.echo(f"{len(flows.flows)} flows, {states} states, {len(flows.figures)} figures")
    for fault in faults:
        click.echo(str(fault), err=True)
    if faults:
        raise click.ClickException(f"{len(faults)} faults")
    click.echo("Every state is reached and can end; every decision has just one row for each case;")
    click.echo("no answer is used before it is given; every text fits.")


@main.command()
@click.pass_obj
def figures(file: Path | None) -> None:
    """Print every figure the advice rests on, and where it comes from.

    A figure that the district's own file (FIELDBELL_DISTRICT) has changed is marked with a star.
    """
    flows = dialogue_of(_settings(file)).flows
    own = flows.district.figures
    rows = [("", "figure", "value", "unit", "range", "source")]
    for name in flows.figures:
        row = flows.figures.row(name)
        source = f"{row.source}. {row.note}" if row.note else row.source
        span = f"{row.low:.15g} to {row.high:.15g}"
        mark = "*" if name in own else ""
        rows.append((mark, name, f"{row.value:.15g}", row.unit, span, source))
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    for each in rows:
        cells = [text.ljust(width) for text, width in zip(each, widths, strict=True)]
        cells[2] = each[2].rjust(widths[2])
        click.echo("  ".join(cells).rstrip())
    for name, unit in flows.district.units.items():
        click.echo(f"*  1 {name} is {unit.m2:g} m2")


main.add_command(words)


# The agents' part, and the way onto a network

main.add_command(growers)
main.add_command(rounds)
main.add_command(spending)
main.add_command(desk)
main.add_command(gateway)


# The operator's part

main.add_command(doctor)
main.add_command(backup)
main.add_command(backup_key)
main.add_command(restore)
