"""The commands `fieldbell words`: begin a language, bring it up to date, look it over."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING

import click
from babel import Locale

from bot import data
from bot.dialogue.auditing import audit, lacking, season_cost, status
from bot.dialogue.messages import messages
from bot.dialogue.showing import examples, remarks, shown
from bot.drawn_phone import phone
from bot.wording.gsm import Encoding, measure
from bot.wording.languages import SOURCE
from bot.wording.screens import pages
from bot.wording.translating import update
from bot.words_files import (
    NOT_ENGLISH,
    Refused,
    codes,
    english,
    flows_of,
    known_code,
    language_of,
    others_beside,
    po_of,
    voice_of,
    words_text,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from bot.dialogue.auditing import Note, SeasonCost
    from bot.dialogue.loading import Flows
    from bot.dialogue.showing import Shown
    from bot.dialogue.voice import Voice


@click.group()
def words() -> None:
    """Translate: make a language's files, bring them up to date, look them over."""


def _folder(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command the option that says where the languages are."""
    return click.option(
        "--to",
        "--in",
        "folder",
        type=click.Path(file_okay=False, path_type=Path),
        default=Path("locales"),
        show_default=True,
        help="The folder of languages.",
    )(command)


# Making the files


@words.command("new")
@click.argument("language")
@_folder
@click.pass_obj
def words_new(settings: Path | None, language: str, folder: Path) -> None:
    """Begin a language: its messages.po to translate and its words.yaml to fill in."""
    place = folder / known_code(language)
    if language == SOURCE:
        raise Refused(NOT_ENGLISH)
    if (place / "messages.po").exists() or (place / "words.yaml").exists():
        raise Refused(f"{language}: {place} is there already; use `fieldbell words update`")
    po = _updated(language, folder, flows_of(language, settings))
    _begin_words(language, place)
    click.echo(f"{po}: open it in a gettext editor and translate.")
    click.echo(f"{place / 'words.yaml'}: open it in a text editor, and give the words that")
    click.echo("speakers type in the place of the English ones (keep `stop`).")
    click.echo(f"Then `fieldbell words check {language}` says what is left to do.")


@words.command("update")
@click.argument("language")
@_folder
@click.pass_obj
def words_update(settings: Path | None, language: str, folder: Path) -> None:
    """Bring a language's messages.po up to date with the flows, or begin one."""
    place = folder / known_code(language)
    po = _updated(language, folder, flows_of(language, settings))
    _begin_words(language, place)
    click.echo(
        f"{po}: open it in a gettext editor; then give the answers in {place / 'words.yaml'}"
    )


def _updated(language: str, folder: Path, flows: Flows) -> Path:
    """Write messages.po, keeping the work in it."""
    po = folder / language / "messages.po"
    shown_as = examples(flows, voice_of(english(), flows))
    try:
        before = po_of(language, folder) if po.exists() else None
        written = update(before, messages(flows), language, shown_as, remarks(flows))
    except ValueError as error:
        raise Refused(f"{language}: {error}") from error
    po.parent.mkdir(parents=True, exist_ok=True)
    po.write_bytes(written)
    return po


def _begin_words(language: str, place: Path) -> None:
    """Write a words.yaml that begins as a copy of the English one, unless one is there."""
    if (place / "words.yaml").exists():
        return
    source = data.folder("locales") / SOURCE / "words.yaml"
    text = source.read_text(encoding="utf-8")
    text = text.replace("status: reviewed", "status: draft").replace(
        "locale: en", f"locale: {language}"
    )
    text = text.replace("language: English", f"language: {_own_name(language)}").replace(
        "The words an English speaker types.",
        "The words that speakers type: put them in the place of the English ones.\n#",
    )
    (place / "words.yaml").write_text(text, encoding="utf-8")


def _own_name(language: str) -> str:
    """Name a language as its speakers do, if CLDR knows how."""
    return Locale.parse(language).get_display_name() or language


# Looking them over


@words.command("status")
@click.argument("language", required=False)
@_folder
@click.pass_obj
def words_status(settings: Path | None, language: str | None, folder: Path) -> None:
    """Show how much of a language, or of each, is translated, part by part."""
    for code in [language] if language else codes(folder):
        flows = flows_of(code, settings)
        try:
            parts = status(flows, po_of(code, folder), code)
        except ValueError as error:
            raise Refused(f"{code}: {error}") from error
        counts = [
            (each.part, each.texts, each.translated, each.fuzzy, each.missing) for each in parts
        ]
        totals = [sum(column) for column in zip(*(row[1:] for row in counts), strict=True)]
        for name, *numbers in (_HEADING, *counts, (code, *totals)):
            click.echo(f"{name:<12}" + "".join(f"{number:>12}" for number in numbers))
        left = totals[0] - totals[1]
        first = "; the safety texts first" if parts[0].translated < parts[0].texts else ""
        click.echo(
            f"{code}: {left} texts to do{first}" if left else f"{code}: every text is translated"
        )


_HEADING = ("part", "texts", "translated", "fuzzy", "missing")


@words.command("check")
@click.argument("language")
@_folder
@click.option(
    "--growers",
    type=click.IntRange(min=1),
    default=1000,
    show_default=True,
    help="Growers whose season is paid for.",
)
@click.option(
    "--price", type=click.FloatRange(min=0), help="The price of one SMS, in your own money."
)
@click.pass_obj
def words_check(
    settings: Path | None, language: str, folder: Path, growers: int, price: float | None
) -> None:
    """Say what is wrong with a language and what to do; exit 1 if anything is an error."""
    flows = flows_of(language, settings)
    others = others_beside(language, folder)
    notes = audit(flows, po_of(language, folder), words_text(language, folder), language, others)
    for line in _lines(notes):
        click.echo(line)
    errors = sum(each.kind == "error" for each in notes)
    click.echo(f"{language}: {errors} errors, {len(notes) - errors} warnings")
    try:
        spoken = language_of(language, folder)
    except ValueError:
        click.echo("Its files cannot be used before the errors are mended.")
        raise SystemExit(1) from None
    voice = voice_of(spoken, flows)
    cheap = voice_of(spoken, flows, folded=True)
    for line in _cost_lines(
        season_cost(flows, voice, cheap, growers, _money(price)), growers, price
    ):
        click.echo(line)
    click.echo(
        "It is not offered to growers before every safety text is translated and fits."
        if lacking(flows, spoken, voice)
        else "Its safety texts are complete and fit: it can be offered to growers."
    )
    if errors:
        raise SystemExit(1)


_MOST_ALIKE = 10
"""Warnings of one kind that are listed; a file just begun has hundreds."""


def _lines(notes: list[Note]) -> Iterator[str]:
    """Write the errors, then the warnings; of many that ask for the same, the first few."""
    for note in notes:
        if note.kind == "error":
            yield f"error    {note}"
    alike: dict[str, list[Note]] = {}
    for note in notes:
        if note.kind == "warning":
            alike.setdefault(note.remedy, []).append(note)
    for remedy, found in alike.items():
        for note in found[:_MOST_ALIKE]:
            yield f"warning  {note}"
        if more := len(found[_MOST_ALIKE:]):
            yield f"warning  {more} more of these; {remedy}"


def _money(price: float | None) -> Decimal:
    return Decimal(str(price or 0))


def _cost_lines(cost: SeasonCost, growers: int, price: float | None) -> Iterator[str]:
    """Say what a season costs, and what it would with letters folded where that is less."""
    money = "" if price is None else f": {cost.cost:,.2f} at {price:g} each"
    yield f"A season of {growers:,} growers is about {cost.segments:,} SMS{money}."
    if price is None:
        yield "Give --price to see what that costs."
    saved = cost.segments - cost.folded_segments
    if saved <= 0:
        return
    dear, money = (
        "" if price is None else f": {each:,.2f}"
        for each in (cost.cost - cost.folded_cost, cost.folded_cost)
    )
    yield (
        f"Letters outside the basic set cost {saved:,} of them{dear}. With the nearest in their "
        f"place (the setting fold_letters) it is {cost.folded_segments:,} SMS{money}."
    )


@words.command("preview")
@click.argument("language")
@_folder
@click.option("--hard", type=click.IntRange(min=1), help="Only so many, the hardest to fit.")
@click.pass_obj
def words_preview(settings: Path | None, language: str, folder: Path, hard: int | None) -> None:
    """Draw every text as a phone shows it, those that fit most narrowly first.

    The longest real values stand in them. A line across the phone is where the next SMS begins.
    """
    flows = flows_of(language, settings)
    try:
        voice = voice_of(language_of(language, folder), flows)
    except ValueError as error:
        raise Refused(f"{language}: {error}") from error
    once = {each.text: each for each in shown(flows, voice)}  # cautions come in many
    texts = sorted(once.values(), key=_tightness, reverse=True)
    for each in texts[:hard]:
        click.echo("\n".join([*_caption(each, voice), *phone(each.text)]) + "\n")


def _tightness(each: Shown) -> tuple[float, int]:
    size = measure(each.text)
    return size.segments / each.allowed, size.units


def _caption(each: Shown, voice: Voice) -> Iterator[str]:
    size = measure(each.text)
    kind = " (safety)" if each.safety else ""
    over = ", TOO LONG" if each.over else ""
    letters = "" if size.encoding is Encoding.GSM7 else ", letters outside the basic set"
    yield f"{each.context}{kind}"
    yield f"{size.segments} SMS of at most {each.allowed}, {size.units} characters{letters}{over}"
    if each.question:
        screens = pages(each.text, voice.say("more"))
        begins = [
            f"{place} begins {page.splitlines()[0]!r}" for place, page in enumerate(screens, 1)
        ]
        yield f"USSD: {len(screens)} screen{'s' if begins[1:] else ''}" + "".join(
            f"; {each}" for each in begins[1:]
        )
