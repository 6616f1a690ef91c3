from __future__ import annotations

from datetime import date
from typing import Any

import msgspec
import pytest

from bot.dialogue.records import Finding, Grower, Operation, Plan, Reminder, Session, Waiting
from bot.store import codec
from bot.store.packing import pack

DAY = date(2026, 3, 1)
OPERATIONS = [
    "slash",
    "spray_fallow",
    "clear",
    "plough",
    "ridge",
    "plant",
    "spray_preemergence",
    "gap_fill",
    "weed_check_1",
    "weed_by_hand_1",
    "weed_check_2",
    "weed_by_hand_2",
    "spray_shielded",
    "harvest_check",
]
ANSWERS: dict[str, str | bool | int | float | None] = {
    "area_value": 1.5,
    "area_unit": "acre",
    "stony": False,
    "shallow": False,
    "waterlogged": False,
    "sloping": True,
    "fertile": True,
    "cover": "broadleaf",
    "height_cm": 40,
    "green": True,
    "hard_weeds": False,
    "herbicide_ok": True,
    "plough_cost_per_acre": 60000,
    "ridge_cost_per_acre": 45000,
    "price_per_tonne": 90000,
    "dry_season_harvest": True,
    "clay_waterlogged": False,
    "weeds_hard_to_control": True,
    "light_well_drained": False,
    "low_sprouting": False,
    "fast_early_weeds": True,
    "preemergence": "isoxaflutole_aclonifen",
    "tank_l": 16,
    "start_date": "2026-03-01",
}
GROWER = Grower(
    language="sw",
    zone="Africa/Dar_es_Salaam",
    session=None,
    answers=ANSWERS,
    plan=Plan(
        tuple(
            Operation(name, DAY, DAY, DAY, done=DAY if at < 4 else None)
            for at, name in enumerate(OPERATIONS)
        ),
        Reminder("plough", DAY),
    ),
    serial=9,
)


def test_a_record_comes_back_as_it_was() -> None:
    busy = msgspec.structs.replace(
        GROWER,
        session=Session(
            "report", "done", "v1", {"day": None}, ("a.b",), aside=Session("x", "y", "z")
        ),
        waiting=(Waiting(9, 0, "reminder", "Leo: lima", "plough", 2),),
        trouble="asked for help",
    )
    lived = msgspec.structs.replace(
        GROWER,
        plan=Plan(
            (Operation("plant", DAY, DAY, DAY, reminded=1, reminded_on=DAY),),
            diary=(
                Finding(DAY, "more", "right", "grass", "spray", 1),
                Finding(DAY, "less", "", "", "wait"),
            ),
            ready=("plant",),
        ),
        answers={"tank_l": 15, "tank_l?": True, "price_per_tonne": None, "area": "3 plot 450"},
    )
    for grower in (Grower(), GROWER, busy, lived):
        assert codec.decode(codec.encode(7, grower)) == (7, grower)


def test_a_record_of_before_the_diary_is_read() -> None:
    # As written then: an operation of 9 fields, a plan of 3.
    operation = ["plant", "2026-03-01", "2026-03-01", "2026-03-02", None, None, 1, "2026-03-01", 9]
    fields = ["sw", "", None, {"tank_l": 15}, [[operation], ["plant", "2026-03-01"], 9]]
    _, grower = codec.decode(packed(fields))
    assert grower.plan == Plan(
        (Operation("plant", DAY, DAY, date(2026, 3, 2), None, None, 1, DAY, 9),),
        Reminder("plant", DAY),
        9,
    )
    assert grower.plan.diary == grower.plan.ready == ()
    assert codec.decode(codec.encode(4, grower)) == (4, grower)


def test_a_typical_record_is_small() -> None:
    # 14 operations, 4 of them done, and 24 answers: 1.25 kB before it is packed.
    assert len(codec.encode(1, GROWER)) <= 330


@pytest.mark.parametrize("letters", range(120))
def test_a_record_is_read_as_it_was_whether_short_or_long(letters: int) -> None:
    grower = Grower(language="sw", name="(" * letters)
    plain = msgspec.msgpack.encode(grower)
    assert codec.decode(codec.encode(5, grower)) == (5, grower)
    # Packed, a short one would be longer: a frame of zstd has some 13 bytes around its content.
    assert len(pack(plain)) <= len(plain)


@pytest.mark.parametrize(
    ("version", "begins"), [(1, b"\0" * 7 + b"\1"), (258, b"\0" * 6 + b"\1\2")]
)
def test_the_version_is_the_first_8_bytes(version: int, begins: bytes) -> None:
    assert codec.encode(version, GROWER)[:8] == begins == codec.version_bytes(version)


def test_version_0_is_no_record() -> None:
    assert codec.version_bytes(0) == b""


def stored(schema: int, fields: object) -> bytes:
    return codec.version_bytes(3) + msgspec.msgpack.encode([schema, fields])


def packed(fields: object) -> bytes:
    return stored(codec.SCHEMA, [pack(msgspec.msgpack.encode(fields))])


def test_an_older_schema_is_migrated_step_by_step(monkeypatch: pytest.MonkeyPatch) -> None:
    def split_language(fields: list[Any]) -> list[Any]:
        language, zone = fields[0].split("@")
        return [language, zone, *fields[1:]]

    def add_answers(fields: list[Any]) -> list[Any]:
        return [*fields, {"cover": "grass"}]

    monkeypatch.setitem(codec.MIGRATIONS, -1, split_language)
    monkeypatch.setitem(codec.MIGRATIONS, 0, add_answers)
    old = stored(-1, ["sw@Africa/Nairobi", None])
    assert codec.decode(old) == (
        3,
        Grower(language="sw", zone="Africa/Nairobi", answers={"cover": "grass"}),
    )


@pytest.mark.parametrize(
    ("value", "says"),
    [
        (stored(codec.SCHEMA + 1, []), "run the newer version"),
        (stored(0, []), "no migration from schema 0"),
        (stored(codec.SCHEMA + 1, "of a form nobody knows yet"), "run the newer version"),
        (stored(codec.SCHEMA, [5]), "damaged"),
        (stored(codec.SCHEMA, [b"not packed"]), "damaged"),
        (packed([5]), "damaged"),
        (packed([])[:-1], "damaged"),
        (codec.version_bytes(1) + b"\xc1", "damaged"),
        (b"", "damaged"),
    ],
)
def test_what_cannot_be_read_is_a_clear_error(value: bytes, says: str) -> None:
    with pytest.raises(codec.RecordError, match=says):
        codec.decode(value)


def test_a_replay_comes_back_as_it_was() -> None:
    replay = codec.Replay(("Habari", "ya shamba?"), more=True)
    assert codec.decode_replay(codec.encode_replay(replay)) == replay
