"""The desk's way to enrol growers from a file: choose it, look at what was read, take it in."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, NamedTuple

from flask import Response, abort, render_template, request

from bot.enrolment.columns import MEANINGS, FileFault
from bot.enrolment.exporting import exporting, faulty_cells, faulty_header
from bot.enrolment.files import open_sheet
from bot.enrolment.importing import take_in
from bot.enrolment.rows import Enrolled, Faulty, Merged, read_rows
from bot.store.uploads import DAY_S, Uploads
from bot.web.desk.guarding import desk_here, may_see, me, record, takes
from bot.web.desk.showing import exchange_here, group_here

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from flask import Blueprint
    from flask.typing import ResponseReturnValue

    from bot.enrolment.files import Sheet
    from bot.enrolment.importing import Report
    from bot.store.groups import Group

MOST_BYTES = 10 * 1024 * 1024
"""Bytes of a file that is uploaded: some 100,000 growers. The command takes larger ones."""

SHOWN = 5
"""Growers shown as they were read, before they are taken in."""

FAULTS_SHOWN = 20


class Reading(NamedTuple):
    """What a file would come to."""

    header: tuple[str, ...]
    chosen: Mapping[str, str]
    growers: int
    first: Sequence[Enrolled]
    faulty: int
    faults: Sequence[Faulty]
    merged: int
    ignored: Sequence[str]


def register(desk: Blueprint) -> None:
    """Add the pages to the desk."""
    desk.get("/groups/<path:name>/enrol", endpoint="enrol")(enrol)
    desk.post("/groups/<path:name>/enrol", endpoint="enrol_read")(takes(MOST_BYTES)(enrol_read))
    desk.post("/groups/<path:name>/enrol/take-in", endpoint="enrol_take_in")(enrol_take_in)
    desk.get("/groups/<path:name>/enrol/to-mend", endpoint="enrol_to_mend")(enrol_to_mend)


def enrol(name: str) -> str:
    """Ask for a file."""
    return render_template("desk/enrol.html", group=group_here(name))


def enrol_read(name: str) -> ResponseReturnValue:
    """Read a file, or one already here with other columns, and show what was read."""
    group, uploads = group_here(name), _uploads()
    upload = request.form.get("upload", "")
    content = uploads.find(upload, me().name, group.name) if upload else None
    if content is None:
        file = request.files.get("file")
        content = file.read() if file else b""
        if not content:
            missing = "Choose a file first." if not upload else "The file is gone; choose it again."
            return render_template("desk/enrol.html", group=group, fault=missing), 422
        upload = uploads.keep(me().name, group.name, content)
    try:
        reading = _read(content, _mapping(), group)
    except FileFault as fault:
        page = render_template(
            "desk/enrol.html",
            group=group,
            fault=f"The file {fault}." if str(fault).startswith("is ") else str(fault),
            upload=upload,
            header=[title for title in fault.header if title.strip()],
            chosen=_mapping(),
            meanings=MEANINGS,
        )
        return page, 422
    return render_template(
        "desk/enrol_read.html", group=group, reading=reading, upload=upload, meanings=MEANINGS
    )


def enrol_take_in(name: str) -> ResponseReturnValue:
    """Take the growers of a file in, and say what came of it."""
    group, uploads = group_here(name), _uploads()
    upload = request.form.get("upload", "")
    content = uploads.find(upload, me().name, group.name)
    if content is None:
        gone = "The file is gone, as it is kept for an hour only; choose it again."
        return render_template("desk/enrol.html", group=group, fault=gone), 410
    report, to_mend = _taken(content, _mapping(), group)
    uploads.drop(upload)
    mend = uploads.keep(me().name, group.name, to_mend, DAY_S) if report.faulty else ""
    record("enrolled growers in", group.name, f"{sum(report.growers.values())} growers")
    return render_template("desk/enrolled.html", group=group, report=report, mend=mend)


def enrol_to_mend(name: str) -> ResponseReturnValue:
    """Give the rows that could not be used, with what to mend, as a CSV file."""
    group = group_here(name)
    content = _uploads().find(request.args.get("file", ""), me().name, group.name)
    if content is None:
        abort(404)
    answer = Response(content, content_type="text/csv; charset=utf-8")
    answer.headers["Content-Disposition"] = 'attachment; filename="rows-to-mend.csv"'
    return answer


def _read(content: bytes, mapping: Mapping[str, str], group: Group) -> Reading:
    with open_sheet(io.BytesIO(content), mapping) as sheet:
        growers = faulty = merged = 0
        first: list[Enrolled] = []
        faults: list[Faulty] = []
        for row in _rows(sheet, group):
            if isinstance(row, Enrolled):
                growers += 1
                first += [row] if len(first) < SHOWN else []
            elif isinstance(row, Merged):
                merged += 1
            else:
                faulty += 1
                faults += [row] if len(faults) < FAULTS_SHOWN else []
        columns, header = sheet.columns, sheet.header
        chosen = {
            meaning: header[place]
            for meaning in MEANINGS
            if (place := getattr(columns, meaning)) is not None
        }
        return Reading(header, chosen, growers, first, faulty, faults, merged, columns.ignored)


def _taken(content: bytes, mapping: Mapping[str, str], group: Group) -> tuple[Report, bytes]:
    exchange = exchange_here()
    to_mend = io.BytesIO()
    with open_sheet(io.BytesIO(content), mapping) as sheet:
        with exporting(to_mend, "csv", faulty_header(sheet.header)) as write:

            def aside(row: Faulty | Merged) -> None:
                if isinstance(row, Faulty):
                    write(faulty_cells(row, sheet.header))

            report = take_in(
                _rows(sheet, group),
                group,
                exchange.store,
                exchange.settings,
                exchange.clock(),
                asks_consent=sheet.columns.consent is not None,
                may_move=may_see,
                aside=aside,
            )
        return report, to_mend.getvalue()


def _rows(sheet: Sheet, group: Group) -> Iterator[Enrolled | Faulty | Merged]:
    exchange = exchange_here()
    country = group.country or exchange.settings.country
    return read_rows(sheet, country, exchange.dialogue.languages)


def _mapping() -> dict[str, str]:
    """The columns that were pointed out, where any were."""
    chosen = {meaning: request.form.get(f"column-{meaning}", "") for meaning in MEANINGS}
    return {meaning: title for meaning, title in chosen.items() if title}


def _uploads() -> Uploads:
    return Uploads(desk_here().people.redis)
