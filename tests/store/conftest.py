"""All that the store does, it does on each way to deploy Redis."""

from __future__ import annotations

from typing import cast

import pytest


@pytest.fixture(params=["redis_server", "sentinels", "cluster"])
def redis_kind(request: pytest.FixtureRequest) -> str:
    return cast("str", request.param)
