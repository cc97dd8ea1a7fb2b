"""Each run draws the same examples, none fails for being slow on a busy machine, a worker has one core."""

from collections.abc import Iterator

import pytest
import scipy.linalg  # noqa: F401 -- loads scipy's own BLAS: only what is loaded can be limited
from hypothesis import settings
from threadpoolctl import threadpool_limits

settings.register_profile("tapscan", deadline=None, derandomize=True)
settings.load_profile("tapscan")


@pytest.fixture(scope="session", autouse=True)
def _one_thread_for_matrices() -> Iterator[None]:
    """A worker runs on every core: threads of BLAS would wait for each other. Child processes keep theirs."""
    with threadpool_limits(limits=1, user_api="blas"):
        yield
