from __future__ import annotations

from typing import Any

import pytest

from tests.web.bench import Bench, make_bench


@pytest.fixture
def bench(db: Any) -> Bench:
    return make_bench()
