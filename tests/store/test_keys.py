from __future__ import annotations

from collections import Counter

import pytest
from hypothesis import given
from hypothesis import strategies as st
from redis.crc import key_slot

from bot.store import keys

NUMBER = "+255712345678"
numbers = st.integers(10**6, 10**14).map(lambda digits: f"+{digits}")


@given(numbers, st.text(st.characters(exclude_categories=[]), max_size=300))
def test_all_keys_of_a_grower_are_in_one_slot(number: str, message_id: str) -> None:
    # Redis Cluster's own slot function, as redis-py has it (CRC16 of the hash tag).
    shard = keys.shard_of(number)
    names = [
        keys.grower_key(number),
        keys.seen_key(number, message_id),
        keys.replies_key(number),
        keys.due_key(shard),
        keys.lease_key(shard),
        keys.calls_key(shard),
    ]
    assert len({key_slot(name.encode()) for name in names}) == 1
    assert all(len(name) < 80 for name in names)
    assert len(set(names)) == len(names)
    assert keys.number_in(names[0].encode()) == number
    own = [keys.number_of(name.encode()) for name in names]
    assert own == [number] * 3 + [None] * 3
    digest = keys.digest_of(message_id)
    assert keys.listed_key(number, digest) == names[1]
    assert names[1].endswith(f":{digest.hex()}")


def test_shards_are_spread_over_the_slots_and_growers_over_the_shards() -> None:
    assert len({key_slot(keys.due_key(shard).encode()) for shard in range(keys.SHARDS)}) == 64
    counts = Counter(keys.shard_of(f"+2557{each:08d}") for each in range(6400))
    assert len(counts) == 64
    assert max(counts.values()) < 200


def test_the_shard_is_the_same_on_every_machine() -> None:
    # CRC-32 check value of the digits 1 to 9, from the catalogue of CRC algorithms
    # (CRC-32/ISO-HDLC, check 0xCBF43926; from memory).
    assert keys.shard_of("123456789") == 0xCBF43926 % 64


@pytest.mark.parametrize("message_id", ["a", "b", "", "é", "\ud800"])
def test_message_ids_do_not_meet(message_id: str) -> None:
    assert keys.seen_key(NUMBER, message_id) != keys.seen_key(NUMBER, "other")
    assert keys.seen_key(NUMBER, message_id) != keys.seen_key("+255712345679", message_id)
