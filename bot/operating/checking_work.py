"""The doctor's checks of what is kept and what is done with it: records, senders, rounds, desk."""

from __future__ import annotations

from itertools import islice
from typing import TYPE_CHECKING, Any

from bot.dialogue.slips import FlowError
from bot.gateways.numbers import masked
from bot.operating.backups import last_backup
from bot.operating.findings import Finding, ok, warning, wrong
from bot.reminders.rounds import faults
from bot.reminders.schedule import next_due
from bot.reminders.spending import bill, month_at
from bot.store import keys
from bot.store.backlog import backlog
from bot.store.beats import Beats
from bot.store.codec import RecordError
from bot.store.errors import reaching_redis
from bot.store.groups import Groups
from bot.store.people import People
from bot.store.rounds import Rounds
from bot.store.spending import Spending

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator

    from bot.operating.findings import Patient
    from bot.store.growers import Loaded
    from bot.store.rounds import Round

SAMPLE = 200
"""Growers whose records are looked at."""

OLD_BACKUP_S = 2 * 24 * 3600.0
"""Seconds after which a backup is old: one of each night has been missed."""

LATE_WARNING_S, LATE_WRONG_S = 120.0, 900.0
"""Seconds that what is due may wait: senders look every second, and a lease lasts 300."""


def restoring(patient: Patient) -> Iterator[Finding]:
    """See that no restore stopped half-way."""
    with reaching_redis():
        if patient.redis.exists(keys.restoring_key()):
            yield wrong(
                "store",
                "a backup is being put back, or was in part",
                "let `fieldbell restore` end, or run it again with the same file",
            )


def backed_up(patient: Patient) -> Iterator[Finding]:
    """See that there is a backup, and how old it is."""
    last = last_backup(patient.redis)
    mend = "systemctl enable --now fieldbell-backup.timer, or `fieldbell backup FILE` each night"
    if last is None:
        yield warning("backups", "none was ever taken of this Redis", mend)
        return
    age_s = patient.clock() - last
    found = f"the last was taken {_ago(age_s)} ago"
    yield ok("backups", found) if age_s < OLD_BACKUP_S else warning("backups", found, mend)


def records(patient: Patient) -> Iterator[Finding]:
    """Read a sample of growers, and see that the indexes know of them what their records say."""
    sample = list(islice(patient.store.growers(), SAMPLE))
    unread: list[str] = []
    astray: list[str] = []
    for number in sample:
        try:
            loaded = patient.store.load(number)
            if not _agrees(patient, number, loaded):
                # Unless they texted between the two looks.
                loaded = patient.store.load(number)
                if not _agrees(patient, number, loaded):
                    astray.append(number)
        except RecordError as error:
            unread.append(f"{masked(number)}: {error}")
    if unread:
        yield wrong(
            "store",
            f"{len(unread)} of {len(sample)} growers cannot be read, the first {unread[0]}",
            "if a newer Fieldbell wrote them, run that one; else restore a backup",
        )
    if astray:
        yield wrong(
            "store",
            f"the indexes do not know {len(astray)} of {len(sample)} growers as they are, "
            f"{masked(astray[0])} for one",
            "stop everything else and run `fieldbell growers recount`",
        )
    if not unread and not astray:
        yield ok("store", f"{len(sample)} growers looked at, all as the indexes say")


def _agrees(patient: Patient, number: str, loaded: Loaded) -> bool:
    """Whether the indexes of group, calls and due times know a grower as the record is."""
    if not loaded.version:
        return True  # forgotten meanwhile
    grower, shard = loaded.grower, keys.shard_of(number)
    pipe = patient.redis.pipeline(transaction=False)
    for key in (keys.members_key(shard, grower.group), keys.calls_key(shard), keys.due_key(shard)):
        pipe.zscore(key, number)
    with reaching_redis():
        answers: list[Any] = pipe.execute()
    member, call, due = (score is not None for score in answers)
    owed = next_due(grower, patient.settings) is not None
    return member and call == bool(grower.trouble) and (due or not owed)


def senders(patient: Patient) -> Iterator[Finding]:
    """See that a sender is at work, and that nobody waits long for it."""
    beats = Beats(patient.redis, patient.clock)
    last, alive = beats.last(), beats.alive()
    owed = backlog(patient.redis, patient.clock())
    if not alive:
        finding = wrong if owed.due else warning
        yield finding(
            "senders",
            f"no sender is at work, and {owed.due:,} growers are owed something now",
            "start one: systemctl start fieldbell-send; its log says what stopped it",
        )
    else:
        yield ok("senders", f"{len(alive)} at work: {', '.join(sorted(alive))}")
    for name in sorted(last.keys() - alive.keys()):
        ago = max(patient.clock() - last[name], 0)
        yield warning(
            "senders",
            f"{name} ended without a word {_ago(ago)} ago",
            "see its log: it was killed, or its machine went down; nothing it held is lost",
        )
    if owed.late_s < LATE_WARNING_S:
        yield ok("senders", f"{owed.due:,} growers are due now")
    elif alive:
        finding = wrong if owed.late_s > LATE_WRONG_S else warning
        yield finding(
            "senders",
            f"{owed.due:,} growers are due, one for {_ago(owed.late_s)}",
            "the gateway is slow or the senders too few: raise at_once in its profile as far as "
            "the provider allows, or start another sender",
        )


def _ago(seconds: float) -> str:
    for size, unit in ((86400, "days"), (3600, "hours"), (60, "minutes")):
        if seconds >= 2 * size:
            return f"{seconds / size:.0f} {unit}"
    return f"{seconds:.0f} seconds"


def spending(patient: Patient) -> Iterator[Finding]:
    """Look how near the month's texts have come to the ceiling, where there is one."""
    this = month_at(patient.clock(), patient.settings)
    found = bill(Spending(patient.redis), this, patient.settings)
    if not found.ceiling:
        return
    said = f"{found.percent}% of the month's ceiling is spent"
    if not found.warns:
        yield ok("spending", said)
    else:
        yield warning(
            "spending",
            said if found.left else f"{said}: rounds are paused",
            "`fieldbell spending` says what for; raise FIELDBELL_SPEND_CEILING if rounds are to go "
            "on this month",
        )


PAUSED_BY = {"": "", "ceiling": " by the month's ceiling"}


def rounds(patient: Patient) -> Iterator[Finding]:
    """Look for rounds that are under way and do not get on."""
    kept, groups = Rounds(patient.redis), Groups(patient.redis).shelf.all()
    every = kept.shelf.all().values()
    alive = Beats(patient.redis, patient.clock).alive()
    for one in every:
        if one.state == "paused" and (left := kept.left(one)):
            yield warning(
                "rounds",
                f"{one.name} ({one.id}) is paused{PAUSED_BY[one.paused_for]}, with {left:,} texts "
                "to go",
                f"`fieldbell rounds resume {one.id}`, or stop it",
            )
        elif one.state in {"running", "counting"} and one.start <= patient.clock():
            if found := _faults(patient, one, groups):
                yield wrong(
                    "rounds",
                    f"{one.name} ({one.id}) cannot go on: {found[0]}",
                    "stop it and make it anew",
                )
            elif not alive:
                yield wrong(
                    "rounds",
                    f"{one.name} ({one.id}) is {one.state}, and no sender is there to do it",
                    "start a sender, which spreads rounds too",
                )
    going = sum(one.state == "running" for one in every)
    yield ok("rounds", f"{going} under way, {len(every)} in all")


def _faults(patient: Patient, one: Round, groups: Collection[str]) -> list[str]:
    try:
        return faults(one, patient.dialogue, groups)
    except FlowError:
        return []  # said already, of the languages


def desk(patient: Patient) -> Iterator[Finding]:
    """See that somebody can sign in to the desk, where it is served."""
    users = People(patient.redis, patient.clock).users()
    admins = [user for user in users if user.role == "admin"]
    if patient.settings.desk_pages and not admins:
        yield wrong(
            "desk",
            "the desk is served and has no admin",
            "`fieldbell desk add NAME --role admin` makes one",
        )
    elif users:
        yield ok("desk", f"{len(users)} people, {len(admins)} of them admins")
    for user in users:
        if user.temporary and user.last_seen:
            yield warning(
                "desk",
                f"{user.name} has a temporary password still",
                f"ask them to choose their own, or `fieldbell desk remove {user.name}`",
            )
