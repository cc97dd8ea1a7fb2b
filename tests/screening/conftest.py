"""One BLAS thread, as in the main job: on matrices this small two wait for each other more than they work."""

from collections.abc import Iterator

import pytest
from threadpoolctl import threadpool_limits


@pytest.fixture(autouse=True, scope="module")
def _one_thread() -> Iterator[None]:
    with threadpool_limits(limits=1, user_api="blas"):
        yield
