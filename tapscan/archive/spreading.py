"""The same work on this machine alone or spread over many: one call, one order of results, the same bytes."""

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any, TypeVar

from tapscan.errors import TapscanError
from tapscan.signals import Workers

__all__ = ["spread", "workers_at"]

Item = TypeVar("Item")
Outcome = TypeVar("Outcome")

# A worker may be lost, or a disk out of reach for a moment; work that fails this often fails for a reason.
RETRIES = 3
CONNECT_S = 15


def spread(
    work: Callable[[Item], Outcome],
    items: Sequence[Item],
    scheduler: str | None = None,
    progress: Callable[[int, int], None] = lambda *_: None,
    on_failure: Callable[[Item, str], Outcome] | None = None,
) -> list[Outcome]:
    """Do `work` on every item, here one after the other or at a Dask scheduler; results in the items' order.

    Parameters
    ----------
    work
        A function of one item that other processes can import.
    items
        What to work on.
    scheduler
        The address of a running Dask scheduler, like ``tcp://10.0.0.5:8786``; None works here.
    progress
        Called with (items done, items to do).
    on_failure
        What replaces the result of an item whose worker was lost again and again, or failed: called with the
        item and the reason. Without it the error is raised.

    Raises
    ------
    TapscanError
        When Dask is not installed, or no scheduler answers.

    Examples
    --------
    >>> spread(abs, [-2, 3])
    [2, 3]
    """
    if scheduler is None:
        outcomes = []
        for done, item in enumerate(items, start=1):
            outcomes.append(work(item))
            progress(done, len(items))
        return outcomes
    return list(_at(scheduler, work, items, progress, on_failure))


@contextmanager
def workers_at(scheduler: str) -> Iterator[Workers]:
    """Yield the workers of a Dask scheduler as a pool for `tapscan.signals.measure_volume`.

    Raises
    ------
    TapscanError
        When Dask is not installed, no scheduler answers, or every worker is lost again and again.
    """
    client, _, killed = _connected(scheduler)
    import dask

    # A block of traces is some 10 MB, about which Dask would warn each time.
    with client, dask.config.set({"distributed.admin.large-graph-warning-threshold": "256MB"}):
        count = max(1, len(client.nthreads()))
        try:
            yield Workers(client.get_executor(pure=False, retries=RETRIES), count)
        except killed as error:
            what = f"no worker could do its part: {' '.join(str(error).split())[:160]}"
            raise TapscanError(scheduler, what, "see the worker's log") from None


def _at(
    scheduler: str,
    work: Callable[[Item], Outcome],
    items: Sequence[Item],
    progress: Callable[[int, int], None],
    on_failure: Callable[[Item, str], Outcome] | None,
) -> Iterator[Outcome]:
    if not items:
        return
    client, as_completed, killed = _connected(scheduler)
    with client:
        futures = client.map(work, items, pure=False, retries=RETRIES)
        for done, _ in enumerate(as_completed(futures, loop=client.loop), start=1):
            progress(done, len(items))
        for item, future in zip(items, futures, strict=True):
            error = future.exception()
            if isinstance(error, killed):
                # What was waiting at a worker that died is blamed together with what killed it; each gets
                # another chance alone.
                future = client.submit(work, item, pure=False, retries=RETRIES)
                error = future.exception()
            if error is not None and on_failure is not None:
                yield on_failure(item, " ".join(f"{type(error).__name__}: {error}".split())[:300])
            else:
                yield future.result()


def _connected(scheduler: str) -> tuple[Any, Any, type[Exception]]:
    try:
        from distributed import Client, KilledWorker, as_completed
    except ImportError:
        what = "needs Dask's distributed, which is not installed"
        raise TapscanError(scheduler, what, "pip install 'tapscan[cluster]'") from None
    try:
        client: Any = Client
        return client(scheduler, timeout=CONNECT_S, set_as_default=False), as_completed, KilledWorker
    except (OSError, ValueError) as error:
        reason = " ".join(str(error).split())[:160] or type(error).__name__
        what = f"no scheduler answers: {reason}"
        raise TapscanError(scheduler, what, "start one (dask scheduler), or check the address") from None
