"""The season report: how far each operation has come, late days, herbicide, and exports.

All of it is added up from the counted facts of groups (`bot.dialogue.standing`), so it takes no
longer for many growers than for few; only the list of a group's growers reads their records.
"""

from __future__ import annotations

import io
import tempfile
from typing import TYPE_CHECKING

from flask import Response, abort, render_template, request, send_file, stream_with_context
from werkzeug.utils import secure_filename

from bot.dialogue.standing import adoption, stage, was_due
from bot.enrolment.exporting import exporting
from bot.store import keys
from bot.web.desk.guarding import me, must_see, record
from bot.web.desk.pictures import stages_bar
from bot.web.desk.showing import (
    STAGES,
    WORK,
    day_in,
    exchange_here,
    group_title,
    groups_here,
    groups_of,
    names_of,
    stage_name,
    work,
)
from bot.wording.formats import number
from bot.wording.languages import SOURCE

if TYPE_CHECKING:
    from collections import Counter
    from collections.abc import Iterator, Sequence

    from flask import Blueprint
    from flask.typing import ResponseReturnValue

    from bot.dialogue.records import Grower
    from bot.enrolment.exporting import Cell, Kind

BATCH = 1000
"""Growers read at once for a list."""

TYPES = {
    "csv": "text/csv; charset=utf-8",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
}

TABLE_HEADER = (
    "Work",
    "Planned",
    "Done",
    "Done, percent",
    "Done late",
    "Days late on average",
    "Herbicide advised, litres",
)

LIST_HEADER = ("Phone", "Name", "Village", "Language", "Stage")
"""The columns of a group's growers, before three for each operation that the group has."""


def register(desk: Blueprint) -> None:
    """Add the pages of the season."""

    @desk.get("/season")
    def season() -> str:
        """Show what the season comes to in the groups chosen."""
        groups, names = _offered(), _chosen()
        growers, sums = _together(names)
        title = "Where the growers are"
        stages = [(stage_name(each), sums[f"stage:{each}"]) for each in STAGES]
        return render_template(
            "desk/season.html",
            offered_groups=groups,
            chosen=names,
            growers=growers,
            rows=adoption(sums, WORK),
            stages=stages_bar(stages, title, ident="stages"),
            decimal=lambda value: number(value, SOURCE, 1),
            links={"group": names} if set(names) != set(groups) else {},
        )

    @desk.get("/season/work.<any(csv, xlsx):kind>")
    def season_table(kind: Kind) -> ResponseReturnValue:
        """Give the table of the season as a file."""
        _, sums = _together(_chosen())
        file = io.BytesIO()
        with exporting(file, kind, TABLE_HEADER) as write:
            for each in adoption(sums, WORK):
                counts = (each.planned, each.done, each.percent, each.late)
                write([work(each.operation), *counts, each.mean_late, each.litres])
        file.seek(0)
        return send_file(file, TYPES[kind], as_attachment=True, download_name=f"season.{kind}")

    @desk.get("/season/growers.<any(csv, xlsx):kind>")
    def season_growers(kind: Kind) -> ResponseReturnValue:
        """Give the growers of a group as a file."""
        name = request.args.get("group")
        if name is None:
            abort(404)
        must_see(name)
        if name and groups_here().shelf.find(name) is None:
            abort(404)
        present = {each.operation for each in adoption(_together([name])[1], WORK)}
        operations = [*(each for each in WORK if each in present), *sorted(present - {*WORK})]
        record("took a list of the growers of", group_title(name), kind)
        file = f"{secure_filename(name) or 'growers'}.{kind}"
        if kind == "xlsx":
            return _workbook(name, operations, file)
        answer = Response(stream_with_context(_written(name, operations)), content_type=TYPES[kind])
        answer.headers.set("Content-Disposition", "attachment", filename=file)
        return answer


# The season


def _offered() -> list[str]:
    """The names of groups to choose among; "" are growers without one."""
    return names_of(groups_of(me()), me())


def _chosen() -> list[str]:
    """The groups asked for in the address, each theirs to see; all of theirs where none is."""
    asked = list(dict.fromkeys(request.args.getlist("group")))
    for name in asked:
        must_see(name)
    offered = _offered()
    if not set(asked) <= set(offered):
        abort(404)
    return asked or offered


def _together(names: Sequence[str]) -> tuple[int, Counter[str]]:
    """Add up groups: how many growers, and their counted facts."""
    found = groups_here().together(names, day_in(""))
    return found.size, found.sums


# A group's growers


def _header(operations: Sequence[str]) -> list[str]:
    parts = ("due", "done", "days late")
    return [*LIST_HEADER, *(f"{work(name)}: {part}" for name in operations for part in parts)]


def _rows(name: str, operations: Sequence[str]) -> Iterator[list[list[Cell]]]:
    """Go through a group's growers, a batch of rows at a time."""
    for shard in range(keys.SHARDS):
        numbers = groups_here().members(name, shard)
        for start in range(0, len(numbers), BATCH):
            part = numbers[start : start + BATCH]
            loads = exchange_here().store.load_many(part)
            yield [
                listed(each, loaded.grower, operations)
                for each, loaded in zip(part, loads, strict=True)
                # Who has moved or was forgotten since the list was read is not of this group.
                if loaded.known is not None and loaded.grower.group == name
            ]


def listed(number: str, grower: Grower, operations: Sequence[str]) -> list[Cell]:
    """Write a grower as a row: who they are, and of each operation when it is due and was done.

    Of an operation that a plan has more than once, `due` is the next one's day, `done` the last
    one's, and the days late are those of all.
    """
    row: list[Cell] = [number, grower.name, grower.village, grower.language]
    row.append(stage_name(stage(grower)))
    plan = grower.plan.operations if grower.plan else ()
    for name in operations:
        every = [each for each in plan if each.name == name]
        coming = [was_due(each) for each in every if not each.done]
        done = [each.done for each in every if each.done]
        late = sum(each.late for each in every)
        row += [min(coming, default=None), max(done, default=None), late if done else None]
    return row


def _written(name: str, operations: Sequence[str]) -> Iterator[bytes]:
    """Write the list as CSV, a piece for each batch."""
    piece = io.BytesIO()
    with exporting(piece, "csv", _header(operations)) as write:
        for rows in _rows(name, operations):
            for row in rows:
                write(row)
            yield _taken(piece)
    yield _taken(piece)


def _taken(piece: io.BytesIO) -> bytes:
    content = piece.getvalue()
    piece.seek(0)
    piece.truncate()
    return content


def _workbook(name: str, operations: Sequence[str], file: str) -> ResponseReturnValue:
    """Write the list as XLSX, which can only go out whole."""
    book = tempfile.TemporaryFile()  # noqa: SIM115 - closed when it is sent
    try:
        with exporting(book, "xlsx", _header(operations)) as write:
            for rows in _rows(name, operations):
                for row in rows:
                    write(row)
    except BaseException:
        book.close()
        raise
    book.seek(0)
    return send_file(book, TYPES["xlsx"], as_attachment=True, download_name=file)
