"""Records of older schemas, kept as they were stored then, are read, counted and brought up to date.

`records_of_schema_1.json` was written by the last version that stored schema 1: each record as it
lay in Redis (base64) beside the grower that version read in it (fields in order). It never changes.
"""

from __future__ import annotations

import hashlib
import json
from base64 import b64decode
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from datetime import date
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any

import msgspec
import pytest
from test_codec import GROWER

from bot.dialogue.records import Grower
from bot.dialogue.standing import facts, stage
from bot.store import codec, keys
from bot.store.forgetting import forget
from bot.store.groups import Groups
from bot.store.packing import pack, unpack

if TYPE_CHECKING:
    from collections.abc import Sequence

    import redis

    from bot.store.growers import Store

TODAY = date(2026, 3, 15)
OLD = json.loads(Path(__file__).with_name("records_of_schema_1.json").read_text(encoding="utf-8"))
NUMBERS = [f"+2557{place:08d}" for place in range(len(OLD))]
OF_SCHEMA_2 = b64decode(
    "AAAAAAAAAAeSApHFAS0otS/9YQLIAxUJAAQItEFmcmljYS9EYXJfZXNfU2FsYWFtwN4AGKpfdmFsdWXLP/gA"
    "qXVuaXSkwsMow6/IAV+QsGNsYXlftXNfdG9fY29udHJvbMOybHdlbGxfZHJhaW5lZMLCtmlzb3hhZmx1dG9s"
    "ZV9hY2xvbmlmZW42MDGVnjGsrjKSCaCgoKDDoMBD/NmVA5WQs1wldicA7M2kY7jvH4SHgZBck0lLD2jTEK1T"
    "1Eo16ag4BJ1uP11BOv6L9m1wIgmTt/XmZZhWEzqHSSEXHJAfrk4WzLjCYuzr3pXatM6gq0iLyktRw6TUBRQL"
    "Tlh2c8cPpFD6KUua93Y+GBCTeNMkId+imx9yoaaIIhqCO/O36eaCsMByoUfzgCjojscLGQF89Jen1jrJJKoD"
)
"""`GROWER` of test_codec.py at version 7, as stored when schema 2 was new."""


def grower_of(old: dict[str, Any]) -> Grower:
    return msgspec.convert(old["grower"], Grower)


def schema_of(value: bytes) -> int:
    schema, _ = msgspec.msgpack.decode(value[codec.VERSION_BYTES :])
    assert isinstance(schema, int)
    return schema


def put(client: redis.Redis, numbers: Sequence[str] = NUMBERS) -> None:
    for number, old in zip(numbers, OLD, strict=False):
        client.set(keys.grower_key(number), b64decode(old["stored"]))


@pytest.mark.parametrize("old", OLD, ids=[old["what"] for old in OLD])
def test_a_record_of_schema_1_is_the_grower_it_was(old: dict[str, Any]) -> None:
    value = b64decode(old["stored"])
    assert schema_of(value) == 1
    assert codec.decode(value) == (old["version"], grower_of(old))
    # And comes back the same from the present schema.
    assert codec.decode(codec.encode(8, grower_of(old))) == (8, grower_of(old))


def test_the_records_kept_are_of_growers_in_every_part_of_a_season() -> None:
    growers = [grower_of(old) for old in OLD]
    assert {stage(grower) for grower in growers} >= {
        *(
            "not_begun",
            "answering",
            "finished",
            "slash",
            "spray_fallow",
            "clear",
            "plough",
            "ridge",
        ),
        *("plant", "spray_preemergence", "gap_fill", "weed_check", "weed_by_hand", "harvest_check"),
    }
    later = {"heard_on", "heard", "told_help"}  # fields that records of schema 1 may lack
    for field in set(Grower.__struct_fields__) - later:
        assert any(getattr(grower, field) != getattr(Grower(), field) for grower in growers), field
    assert any(grower.session and grower.session.aside for grower in growers)
    assert any(grower.plan and grower.plan.diary for grower in growers)


def test_the_next_commit_stores_the_present_schema(store: Store, redis_client: redis.Redis) -> None:
    put(redis_client)
    for number, old in zip(NUMBERS, OLD, strict=True):
        loaded = store.load(number)
        renamed = msgspec.structs.replace(loaded.grower, village="Kasele")
        assert store.commit(number, loaded, renamed, due=None)
        value = redis_client.get(keys.grower_key(number))
        assert isinstance(value, bytes)
        assert schema_of(value) == codec.SCHEMA
        assert codec.decode(value) == (old["version"] + 1, renamed)


def test_a_store_of_both_schemas_is_counted_and_forgotten(
    store: Store, redis_client: redis.Redis
) -> None:
    put(redis_client)
    for number in NUMBERS[::2]:
        loaded = store.load(number)
        assert store.commit(number, loaded, loaded.grower, due=None)
    assert store.recount() == len(OLD)
    growers = [grower_of(old) for old in OLD]
    overviews = Groups(redis_client).overviews(["", "Mirindi North"], TODAY)
    for group, overview in overviews.items():
        theirs = [grower for grower in growers if grower.group == group]
        assert overview.size == len(theirs) > 0
        assert overview.sums == sum(map(facts, theirs), Counter())
    for number in NUMBERS:
        forget(store, number)
    assert not redis_client.keys("{s*}:grower:*")
    assert Groups(redis_client).overviews([""], TODAY)[""].size == 0


def test_a_record_of_schema_2_is_read_for_ever() -> None:
    assert codec.decode(OF_SCHEMA_2) == (7, GROWER)


def test_the_dictionary_of_a_schema_never_changes() -> None:
    # Another one makes every record stored with it unreadable. A new one needs a new schema.
    dictionary = files("bot.store").joinpath("records_2.dict").read_bytes()
    assert hashlib.sha256(dictionary).hexdigest() == (
        "c12d8e7c9568a61862baded58437569ff897163790222a031c9666d29dbecd56"
    )


def test_a_version_of_before_schema_2_knows_that_it_cannot_read_it() -> None:
    # It took the second part for the fields, an array, before it looked at the schema; finding
    # anything else, it would have advised to forget the number.
    schema, second = msgspec.msgpack.decode(codec.encode(1, GROWER)[codec.VERSION_BYTES :])
    assert schema > 1
    assert isinstance(second, list)


def test_threads_pack_at_the_same_time() -> None:
    # A compressor may be used by one thread only (python-zstandard's documentation).
    def there_and_back(place: int) -> bool:
        record = msgspec.msgpack.encode(OLD[place % len(OLD)]["grower"]) * 20
        return unpack(pack(record)) == record

    with ThreadPoolExecutor(8) as pool:
        assert all(pool.map(there_and_back, range(4000)))
