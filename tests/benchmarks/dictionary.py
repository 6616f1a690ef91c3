"""Trains a dictionary for the compression of records, as a new schema may need one.

    python -m tests.benchmarks.dictionary bot/store/records_3.dict

Records are full of the same names ("haulage_cost_per_tonne", "weed_by_hand_1"), so a dictionary of
them makes a record alone shrink as it would among many. A dictionary in use must never change, as
records can only be read with the one they were written with: a new one is for a new schema. What
is printed is measured on other growers than those it was trained on.
"""

from __future__ import annotations

import sys
from datetime import timedelta
from pathlib import Path
from statistics import mean
from typing import TYPE_CHECKING

import msgspec
import zstandard
from msgspec.structs import replace

from bot import data
from tests.benchmarks import union

if TYPE_CHECKING:
    from collections.abc import Iterator

SIZE = 4096
"""Bytes. Twice as much makes a record 10 bytes smaller, half as much 30 larger."""

SEASONS, GROWERS = 150, 6000


def records(seed: int, growers: int, years: int, *, named: bool) -> Iterator[bytes]:
    """Growers in msgpack, not packed: of so many years to come, with or without their names."""
    made = union.templates(data.dialogue(), SEASONS, seed)
    for place in range(growers):
        grower = union.later(made.one(place), timedelta(days=place * 37 % (365 * years)))
        if not named:
            grower = replace(grower, name="", village="", group="")
        yield msgspec.msgpack.encode(grower)


def main() -> None:
    """Train a dictionary, write it and say how well it does."""
    file, schema = Path(sys.argv[1]), int(sys.argv[1].rpartition("_")[2].removesuffix(".dict"))
    # Names are left out, as those of the union below are few and made up.
    samples = list(records(1, GROWERS, 3, named=False))
    trained = zstandard.train_dictionary(SIZE, samples, dict_id=schema)
    file.write_bytes(trained.as_bytes())
    compress = zstandard.ZstdCompressor(dict_data=trained).compress
    others = list(records(2, GROWERS // 4, 9, named=True))
    before, after = mean(map(len, others)), mean(len(compress(each)) for each in others)
    sys.stdout.write(f"{before:.0f} bytes a record, {after:.0f} compressed\n")


if __name__ == "__main__":
    main()
