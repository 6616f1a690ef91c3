"""The desk's pictures: inline SVG, made from counts alone.

A picture is as wide as the page lets it be: what lies across is in percent, or in a drawing that
is stretched sideways only, and letters keep their size. So one picture serves a phone and a
laptop, with no scrolling. Nothing is told by colour alone: what went wrong is striped, what is
still to come is hollow, and numbers stand beside the marks. There is no script and no style
attribute, which the desk's policy forbids; each mark has a class for the style sheet, and
attributes that serve without one.

`label` names a picture for those who cannot see it. `ident` begins every id in it, so that several
can share a page. Words may hold anything. Counts are of growers or texts; a negative one, or lists
that do not match, are the programmer's error and raise ValueError.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import timedelta
from itertools import pairwise
from typing import TYPE_CHECKING

import segno
from babel.dates import format_date
from markupsafe import Markup, escape

from bot.wording.formats import long_date, number
from bot.wording.languages import SOURCE

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from datetime import date

PAPER, INK, SHADE, RULE = "#fbf8f1", "#2b211a", "#e6d8b8", "#c9bb9d"
LEAF, CLAY, BARK = "#3d5a1e", "#8a3b12", "#5f4c3b"

EARTHS = (LEAF, CLAY, "#7a6200", "#2f5568", "#6b3553")
"""Hues of the stages; in three textures each, fifteen stages can be told apart."""

LOOKS = {
    "pic-text": {"fill": INK},
    "pic-name": {"fill": INK, "font_weight": "600"},
    "pic-wrong": {"fill": CLAY, "font_weight": "600"},
    "pic-done": {"fill": LEAF},
    "pic-bad": {"stroke": CLAY, "vector_effect": "non-scaling-stroke"},  # filled with stripes
    "pic-stripe": {"fill": CLAY},
    "pic-open": {"fill": PAPER, "stroke": BARK, "vector_effect": "non-scaling-stroke"},
    "pic-today": {"fill": SHADE},
    "pic-peg": {"fill": INK},
    "pic-gap": {"stroke": PAPER, "stroke_width": "2"},
    "pic-paper": {"fill": PAPER},
    "pic-rule": {"fill": "none", "stroke": RULE, "vector_effect": "non-scaling-stroke"},
    **{f"pic-earth-{place}": {"fill": hue} for place, hue in enumerate(EARTHS)},
}
"""The classes of marks and letters, with the attributes that stand in for a style sheet."""

MOST_WEEKS, MOST_DAYS, MOST_STAGES = 60, 31, 3 * len(EARTHS)

TALL, DAY_TALL = 36, 64
"""CSS pixels of the tallest column in a row of the calendar, and among the days' texts."""

LEAST = 4
"""CSS pixels of the smallest column, so that one grower among thousands is still seen."""

LEAST_SHARE = 12
"""Thousandths of a bar that its smallest part takes, likewise."""

# The calendar


@dataclass(frozen=True, slots=True)
class CalendarRow:
    """An operation: week by week, growers who did it then, and whose plan has it open then."""

    name: str
    done: Sequence[int]
    open: Sequence[int]


@dataclass(frozen=True, slots=True)
class CalendarLine:
    """One operation in one week. What is open in a week that is over is `overdue`."""

    week: date
    name: str
    done: int
    overdue: int
    coming: int

    @property
    def parts(self) -> tuple[int, int, int]:
        """The three counts, in the order of a legend."""
        return self.done, self.overdue, self.coming


def calendar_table(
    weeks: Sequence[date], rows: Sequence[CalendarRow], today: date
) -> list[CalendarLine]:
    """List what the calendar shows, for a table beside it: week by week, where there is any."""
    judged = _judged(weeks, rows, today)
    return [line for week in zip(*judged, strict=True) for line in week if any(line.parts)]


def calendar(
    weeks: Sequence[date], rows: Sequence[CalendarRow], today: date, label: str, *, ident: str
) -> Markup:
    """Draw a season: a row an operation, a column a week, as tall as the growers are many.

    One scale holds for the whole picture, so that rows can be compared. `weeks` are the first
    days of 1 to 60 weeks on end.
    """
    columns = [[line.parts for line in row] for row in _judged(weeks, rows, today)]
    totals = [_sums(row) for row in columns]
    largest = max((sum(parts) for row in columns for parts in row), default=0)
    below, wide = len(rows) * _ROW, len(weeks) * _WIDE
    now = (today - weeks[0]).days // 7
    drawn, captions = list[Markup](), list[Markup]()
    if 0 <= now < len(weeks):
        across = {"x": now * _WIDE, "y": 0, "width": _WIDE}
        drawn.append(_tag("rect", height=below, **across, **_look("pic-today")))
        drawn.append(_tag("rect", height=5, **across, **_look("pic-peg")))
    for place, row in enumerate(rows):
        base = (place + 1) * _ROW - _STRIPE
        fences = "".join(f"M{n * _WIDE} {base}v-{TALL}" for n in _month_starts(weeks))
        drawn.append(_tag("path", d=f"M0 {base}H{wide}{fences}", **_look("pic-rule")))
        drawn += _stacks(columns[place], largest, TALL, base, ident)
        captions += _caption(row.name, totals[place], _HEAD + base - TALL - 12)
    total = _sums(totals)
    names = ("done", "overdue, from weeks gone by", "to come, this week or later")
    said = (
        f"{_counted(len(rows), 'operation')} over {_counted(len(weeks), 'week')} from "
        f"{long_date(weeks[0], SOURCE)}. {_listed(total, ('done', 'overdue', 'to come'))}. "
        f"Today is {long_date(today, SOURCE)}."
    )
    return _picture(
        ident,
        (label, said),
        [
            *_month_names(weeks),
            *_this_week(now, len(weeks)),
            _stretched(drawn, _HEAD, wide, below),
            *captions,
            *_legend(zip(_three(ident), total, names, strict=True), _HEAD + below),
            _scale(f"{_counted(largest, 'grower')} in a week", _HEAD + below + 3 * _LINE),
        ],
        _HEAD + below + 4 * _LINE + 8,
    )


_HEAD, _ROW = 50, 65
"""CSS pixels of the calendar's head, and of one of its rows with the words above it."""


def _judged(
    weeks: Sequence[date], rows: Sequence[CalendarRow], today: date
) -> list[list[CalendarLine]]:
    """Tell overdue from to come, row by row; refuse what cannot be drawn."""
    if not 1 <= len(weeks) <= MOST_WEEKS:
        raise ValueError(f"a calendar has 1 to {MOST_WEEKS} weeks, not {len(weeks)}")
    if any((week - weeks[0]).days != 7 * place for place, week in enumerate(weeks)):
        raise ValueError("a calendar's weeks follow one another, seven days apart")
    this = today - timedelta(days=6)  # a week that began before is over
    judged = []
    for row in rows:
        _check_counts((*row.done, *row.open))
        judged.append(
            [
                CalendarLine(week, row.name, done, *((due, 0) if week < this else (0, due)))
                for week, done, due in zip(weeks, row.done, row.open, strict=True)
            ]
        )
    return judged


def _caption(name: str, total: Sequence[int], y: int) -> Iterator[Markup]:
    """Name a row on the left; on the right, how it stands: what is overdue before what comes."""
    done, overdue, coming = (_n(count) for count in total)
    standing: list[str] = [f"{done} done"]
    if total[1]:
        late = f"{overdue} overdue"
        roomy = len(f"{name}{done} done, {late}") <= _LETTERS
        standing = [f"{done} done, " if roomy else "", _tag("tspan", late, **_look("pic-wrong"))]
    elif total[2]:
        standing = [f"{done} done, {coming} to come"]
    yield _tag("text", name, x=0, y=y, **_look("pic-name"))
    yield _tag("text", *standing, x="100%", y=y, text_anchor="end", **_look("pic-text"))


_LETTERS = 40
"""Letters side by side in a row's words for which a phone has room."""


def _month_starts(weeks: Sequence[date]) -> list[int]:
    """The columns in which another month begins than in the column before."""
    return [n for n, week in enumerate(weeks) if n and week.month != weeks[n - 1].month]


def _month_names(weeks: Sequence[date]) -> Iterator[Markup]:
    """Name the months along the top, every second one where there are many; years above."""
    many = len(weeks)
    starts = [0, *_month_starts(weeks)]
    years = [n for n in starts if not n or weeks[n].month == 1]
    months = starts[:: 1 if many <= _EVERY_MONTH else 2]
    for n in _with_room(years, many):
        yield _tag("text", weeks[n].year, x=_percent(n, many), y=12, **_look("pic-name"))
    for n in _with_room(months, many):
        yield _tag("text", _month(weeks[n]), x=_percent(n, many), y=28, **_look("pic-text"))


_EVERY_MONTH, _TIGHT = 45, 12
"""Weeks up to which a phone has room for every month's name; and names that fit side by side."""


def _with_room(places: list[int], many: int) -> list[int]:
    """Leave out a first place too near the next to write at both, and a last one at the edge."""
    if len(places) > 1 and (places[1] - places[0]) * _TIGHT < many:
        places = places[1:]
    return [n for n in places if n == 0 or (many - n) * _TIGHT >= many]


def _this_week(now: int, many: int) -> Iterator[Markup]:
    """Write above the week of today; near an edge, leaning inwards, as beyond it all is cut."""
    if not 0 <= now < many:
        return
    twice = 2 * now + 1
    at = {"x": _percent(twice, 2 * many), "text_anchor": "middle"}
    if twice * 6 < 2 * many:
        at = {"x": _percent(now, many)}
    elif twice * 6 > 10 * many:
        at = {"x": _percent(now + 1, many), "text_anchor": "end"}
    yield _tag("text", "this week", y=45, **at, **_look("pic-name"))


# The stages


def stages_bar(counts: Sequence[tuple[str, int]], label: str, *, ident: str) -> Markup:
    """Draw how many growers are at each stage: one bar from first to last, and its legend.

    A stage looks the same wherever it stands at the same place in `counts`, so give those without
    a grower as well; at most 15. A part with room for it bears its number.
    """
    if len(counts) > MOST_STAGES:
        raise ValueError(f"{len(counts)} stages cannot be told apart; at most {MOST_STAGES} can")
    names, numbers = [name for name, _ in counts], [count for _, count in counts]
    looks = [{"fill": f"url(#{ident}-{place})"} for place in range(len(counts))]
    above = [
        _tag("text", _n(count), x=_tenths((start + end) // 2), y=14, **middle)
        for (start, end), count in zip(_edges(numbers), numbers, strict=True)
        if end - start >= _DIGIT * len(_n(count))
        for middle in [{"text_anchor": "middle", **_look("pic-text")}]
    ]
    present = [(count, name) for name, count in counts if count]
    said = _counted(sum(numbers), "grower")
    if present:
        said += ": " + _listed([count for count, _ in present], [name for _, name in present])
    return _picture(
        ident,
        (label, f"{said}."),
        [
            *(_texture(f"{ident}-{place}", place) for place in range(len(counts))),
            *above,
            *_bar(looks, numbers, 20),
            *_legend(zip(looks, numbers, names, strict=True), 20 + _BAR),
        ],
        20 + _BAR + len(counts) * _LINE + 8,
    )


_DIGIT = 26
"""Thousandths of a phone's width that a digit takes."""


def _texture(name: str, place: int) -> Markup:
    """The look of a stage: neighbours differ in hue and in texture, plain, slanted or dotted."""
    weave = ("", "M-1 6L6 -1M4 11L11 4", "M2 3h2M7 8h2")[place % 3]
    ground = _look(f"pic-earth-{place % len(EARTHS)}")
    inside = [_tag("rect", width=10, height=10, **ground)]
    if weave:
        inside.append(_tag("path", d=weave, **_look("pic-gap")))
    return _tag("pattern", *inside, id=name, width=10, height=10, patternUnits="userSpaceOnUse")


# How far along


def progress_bar(done: int, failed: int, left: int, label: str, *, ident: str) -> Markup:
    """Draw how far a round or an import is: done, failed, and left to do."""
    counts, names = (done, failed, left), ("done", "failed", "left")
    looks = _three(ident)
    return _picture(
        ident,
        (label, f"{_listed(counts, names)}, of {_n(sum(counts))}."),
        [*_bar(looks, counts, 0), *_legend(zip(looks, counts, names, strict=True), _BAR)],
        _BAR + 3 * _LINE + 8,
    )


# The deliveries


@dataclass(frozen=True, slots=True)
class TextDay:
    """A day's texts: `sent` that day; `delivered` and `failed` by the reports of that day."""

    day: date
    sent: int
    delivered: int
    failed: int

    @property
    def parts(self) -> tuple[int, int, int]:
        """Delivered, failed, and sent beyond the reports: never below nothing.

        Reports that come on a later day than their text can outnumber that day's texts.
        """
        return self.delivered, self.failed, max(self.sent - self.delivered - self.failed, 0)


def spark(values: Sequence[TextDay], label: str, *, ident: str) -> Markup:
    """Draw the texts of 1 to 31 days on end, a column a day."""
    days, columns = [each.day for each in values], [each.parts for each in values]
    if not 1 <= len(days) <= MOST_DAYS:
        raise ValueError(f"deliveries are drawn for 1 to {MOST_DAYS} days, not {len(days)}")
    if any((day - days[0]).days != place for place, day in enumerate(days)):
        raise ValueError("the days of deliveries follow one another")
    _check_counts([count for each in values for count in (each.sent, each.delivered, each.failed)])
    largest, total = max(map(sum, columns)), _sums(columns)
    wide, base = len(days) * _WIDE, DAY_TALL + _ROOM
    drawn = [
        _tag("path", d=f"M0 {base}H{wide}", **_look("pic-rule")),
        *_stacks(columns, largest, DAY_TALL, base, ident),
    ]
    names = ("delivered", "failed", "no report yet")
    said = f"{long_date(days[0], SOURCE)} to {long_date(days[-1], SOURCE)}"
    return _picture(
        ident,
        (label, f"{said}. {_listed(total, names)}."),
        [
            _stretched(drawn, 0, wide, base + 2),
            *_day_names(days, base + 17),
            *_legend(zip(_three(ident), total, names, strict=True), base + 36),
            _scale(f"{_counted(largest, 'text')} in a day", base + 36 + 3 * _LINE),
        ],
        base + 36 + 4 * _LINE + 8,
    )


def _day_names(days: Sequence[date], y: int) -> Iterator[Markup]:
    """Write days under their columns, the last always; below, the month where one begins."""
    step = 1 if len(days) <= _EVERY_DAY else 3
    named = range((len(days) - 1) % step, len(days), step)
    months = [n for n in named if n == named[0] or days[n].month != days[n - step].month]
    if len(months) > 1 and months[1] - months[0] <= step:
        del months[0]
    for n in named:
        at = {"x": _percent(2 * n + 1, 2 * len(days)), "text_anchor": "middle"}
        if step > 1 and n in {
            0,
            len(days) - 1,
        }:  # a thin column at an edge, beyond which all is cut
            at = {"x": "100%", "text_anchor": "end"} if n else {"x": "0%"}
        yield _tag("text", days[n].day, y=y, **at, **_look("pic-text"))
        if n in months:
            yield _tag("text", _month(days[n]), y=y + 16, **at, **_look("pic-name"))


_EVERY_DAY = 12
"""Days up to which a phone has room for every day's number."""

# A code for a phone's camera


def qr_code(text: str, label: str) -> Markup:
    """Draw a QR code (ISO/IEC 18004, by segno) of a text that a phone is to read."""
    # Black on white with its margin, whatever the page's colours are, as cameras want it.
    code = segno.make(text, error="m", micro=False)
    drawn = code.svg_inline(scale=5, border=4, dark="#000", light="#fff")
    return _tag("div", Markup(drawn), class_="qr", role="img", aria_label=label)  # noqa: S704 - drawn from modules alone


# What they share

_WIDE, _ROOM, _BAR, _LINE, _STRIPE = 8, 16, 35, 22, 5
"""A column's units across; and in pixels, the room above one for gaps and least heights, a bar,
a legend's line, and a stripe with the gap under it, which bases and bars are whole numbers of."""


def _stacks(
    columns: Sequence[Sequence[int]], largest: int, tall: int, base: int, ident: str
) -> Iterator[Markup]:
    """Draw columns of done, bad and open, one above the other with paper between.

    What is bad stands lowest: on one base it is best compared, and its stripes begin alike.
    """
    looks = _three(ident)
    drawn: list[list[str]] = [[] for _ in looks]
    for place, counts in enumerate(columns):
        bottom = base
        for part in (1, 0, 2):
            if count := counts[part]:
                height = max((2 * count * tall + largest) // (2 * largest), LEAST)  # half goes up
                drawn[part].append(f"M{place * _WIDE + 1} {bottom}h6v-{height}h-6z")
                bottom -= height + 2
    for look, paths in zip(looks, drawn, strict=True):
        if paths:
            yield _tag("path", d="".join(paths), **look)


def _bar(looks: Sequence[dict[str, str]], counts: Sequence[int], y: int) -> Iterator[Markup]:
    """Draw one bar, with a line of paper between neighbours; hollow where there is nothing."""
    shown = [part for part in zip(_edges(counts), looks, strict=True) if part[0][0] < part[0][1]]
    for (start, end), look in shown or [((0, 1000), _look("pic-open"))]:
        across = {"x": _tenths(start), "width": _tenths(end - start)}
        yield _tag("rect", y=y, height=_BAR, **across, **look)
    for edge, _ in shown[1:]:
        x = _tenths(edge[0])
        yield _tag("line", x1=x, x2=x, y1=y, y2=y + _BAR, **_look("pic-gap"))


def _edges(counts: Sequence[int]) -> list[tuple[int, int]]:
    """Share a bar's thousandths among counts: where each part begins and ends.

    A part too small to see takes the least share; the others share the rest in proportion, and
    together they fill the bar. A count of nothing takes nothing.
    """
    _check_counts(counts)
    small: set[int] = set()
    rest, total = 1000, sum(counts)
    # The least shares leave the others less, which may make one of them too small in turn.
    while more := {
        place
        for place, count in enumerate(counts)
        if count and place not in small and count * rest < LEAST_SHARE * total
    }:
        small |= more
        rest -= LEAST_SHARE * len(more)
        total -= sum(counts[place] for place in more)
    edges, before, least = [0], 0, 0
    for place, count in enumerate(counts):
        if place in small:
            least += LEAST_SHARE
        else:
            before += count
        edges.append(least + (2 * before * rest + total) // (2 * total) if total else 0)
    return list(pairwise(edges))


def _legend(entries: Iterable[tuple[dict[str, str], int, str]], y: int) -> Iterator[Markup]:
    """Explain marks, a line each: how it looks, how many, what it is."""
    for place, (look, count, name) in enumerate(entries):
        line = y + place * _LINE
        yield _tag("rect", x=1, y=line + 9, width=20, height=12, **look)
        yield _tag("text", _n(count), x=104, y=line + 20, text_anchor="end", **_look("pic-name"))
        yield _tag("text", name, x=114, y=line + 20, **_look("pic-text"))


def _scale(tallest: str, y: int) -> Markup:
    return _tag("text", f"The tallest column is {tallest}.", x=0, y=y + 20, **_look("pic-text"))


def _stretched(drawn: Iterable[Markup], y: int, wide: int, tall: int) -> Markup:
    """A drawing as wide as the picture: its units across stretch, those upwards are pixels."""
    box = f"0 0 {wide} {tall}"
    size = {"width": "100%", "viewBox": box, "preserveAspectRatio": "none"}
    return _tag("svg", *drawn, x=0, y=y, height=tall, **size)


def _picture(ident: str, words: tuple[str, str], drawn: Iterable[Markup], tall: int) -> Markup:
    """The whole picture, with its name and what it says in words."""
    if not re.fullmatch(r"[A-Za-z][A-Za-z0-9_-]*", ident):
        raise ValueError(f"{ident!r} cannot begin an id: letters, digits, - and _ can")
    label, said = words
    striped = [_tag("rect", width=_STRIPE, height=_STRIPE, **_look("pic-paper"))]
    striped.append(_tag("rect", width=_STRIPE, height=3, **_look("pic-stripe")))
    stripes = {"id": f"{ident}-stripes", "patternUnits": "userSpaceOnUse"}
    return _tag(
        "svg",
        _tag("title", label, id=f"{ident}-title"),
        _tag("desc", said, id=f"{ident}-desc"),
        _tag("pattern", *striped, width=_STRIPE, height=_STRIPE, **stripes),
        *drawn,
        xmlns="http://www.w3.org/2000/svg",
        class_="pic",
        role="img",
        aria_labelledby=f"{ident}-title {ident}-desc",
        width="100%",
        height=tall,
        font_family="system-ui, sans-serif",
        font_size=14,
    )


def _tag(name: str, *inside: object, **attributes: str | int) -> Markup:
    """An element. `class_` is its class, and an underscore in a name stands for a hyphen."""
    written = Markup().join(
        Markup(' {}="{}"').format(key.rstrip("_").replace("_", "-"), _clean(value))
        for key, value in attributes.items()
    )
    if not inside:
        return Markup("<{}{}/>").format(name, written)
    return Markup("<{}{}>{}</{}>").format(name, written, Markup().join(map(_clean, inside)), name)


def _clean(value: object) -> Markup:
    """Escape a value, with U+FFFD for what XML 1.0 cannot hold (section 2.2, Char)."""
    return Markup(_NOT_XML.sub("\ufffd", escape(value)))  # noqa: S704 - escaped just here


_NOT_XML = re.compile("[^\t\n\r -\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def _look(name: str, ident: str = "") -> dict[str, str]:
    """The class and the attributes of a mark; `ident` is for the one filled with stripes."""
    fill = {"fill": f"url(#{ident}-stripes)"} if name == "pic-bad" else {}
    return {"class_": name, **fill, **LOOKS[name]}


def _three(ident: str) -> list[dict[str, str]]:
    """How things done, gone wrong and still open look."""
    return [_look(name, ident) for name in ("pic-done", "pic-bad", "pic-open")]


def _check_counts(counts: Iterable[int]) -> None:
    if any(count < 0 for count in counts):
        raise ValueError("a count cannot be negative")


def _sums(rows: Sequence[Sequence[int]]) -> list[int]:
    """Add up done, bad and open each."""
    return [sum(row[part] for row in rows) for part in range(3)]


def _n(count: int) -> str:
    return number(count, SOURCE)


def _counted(count: int, name: str) -> str:
    return f"{_n(count)} {name}" if count == 1 else f"{_n(count)} {name}s"


def _listed(counts: Sequence[int], names: Sequence[str]) -> str:
    return ", ".join(f"{_n(count)} {name}" for count, name in zip(counts, names, strict=True))


def _month(day: date) -> str:
    return format_date(day, "MMM", locale=SOURCE)


def _percent(part: int, whole: int) -> str:
    """A place across, to a tenth of a percent: no more than half a pixel off on a laptop."""
    return _tenths((2000 * part + whole) // (2 * whole))


def _tenths(thousandths: int) -> str:
    whole, tenth = divmod(thousandths, 10)
    return f"{whole}.{tenth}%" if tenth else f"{whole}%"
