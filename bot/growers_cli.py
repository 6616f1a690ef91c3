"""The commands `fieldbell growers`: enrol them from a file, list them, forget one."""

from __future__ import annotations

import time
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click
import phonenumbers

from bot.commands import WHO, store_of
from bot.dialogue.standing import next_open, stage, why_silent
from bot.enrolment.columns import FileFault
from bot.enrolment.exporting import exporting, faulty_cells, faulty_header
from bot.enrolment.files import open_sheet
from bot.enrolment.importing import Report, take_in
from bot.enrolment.rows import Faulty, Merged, read_rows
from bot.exchange import dialogue_of
from bot.gateways.numbers import masked, read_number
from bot.store import keys
from bot.store.errors import StoreUnavailable, reaching_redis
from bot.store.forgetting import forget as forget_number
from bot.store.groups import Groups, tidy
from bot.store.people import People
from bot.words_files import Refused

if TYPE_CHECKING:
    from collections.abc import Iterator
    from contextlib import AbstractContextManager
    from typing import Any

    from bot.enrolment.exporting import Cell, Kind
    from bot.store.growers import Store

LIST_BATCH = 2000


@click.group()
def growers() -> None:
    """Enrol growers from a file, list them, forget one."""


# Enrolling


@growers.command("import")
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--group", "name", required=True, help="The group they are enrolled in.")
@click.option("--country", help="Two capital letters, for numbers without a country code.")
@click.option(
    "--column",
    "columns",
    multiple=True,
    metavar="MEANING=TITLE",
    help="What a column holds: phone, name, village, language or consent.",
)
@click.option(
    "--faults",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Where rows that cannot be used are written, with what to mend; beside FILE if not given.",
)
@click.pass_obj
def import_file(  # noqa: PLR0913, PLR0917 - an option each
    settings_file: Path | None,
    file: Path,
    name: str,
    country: str | None,
    columns: tuple[str, ...],
    faults: Path | None,
) -> None:
    """Enrol the growers of a CSV or XLSX file in a group.

    It may be done again: a number already enrolled is brought up to date, and nothing is lost.
    """
    mapping = dict(_column(each) for each in columns)
    if country is not None and country not in phonenumbers.SUPPORTED_REGIONS:
        raise Refused(f"{country}: not a country; write its two capital letters, as TZ")
    if not tidy(name):
        raise Refused("--group: a group has a name")
    faults = faults or file.with_name(f"{file.stem}-to-mend.csv")
    if faults.exists() and faults.samefile(file):
        raise Refused(f"--faults {faults}: that is the file to be read; name another")
    with store_of(settings_file) as (settings, store), _told_of_part(store, tidy(name)) as part:
        try:
            with open_sheet(file, mapping) as sheet, _aside(faults, sheet.header) as aside:
                # Not before the file is known to be a table: else nothing is to be left of this.
                groups = Groups(store.redis)
                group = groups.named(name)
                if country is not None and country != group.country:
                    group = groups.change(group.name, country=country) or group
                rows = read_rows(
                    sheet,
                    group.country or settings.country,
                    dialogue_of(settings).languages,
                )
                with _progress(file, part) as told:
                    report = take_in(
                        rows,
                        group,
                        store,
                        settings,
                        time.time(),
                        asks_consent=sheet.columns.consent is not None,
                        aside=aside,
                        told=told,
                    )
        except FileFault as fault:
            raise Refused(f"{file.name}: {fault}") from fault
        except OSError as error:
            raise Refused(f"{error.filename or file}: {error.strerror}") from error
        People(store.redis).record(WHO, "enrolled", group.name, f"{report.rows} rows")
    for line in told_of(report, group.name):
        click.echo(line)
    if report.faulty:
        click.echo(f"Those rows, with what to mend: {faults}")


@dataclass
class _Part:
    """How many rows of a file have been taken in."""

    rows: int = 0


@contextmanager
def _told_of_part(store: Store, group: str) -> Iterator[_Part]:
    """Say how much was taken in, here and in the trail, where an import ends before its time."""
    part = _Part()
    try:
        yield part
    except BaseException:
        if part.rows:
            click.echo(
                f"\nNot finished: {part.rows:,} rows were taken in and stay so. "
                "Take the file in again for the others.",
                err=True,
            )
            with suppress(StoreUnavailable):
                People(store.redis).record(WHO, "enrolled in part", group, f"{part.rows} rows")
        raise


def told_of(report: Report, group: str) -> list[str]:
    """Say what came of a file, a line each."""
    counts = report.growers
    lines = [
        f"{group}: {report.rows:,} rows read",
        f"growers added: {counts['added']:,}",
        f"brought up to date: {counts['changed']:,}",
        f"as they were: {counts['unchanged']:,}",
    ]
    others = (
        ("of these from another group", report.moved),
        ("not agreed, so not texted", report.declined),
        ("rows merged with one above, of the same number", report.merged),
        ("rows that cannot be used", report.faulty),
    )
    return lines + [f"{what}: {count:,}" for what, count in others if count]


def _column(written: str) -> tuple[str, str]:
    meaning, equals, title = written.partition("=")
    if not equals:
        raise Refused(f"--column {written}: write it as phone=TITLE")
    return meaning.strip(), title.strip()


@contextmanager
def _aside(path: Path, header: tuple[str, ...]) -> Iterator[Any]:
    """Write faulty rows to a file that is made with the first of them.

    That it can be made is tried at once: no row is taken in where the faulty ones would be lost.
    """
    there = path.exists()
    path.open("ab").close()
    if not there:
        path.unlink()
    with ExitStack() as stack:
        write = None

        def aside(row: Faulty | Merged) -> None:
            nonlocal write
            if isinstance(row, Merged):
                if row.what:
                    click.echo(f"row {row.row}: as row {row.first_row}, but {row.what}", err=True)
                return
            if write is None:
                stream = stack.enter_context(path.open("wb"))
                write = stack.enter_context(exporting(stream, "csv", faulty_header(header)))
            write(faulty_cells(row, header))

        yield aside


def _progress(file: Path, part: _Part) -> AbstractContextManager[Any]:
    @contextmanager
    def bar() -> Iterator[Any]:
        # How many rows there are is not known until they are read; the count moves instead.
        with click.progressbar(
            length=0, label=f"Reading {file.name}", show_pos=True, show_eta=False
        ) as shown:

            def told(rows: int) -> None:
                shown.update(rows - part.rows)
                part.rows = rows

            yield told

    return bar()


# Listing


@growers.command("export")
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
@click.option("--group", "names", multiple=True, help="A group; may be given often. All if none.")
@click.pass_obj
def export_file(settings_file: Path | None, file: Path, names: tuple[str, ...]) -> None:
    """Write growers to a CSV or XLSX file: who they are, and how far each has come."""
    kind: Kind = "xlsx" if file.suffix.lower() == ".xlsx" else "csv"
    with store_of(settings_file) as (_, store):
        groups = Groups(store.redis)
        wanted = names or ("", *groups.shelf.all())
        for name in names:
            if groups.shelf.find(name) is None:
                raise Refused(f"there is no group {name!r}")
        count = 0
        try:
            with file.open("wb") as stream, exporting(stream, kind, LIST_HEADER) as write:
                for row in listed(store, groups, wanted):
                    write(row)
                    count += 1
        except (OSError, ValueError) as error:
            raise Refused(f"{file}: {error}") from error
    click.echo(f"{count:,} growers: {file}")


LIST_HEADER = (
    "Phone",
    "Name",
    "Village",
    "Group",
    "Language",
    "Stage",
    "Next work",
    "Due",
    "Not texted because",
)


def listed(store: Store, groups: Groups, names: tuple[str, ...]) -> Iterator[list[Cell]]:
    """Go through the growers of groups, a row each under `LIST_HEADER`."""
    for name in names:
        for shard in range(keys.SHARDS):
            numbers = groups.members(name, shard)
            for start in range(0, len(numbers), LIST_BATCH):
                part = numbers[start : start + LIST_BATCH]
                for number, loaded in zip(part, store.load_many(part), strict=True):
                    grower = loaded.grower
                    coming = next_open(grower)
                    yield [
                        number,
                        grower.name,
                        grower.village,
                        grower.group,
                        grower.language,
                        stage(grower),
                        coming.name if coming else "",
                        coming.due if coming else None,
                        why_silent(grower),
                    ]


# Forgetting, and counting anew


@growers.command()
@click.argument("number")
@click.confirmation_option(prompt="Delete everything kept of this number?")
@click.pass_obj
def forget(settings_file: Path | None, number: str) -> None:
    """Delete everything kept of a number."""
    with store_of(settings_file) as (settings, store):
        e164 = read_number(number, settings.country)
        if e164 is None:
            raise Refused(f"{number}: not a phone number; write it as +255655512345")
        with reaching_redis():
            known = bool(store.redis.exists(keys.grower_key(e164)))
        forget_number(store, e164)
        People(store.redis).record(WHO, "forgot", masked(e164))
    click.echo("Forgotten." if known else "Nothing was kept of this number.")


@growers.command()
@click.pass_obj
def recount(settings_file: Path | None) -> None:
    """Count every group anew from the growers' records.

    Run it once after an upgrade from a version that kept no groups, while nothing else runs.
    """
    with store_of(settings_file) as (_, store):
        count = store.recount()
    click.echo(f"{count:,} growers counted.")
