"""Taking the rows of a file into the store: many at a time, and as often as one likes.

A grower already there keeps what they have said themselves (their language, STOP, their plan);
what the file says of name, village and group replaces what was known. Taking the same file again
changes nothing.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

from msgspec.structs import replace

from bot.enrolment.rows import Enrolled, Faulty, Merged
from bot.reminders.schedule import next_due
from bot.store.growers import NEW, Commit

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from bot.dialogue.records import Grower
    from bot.settings import Settings
    from bot.store.groups import Group
    from bot.store.growers import Loaded, Store

BATCH = 5000
"""Growers read and written at once; about 10 MB."""


Outcome = Literal["added", "changed", "unchanged", "elsewhere"]
"""What came of a number; `elsewhere` is one left in a group that may not be taken from."""


@dataclass(slots=True)
class Report:
    """What came of a file. `rows` counts those that were not empty.

    `growers` counts each number once, by what came of it: added, changed, unchanged; `moved`
    counts those of them that came from another group, `elsewhere` those left in a group that may
    not be taken from (they count as unchanged), and `declined` those who have not agreed
    to be texted. `merged` counts rows whose number an earlier row has, `faulty` those that could
    not be used.
    """

    rows: int = 0
    growers: Counter[str] = field(default_factory=Counter)
    moved: int = 0
    elsewhere: int = 0
    declined: int = 0
    merged: int = 0
    faulty: int = 0


def take_in(  # noqa: PLR0913 - a file, where it goes, and who is told how far it is
    rows: Iterable[Enrolled | Faulty | Merged],
    group: Group,
    store: Store,
    settings: Settings,
    now: float,
    *,
    asks_consent: bool,
    may_move: Callable[[str], bool] = lambda _: True,
    aside: Callable[[Faulty | Merged], None] = lambda _: None,
    told: Callable[[int], None] = lambda _: None,
    came: Callable[[str, Outcome], None] = lambda *_: None,
) -> Report:
    """Enrol the growers of a file in a group.

    `asks_consent` says that the file has a column for it: then who is not said to agree has
    not. Without the column, whoever made the list answers for it. `may_move` says whether growers
    may be moved out of a group; those of others are left as they are. `aside` is given each row
    that is faulty or merged, `told` the number of rows done, batch by batch, and `came` each
    number with what came of it. Raises StoreUnavailable; what was taken in until then stays, and
    the file may be taken again.
    """
    report = Report()
    for batch in _batches(rows, report, aside):
        _put(batch, group, store, settings, now, report, may_move, came, asks_consent=asks_consent)
        told(report.rows)
    return report


def enrolled(grower: Grower | None, row: Enrolled, group: Group, *, asks_consent: bool) -> Grower:
    """Return a grower as they are once a row has been taken in; None is one not known before."""
    fresh = grower is None
    known = NEW.grower if grower is None else grower
    consent = row.consent
    if consent is None:
        consent = not asks_consent if fresh else known.consent
    return replace(
        known,
        name=row.name or known.name,
        village=row.village or known.village,
        language=known.language or row.language or group.language,
        zone=known.zone or group.zone,
        group=group.name,
        consent=consent,
    )


def _batches(
    rows: Iterable[Enrolled | Faulty | Merged],
    report: Report,
    aside: Callable[[Faulty | Merged], None],
) -> Iterator[dict[str, list[Enrolled]]]:
    """Gather the rows by number."""
    batch: dict[str, list[Enrolled]] = {}
    for row in rows:
        report.rows += 1
        if isinstance(row, Faulty):
            report.faulty += 1
            aside(row)
            continue
        if isinstance(row, Merged):
            report.merged += 1
            aside(row)
            row = row.adds  # noqa: PLW2901 - what there is to take of it
        batch.setdefault(row.number, []).append(row)
        if len(batch) >= BATCH:
            yield batch
            batch = {}
    yield batch


def _put(  # noqa: PLR0913, PLR0917 - as `take_in`
    batch: dict[str, list[Enrolled]],
    group: Group,
    store: Store,
    settings: Settings,
    now: float,
    report: Report,
    may_move: Callable[[str], bool],
    came: Callable[[str, Outcome], None],
    *,
    asks_consent: bool,
) -> None:
    numbers = list(batch)
    while numbers:
        changes: list[Commit] = []
        outcomes: dict[str, tuple[Loaded, Grower]] = {}
        for number, loaded in zip(numbers, store.load_many(numbers), strict=True):
            grower = loaded.known
            if grower and grower.group not in {"", group.name} and not may_move(grower.group):
                report.elsewhere += 1
                report.growers["unchanged"] += 1
                came(number, "elsewhere")
                continue
            for row in batch[number]:
                grower = enrolled(grower, row, group, asks_consent=asks_consent)
            if grower is None:  # no rows: cannot be
                continue
            outcomes[number] = loaded, grower
            if grower != loaded.known:
                due = next_due(grower, settings, now)
                changes.append(Commit(number, loaded, grower, due))
        lost = set(store.commit_many(changes))
        for number, (loaded, grower) in outcomes.items():
            if number not in lost:
                came(number, _count(report, loaded.known, grower))
        # Who texted meanwhile is read again, so that nothing they said is lost.
        numbers = [number for number in numbers if number in lost]


def _count(report: Report, before: Grower | None, after: Grower) -> Outcome:
    outcome: Outcome = "added" if before is None else "changed"
    if before == after:
        outcome = "unchanged"
    report.growers[outcome] += 1
    report.moved += before is not None and bool(before.group) and before.group != after.group
    report.declined += not after.consent
    return outcome
