"""The desk's pictures: what they show of given numbers, worked by hand, and that they are safe."""

from __future__ import annotations

import re
from datetime import date, timedelta
from itertools import pairwise
from typing import TYPE_CHECKING

import pytest
from defusedxml.ElementTree import fromstring
from hypothesis import given
from hypothesis import strategies as st
from markupsafe import Markup

from bot.web.desk.pictures import (
    CLAY,
    EARTHS,
    INK,
    LEAST,
    LEAST_SHARE,
    LOOKS,
    PAPER,
    RULE,
    SHADE,
    CalendarLine,
    CalendarRow,
    TextDay,
    calendar,
    calendar_table,
    progress_bar,
    spark,
    stages_bar,
)

if TYPE_CHECKING:
    from collections.abc import Sequence
    from xml.etree.ElementTree import Element

SVG = "{http://www.w3.org/2000/svg}"
MONDAY = date(2026, 3, 2)
STAGES = (
    *("not begun", "answering", "cut", "spray", "clear", "plough", "make ridges", "plant"),
    *("pre-emergence spray", "fill gaps", "weed check", "weed by hand", "finished"),
)
HOSTILE = "\"><script>alert('&')</script>\x00\x1b\ud800 style="

counts = st.integers(0, 10**6)


def weeks_of(many: int) -> list[date]:
    return [MONDAY + timedelta(weeks=n) for n in range(many)]


def parsed(picture: Markup) -> Element:
    root: Element = fromstring(picture)
    return root


def words(root: Element) -> list[str]:
    return ["".join(each.itertext()) for each in root.iter(f"{SVG}text")]


def heights(root: Element, name: str) -> dict[int, int]:
    """The heights of a kind of mark by column, as its path says them."""
    path = root.find(f"{SVG}svg/{SVG}path[@class='{name}']")
    drawn = re.findall(r"M(\d+) \d+h6v-(\d+)h-6z", path.get("d", "")) if path is not None else []
    return {(int(x) - 1) // 8: int(height) for x, height in drawn}


def widths(root: Element) -> list[int]:
    """The widths of a bar's parts, in thousandths, which lie side by side from the left."""
    rects = [each for each in root.findall(f"{SVG}rect") if each.get("height") == "35"]
    found = [(thousandths(each, "x"), thousandths(each, "width")) for each in rects]
    assert found[0][0] == 0
    assert all(x + width == following for (x, width), (following, _) in pairwise(found))
    return [width for _, width in found]


def thousandths(each: Element, name: str) -> int:
    return round(float(each.get(name, "").removesuffix("%")) * 10)


def season(many: int, *, today: date = MONDAY) -> Markup:
    """Twelve operations with something of everything in every week: as large as it gets."""
    rows = [
        CalendarRow(f"operation {n}", [12_345 + n] * many, [54_321 - n] * many) for n in range(12)
    ]
    return calendar(weeks_of(many), rows, today, "The season", ident="season")


def every_picture(label: str = "A label", name: str = "a name") -> list[Markup]:
    weeks = weeks_of(3)
    row = CalendarRow(name, [1, 2, 0], [3, 4, 5])
    days = [TextDay(MONDAY + timedelta(n), 9, 5, n) for n in range(31)]
    return [
        calendar(weeks, [row, row], MONDAY + timedelta(8), label, ident="one"),
        stages_bar([(name, n) for n in range(15)], label, ident="two"),
        stages_bar([(name, 0)], label, ident="three"),
        progress_bar(5, 1, 4, label, ident="four"),
        spark(days, label, ident="five"),
    ]


# What is shown


def test_a_column_is_as_tall_as_the_growers_are_many() -> None:
    rows = [
        CalendarRow("plant", [30, 15, 0, 0], [10, 0, 10, 20]),
        CalendarRow("fill gaps", [0, 0, 1, 0], [0, 0, 0, 40]),
    ]
    root = parsed(calendar(weeks_of(4), rows, date(2026, 3, 18), "Season", ident="s"))
    # The largest week holds 40 growers and takes 36 pixels, 0.9 a grower: 30 -> 27, 15 -> 13.5
    # and so 14, 10 -> 9, 20 -> 18. On 18 March, the weeks of 2 and 9 March are over.
    assert heights(root, "pic-done") == {0: 27, 1: 14}
    assert heights(root, "pic-bad") == {0: 9}
    assert heights(root, "pic-open") == {2: 9, 3: 18}
    # The second row has the same scale: 40 -> 36, and 1 -> 0.9, which is raised to be seen.
    paths = root.findall(f"{SVG}svg/{SVG}path")
    second = [each.get("d", "") for each in paths if each.get("class") in {"pic-done", "pic-open"}]
    assert [re.findall(r"v-(\d+)", each) for each in second[2:]] == [[str(LEAST)], ["36"]]
    # 30 + 15 + 1 done; 10 overdue; 10 + 20 + 40 to come.
    said = words(root)
    assert said[said.index("plant") + 1] == "45 done, 10 overdue"
    assert said[said.index("fill gaps") + 1] == "1 done, 40 to come"
    assert said[-7:-1] == [
        *("46", "done", "10", "overdue, from weeks gone by"),
        *("70", "to come, this week or later"),
    ]
    assert said[-1] == "The tallest column is 40 growers in a week."
    assert root.findtext(f"{SVG}desc") == (
        "2 operations over 4 weeks from Mon 2 Mar 2026. 46 done, 10 overdue, 70 to come. "
        "Today is Wed 18 Mar 2026."
    )


def test_the_marks_of_a_column_never_touch_and_what_is_overdue_stands_lowest() -> None:
    row = CalendarRow("plant", [20], [20])
    root = parsed(calendar([MONDAY], [row], date(2026, 3, 9), "Season", ident="s"))
    paths = {each.get("class"): each.get("d") for each in root.findall(f"{SVG}svg/{SVG}path")}
    # 20 of 40 take 18 of 36 pixels. The row is 65 tall, its base at 60; 60 - 18 - 2 of paper = 40.
    assert paths["pic-bad"] == "M1 60h6v-18h-6z"
    assert paths["pic-done"] == "M1 40h6v-18h-6z"


def test_a_week_is_over_on_its_eighth_day() -> None:
    row = CalendarRow("plant", [0], [1])
    sunday, monday = date(2026, 3, 8), date(2026, 3, 9)
    assert calendar_table([MONDAY], [row], sunday) == [CalendarLine(MONDAY, "plant", 0, 0, 1)]
    assert calendar_table([MONDAY], [row], monday) == [CalendarLine(MONDAY, "plant", 0, 1, 0)]


def test_the_table_lists_week_by_week_what_there_is() -> None:
    first, second, _ = weeks = weeks_of(3)
    rows = [CalendarRow("cut", [2, 0, 0], [0, 1, 0]), CalendarRow("spray", [0, 4, 0], [5, 0, 0])]
    assert calendar_table(weeks, rows, second) == [
        CalendarLine(first, "cut", 2, 0, 0),
        CalendarLine(first, "spray", 0, 5, 0),
        CalendarLine(second, "cut", 0, 0, 1),
        CalendarLine(second, "spray", 4, 0, 0),
    ]


@given(st.lists(st.tuples(counts, counts), min_size=1, max_size=60), st.integers(-9, 70))
def test_calendar_and_table_lose_no_grower(found: list[tuple[int, int]], now: int) -> None:
    weeks = weeks_of(len(found))
    row = CalendarRow("plant", [done for done, _ in found], [due for _, due in found])
    today = MONDAY + timedelta(weeks=now)
    lines = calendar_table(weeks, [row], today)
    assert sum(line.done for line in lines) == sum(row.done)
    assert sum(line.overdue + line.coming for line in lines) == sum(row.open)
    root = parsed(calendar(weeks, [row], today, "Season", ident="s"))
    numbers = [int(each.replace(",", "")) for each in words(root)[-7:-1:2]]
    assert sum(numbers) == sum(row.done) + sum(row.open)
    assert set(heights(root, "pic-done")) == {n for n, done in enumerate(row.done) if done}
    late, coming = heights(root, "pic-bad"), heights(root, "pic-open")
    assert set(late) | set(coming) == {n for n, due in enumerate(row.open) if due}
    assert all(n < now for n in late)
    assert all(n >= now for n in coming)


@pytest.mark.parametrize("place", [0, 1, 30, 58, 59])
def test_this_week_is_marked_and_its_words_stay_in_the_picture(place: int) -> None:
    root = parsed(season(60, today=MONDAY + timedelta(weeks=place, days=3)))
    band = root.find(f"{SVG}svg/{SVG}rect[@class='pic-today']")
    assert band is not None
    assert band.get("x") == str(8 * place)
    (named,) = [each for each in root.iter(f"{SVG}text") if each.text == "this week"]
    # "this week" in bold is some 80 of a phone's 328 pixels, a quarter of the width.
    x, lean = thousandths(named, "x"), named.get("text-anchor")
    begins = x - {None: 0, "middle": 125, "end": 250}[lean]
    assert 0 <= begins <= 750


@pytest.mark.parametrize("days", [-1, 7 * 10])
def test_a_day_outside_the_season_is_not_marked(days: int) -> None:
    picture = season(10, today=MONDAY + timedelta(days))
    assert "pic-today" not in picture
    assert "this week" not in words(parsed(picture))


@pytest.mark.parametrize("many", [*range(1, 61)])
@pytest.mark.parametrize("start", [MONDAY, date(2026, 12, 28), date(2026, 8, 31)])
def test_months_and_years_have_room_on_a_phone(many: int, start: date) -> None:
    weeks = [start + timedelta(weeks=n) for n in range(many)]
    root = parsed(calendar(weeks, [], start, "Season", ident="s"))
    for line, wide in (("12", 30), ("28", 25)):  # pixels of "2026" in bold and of "Mar"
        texts = [each for each in root.iter(f"{SVG}text") if each.get("y") == line]
        places = [thousandths(each, "x") * 328 / 1000 for each in texts]
        assert texts
        # The last line allows for the least gap: twelve names side by side, 27 pixels each.
        assert all(b - a >= min(wide, 27) for a, b in pairwise([*places, 328]))


def test_months_are_named_where_they_begin() -> None:
    root = parsed(calendar(weeks_of(20), [], MONDAY, "Season", ident="s"))
    months = [each for each in root.iter(f"{SVG}text") if each.get("y") == "28"]
    # Mondays from 2 March: 6 April is the 6th, 4 May the 10th, 1 June the 14th, 6 July the 19th,
    # of which the last lies 2 of 20 weeks from the edge, and has room.
    assert [(each.text, each.get("x")) for each in months] == [
        *(("Mar", "0%"), ("Apr", "25%"), ("May", "45%"), ("Jun", "65%"), ("Jul", "90%")),
    ]


def test_a_row_too_long_for_a_phone_keeps_what_matters() -> None:
    row = CalendarRow("pre-emergence spray", [30_173], [4_642])
    root = parsed(calendar([MONDAY], [row], date(2026, 3, 9), "Season", ident="s"))
    assert words(root)[-8] == "4,642 overdue"


def test_stages_share_the_bar_in_proportion() -> None:
    found = [("not begun", 300), ("plant", 150), ("plough", 0), ("finished", 50)]
    root = parsed(stages_bar(found, "Stages", ident="s"))
    # 300, 150 and 50 of 500 are 600, 300 and 100 thousandths.
    assert widths(root) == [600, 300, 100]
    assert words(root) == [
        *("300", "150", "50"),  # above the parts
        *("300", "not begun", "150", "plant", "0", "plough", "50", "finished"),
    ]
    assert root.findtext(f"{SVG}desc") == "500 growers: 300 not begun, 150 plant, 50 finished."


def test_one_grower_among_thousands_is_seen() -> None:
    root = parsed(stages_bar([("plant", 9_999), ("finished", 1)], "Stages", ident="s"))
    assert widths(root) == [1000 - LEAST_SHARE, LEAST_SHARE]
    assert words(root)[:2] == ["9,999", "9,999"]  # no room above the small part for its 1


@pytest.mark.parametrize("many", [1, 13])
def test_stages_without_a_grower_are_a_hollow_bar(many: int) -> None:
    root = parsed(stages_bar([(name, 0) for name in STAGES[:many]], "Stages", ident="s"))
    (bar,) = [each for each in root.findall(f"{SVG}rect") if each.get("height") == "35"]
    assert bar.get("class") == "pic-open"
    assert root.findtext(f"{SVG}desc") == "0 growers."
    assert words(root) == [word for name in STAGES[:many] for word in ("0", name)]


def test_one_grower_fills_the_bar() -> None:
    root = parsed(stages_bar([("plant", 0), ("finished", 1)], "Stages", ident="s"))
    assert widths(root) == [1000]
    assert root.findtext(f"{SVG}desc") == "1 grower: 1 finished."


@given(st.lists(counts, min_size=1, max_size=15))
def test_any_stages_fill_the_bar_and_keep_their_order_of_size(numbers: list[int]) -> None:
    root = parsed(stages_bar([(f"stage {n}", n) for n in numbers], "Stages", ident="s"))
    shares = widths(root)
    assert sum(shares) == 1000
    shown = [each for each in numbers if each]
    if shown:
        assert len(shares) == len(shown)
        # Ends are rounded, so a part is at most one thousandth off.
        assert min(shares) >= LEAST_SHARE - 1
        for (a, wide), (b, wider) in pairwise(sorted(zip(shown, shares, strict=True))):
            assert wide <= wider + 1 or a == b
    legend = words(root)[-2 * len(numbers) :]
    assert [int(each.replace(",", "")) for each in legend[::2]] == numbers


def test_thirteen_stages_each_look_their_own_way() -> None:
    picture = stages_bar([(name, 10) for name in STAGES], "Stages", ident="s")
    root = parsed(picture)
    looks = {}
    for pattern in root.findall(f"{SVG}pattern"):
        hue = pattern.find(f"{SVG}rect").get("fill")  # type: ignore[union-attr]
        weave = pattern.find(f"{SVG}path")
        looks[f"url(#{pattern.get('id')})"] = (hue, weave.get("d") if weave is not None else "")
    bar = [each for each in root.findall(f"{SVG}rect") if each.get("height") == "35"]
    shown = [looks[each.get("fill", "")] for each in bar]
    assert len(set(shown)) == 13
    for (hue, weave), (next_hue, next_weave) in pairwise(shown):
        assert hue != next_hue
        assert weave != next_weave
    # Between any two lies a line of paper, and in the legend the same looks stand beside names.
    gaps = [each for each in root.findall(f"{SVG}line") if each.get("stroke") == PAPER]
    assert [each.get("x1") for each in gaps] == [each.get("x") for each in bar[1:]]
    keys = [each for each in root.findall(f"{SVG}rect") if each.get("height") == "12"]
    assert [each.get("fill") for each in keys] == [each.get("fill") for each in bar]


def test_progress_is_in_proportion_and_in_words() -> None:
    root = parsed(progress_bar(820, 30, 150, "Round", ident="p"))
    assert widths(root) == [820, 30, 150]
    assert words(root) == ["820", "done", "30", "failed", "150", "left"]
    assert root.findtext(f"{SVG}desc") == "820 done, 30 failed, 150 left, of 1,000."


def test_nothing_to_do_is_a_hollow_bar() -> None:
    root = parsed(progress_bar(0, 0, 0, "Round", ident="p"))
    assert widths(root) == [1000]
    assert root.findtext(f"{SVG}desc") == "0 done, 0 failed, 0 left, of 0."


def test_days_are_stacked_in_proportion() -> None:
    days = [
        TextDay(date(2026, 3, 30), sent=128, delivered=100, failed=20),
        TextDay(date(2026, 3, 31), sent=0, delivered=0, failed=0),
        TextDay(date(2026, 4, 1), sent=10, delivered=32, failed=0),
    ]
    root = parsed(spark(days, "Deliveries", ident="d"))
    # The largest day has 128 texts in 64 pixels, half a pixel each: 100 -> 50, 20 -> 10; 8 with
    # no report -> 4. On 1 April, reports on older texts came: 32 -> 16, and nothing is unknown.
    assert heights(root, "pic-done") == {0: 50, 2: 16}
    assert heights(root, "pic-bad") == {0: 10}
    assert heights(root, "pic-open") == {0: 4}
    assert words(root) == [
        *("30", "Mar", "31", "1", "Apr"),
        *("132", "delivered", "20", "failed", "8", "no report yet"),
        "The tallest column is 128 texts in a day.",
    ]
    assert root.findtext(f"{SVG}desc") == (
        "Mon 30 Mar 2026 to Wed 1 Apr 2026. 132 delivered, 20 failed, 8 no report yet."
    )


@pytest.mark.parametrize("many", [*range(1, 32)])
@pytest.mark.parametrize("start", [MONDAY, date(2026, 3, 31), date(2026, 12, 15)])
def test_the_last_day_is_always_named_and_days_have_room(many: int, start: date) -> None:
    days = [TextDay(start + timedelta(n), 1, 1, 0) for n in range(many)]
    root = parsed(spark(days, "Deliveries", ident="d"))
    texts = list(root.iter(f"{SVG}text"))
    for kind, wide in (("pic-text", 16), ("pic-name", 26)):  # pixels of "30" and "Mar"
        line = [each for each in texts if each.get("class") == kind and "%" in each.get("x", "")]
        places = []
        for each in line:
            x = thousandths(each, "x") * 328 / 1000
            left = x - {None: 0, "middle": wide / 2, "end": wide}[each.get("text-anchor")]
            assert left >= 0
            assert left + wide <= 328
            places.append(left)
        assert all(b - a >= wide for a, b in pairwise(places))
        if kind == "pic-text":
            assert line[-1].text == str(days[-1].day.day)


@given(st.lists(st.tuples(counts, counts, counts), min_size=1, max_size=31))
def test_any_days_are_drawn_within_the_picture(found: list[tuple[int, int, int]]) -> None:
    days = [TextDay(MONDAY + timedelta(n), *each) for n, each in enumerate(found)]
    root = parsed(spark(days, "Deliveries", ident="d"))
    numbers = [int(each.replace(",", "")) for each in words(root)[-7:-1:2]]
    assert numbers[:2] == [sum(each.delivered for each in days), sum(each.failed for each in days)]
    assert numbers[2] >= sum(each.sent for each in days) - numbers[0] - numbers[1]
    for path in root.findall(f"{SVG}svg/{SVG}path"):
        for bottom, height in re.findall(r"M\d+ (\d+)h6v-(\d+)", path.get("d", "")):
            assert 0 <= int(bottom) - int(height) < int(bottom) <= 80


# That they are safe, light and can be read by all


@pytest.mark.parametrize("many", [1, 60])
def test_even_the_largest_calendar_is_light(many: int) -> None:
    for today in (MONDAY, MONDAY + timedelta(weeks=30), MONDAY + timedelta(weeks=60)):
        assert len(season(many, today=today).encode()) < 40_000


@pytest.mark.parametrize("place", range(5))
def test_a_picture_needs_neither_style_nor_script_and_names_itself(place: int) -> None:
    picture = every_picture()[place]
    root = parsed(picture)
    assert "style=" not in picture
    assert root.get("role") == "img"
    ids = [each.get("id", "") for each in root.iter() if each.get("id")]
    assert len(ids) == len(set(ids))
    named = [root.find(f"*[@id='{name}']") for name in root.get("aria-labelledby", "").split()]
    assert [each.tag for each in named if each is not None] == [f"{SVG}title", f"{SVG}desc"]
    assert root.findtext(f"{SVG}title") == "A label"
    # What is filled from a pattern finds it, and every class is one the style sheet can count on.
    used = set(re.findall(r"url\(#([^)]*)\)", picture))
    assert used <= set(ids)
    classes = {each.get("class") for each in root.iter()} - {None, "pic"}
    assert classes <= set(LOOKS)
    # Coordinates are whole numbers; a place across may have a tenth of a percent.
    numbers = [
        each.get(name, "0")
        for each in root.iter()
        for name in ("x", "y", "x1", "x2", "y1", "y2", "width", "height")
    ]
    assert all(re.fullmatch(r"\d+|\d{1,3}(\.\d)?%", each) for each in numbers)
    paths = [each.get("d", "") for each in root.iter(f"{SVG}path")]
    assert all(re.fullmatch(r"([MLHVhvz]|-?\d+| )*", each) for each in paths)


def test_pictures_on_one_page_share_no_id() -> None:
    ids = re.findall(r' id="([^"]*)"', Markup().join(every_picture()))
    assert len(ids) == len(set(ids))


def test_the_same_numbers_make_the_same_picture() -> None:
    assert every_picture() == every_picture()


@pytest.mark.parametrize("place", range(5))
def test_hostile_words_stay_words(place: int) -> None:
    plain = parsed(every_picture()[place])
    picture = every_picture(HOSTILE, HOSTILE)[place]
    root = parsed(picture)
    assert [each.tag for each in root.iter()] == [each.tag for each in plain.iter()]
    assert "<script" not in picture
    # What XML cannot hold (NUL, ESC, half a surrogate pair) is replaced, and nothing else.
    kept = re.sub("[\x00\x1b\ud800]", "\ufffd", HOSTILE)
    assert root.findtext(f"{SVG}title") == kept
    assert place > 2 or kept in words(root)  # the last two show no words but their own


@given(st.text(st.characters(exclude_categories=[])))
def test_any_label_is_kept_as_text(label: str) -> None:
    root = parsed(progress_bar(1, 0, 0, label, ident="p"))
    assert len(list(root)) == len(list(parsed(progress_bar(1, 0, 0, "Round", ident="p"))))
    assert len(root.findtext(f"{SVG}title") or "") == len(label.replace("\r\n", "\n"))


def test_a_label_that_is_markup_already_is_not_escaped_twice() -> None:
    root = parsed(progress_bar(1, 0, 0, Markup("Kibo &amp; Mto"), ident="p"))
    assert root.findtext(f"{SVG}title") == "Kibo & Mto"


def luminance(colour: str) -> float:
    """Relative luminance (WCAG 2.1, definition of "relative luminance")."""
    parts = [int(colour[n : n + 2], 16) / 255 for n in (1, 3, 5)]
    red, green, blue = (
        each / 12.92 if each <= 0.03928 else ((each + 0.055) / 1.055) ** 2.4 for each in parts
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Contrast ratio (WCAG 2.1, definition of "contrast ratio")."""
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def test_the_formula_gives_the_known_ratios() -> None:
    assert contrast("#ffffff", "#000000") == pytest.approx(21)
    # The lightest grey that passes AA on white, from memory: 4.54.
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)


@pytest.mark.parametrize("ground", [PAPER, SHADE])
def test_letters_are_read_on_paper_and_on_this_week(ground: str) -> None:
    letters = {look["fill"] for name, look in LOOKS.items() if name in TEXTS}
    assert letters == {INK, CLAY}
    assert all(contrast(each, ground) >= 4.5 for each in letters)


TEXTS = {"pic-text", "pic-name", "pic-wrong"}
GROUNDS = {PAPER, SHADE, RULE, "none"}
"""What marks lie on, and the rules of the ledger, which tell nothing that words do not."""


@pytest.mark.parametrize("ground", [PAPER, SHADE])
def test_marks_stand_out_by_3_to_1_from_what_is_beside_them(ground: str) -> None:
    # Marks never touch: a line or gap of paper lies between any two, as other tests here check.
    marks = {
        value
        for look in LOOKS.values()
        for name, value in look.items()
        if name in {"fill", "stroke"} and value not in GROUNDS
    }
    assert marks >= {CLAY, *EARTHS}
    assert all(contrast(each, ground) >= 3 for each in marks)
    drawn = set(re.findall(r'(?:fill|stroke)="([^"]*)"', Markup().join(every_picture())))
    assert {each for each in drawn if not each.startswith("url")} <= marks | GROUNDS


# What cannot be drawn


def test_a_season_has_1_to_60_weeks_that_follow_one_another() -> None:
    for weeks in (weeks_of(0), weeks_of(61), [MONDAY, MONDAY + timedelta(8)]):
        with pytest.raises(ValueError, match="weeks"):
            calendar(weeks, [], MONDAY, "Season", ident="s")


@pytest.mark.parametrize(("done", "due"), [([1], [1, 2]), ([1, 2, 3], [1, 2]), ([1, 2], [-1, 2])])
def test_a_row_has_a_count_for_each_week(done: Sequence[int], due: Sequence[int]) -> None:
    with pytest.raises(ValueError, match=r"zip|negative"):
        calendar(weeks_of(2), [CalendarRow("cut", done, due)], MONDAY, "Season", ident="s")


def test_days_follow_one_another_and_are_at_most_31() -> None:
    days = [TextDay(MONDAY + timedelta(n), 0, 0, 0) for n in range(32)]
    for wrong in (days, [], days[::2]):
        with pytest.raises(ValueError, match="deliveries"):
            spark(wrong, "Deliveries", ident="d")


def test_counts_are_not_negative_and_stages_not_too_many() -> None:
    with pytest.raises(ValueError, match="negative"):
        progress_bar(1, -1, 1, "Round", ident="p")
    with pytest.raises(ValueError, match="negative"):
        spark([TextDay(MONDAY, 1, 2, -1)], "Deliveries", ident="d")
    with pytest.raises(ValueError, match="at most 15"):
        stages_bar([("stage", 1)] * 16, "Stages", ident="s")


@pytest.mark.parametrize("ident", ["", "1st", "a b", 'x"', "é"])
def test_an_id_is_plain(ident: str) -> None:
    with pytest.raises(ValueError, match="cannot begin an id"):
        progress_bar(1, 1, 1, "Round", ident=ident)
