"""Who does the work: threads of this process, a dask cluster, or a Ray cluster."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from itertools import islice
from typing import Any

from ..errors import UseError
from ._work import Done, Task, work

#: Tasks on the way for each worker: enough to keep it busy, few enough to bound memory.
_AHEAD = 3
#: Times that a task is tried again after its worker died.
_RETRIES = 3


def _fed(
    tasks: Iterable[Task],
    ahead: int,
    submit: Callable[[Task], Any],
    wait: Callable[[list[Any]], Iterable[tuple[Any, Done | Exception]]],
) -> Iterator[tuple[Task, Done | Exception]]:
    """Keeps `ahead` tasks on the way, and hands on what is done."""
    waiting: dict[Any, Task] = {}
    more = iter(tasks)
    while True:
        for task in islice(more, ahead - len(waiting)):
            waiting[submit(task)] = task
        if not waiting:
            return
        for ticket, outcome in wait(list(waiting)):
            yield waiting.pop(ticket), outcome


def threads(tasks: Iterable[Task], workers: int | None) -> Iterator[tuple[Task, Done | Exception]]:
    """In threads of this process; the engine leaves the interpreter free."""
    import os
    from concurrent import futures

    count = workers or os.cpu_count() or 1

    def wait(tickets: list[Any]) -> Iterable[tuple[Any, Done | Exception]]:
        ready, _ = futures.wait(tickets, return_when=futures.FIRST_COMPLETED)
        return [(future, _outcome(future.result)) for future in ready]

    pool = futures.ThreadPoolExecutor(count)
    try:
        yield from _fed(tasks, _AHEAD * count, lambda task: pool.submit(work, task), wait)
    finally:
        # What has not begun need not begin where the caller broke off.
        pool.shutdown(cancel_futures=True)


def _outcome(get: Any) -> Done | Exception:
    try:
        done: Done = get()
    except Exception as error:  # What a worker threw is told with its captures.
        return error
    return done


def dask(
    tasks: Iterable[Task], workers: int | None, client: Any
) -> Iterator[tuple[Task, Done | Exception]]:
    """On a dask.distributed cluster: `client`, or processes of this machine."""
    try:
        from distributed import Client, as_completed
    except ImportError as error:
        raise UseError("engine='dask' needs dask", help='pip install ".[dask]" in the checkout') from error
    own = client is None
    if own:
        client = Client(n_workers=workers, threads_per_worker=1, dashboard_address=None)
    try:
        count = max(1, len(client.scheduler_info(n_workers=-1)["workers"]))
        waiting: dict[str, Task] = {}
        more = iter(tasks)

        def submit() -> Any:
            task = next(more, None)
            if task is None:
                return None
            future = client.submit(work, task, pure=False, retries=_RETRIES)
            waiting[future.key] = task
            return future

        first = [future for future in (submit() for _ in range(_AHEAD * count)) if future]
        if not first:
            return
        ready = as_completed(first)
        for future in ready:
            yield waiting.pop(future.key), _outcome(future.result)
            another = submit()
            if another is not None:
                ready.add(another)
    finally:
        if own:
            client.close()
            if client.cluster is not None:
                client.cluster.close()


def ray(tasks: Iterable[Task], workers: int | None) -> Iterator[tuple[Task, Done | Exception]]:
    """On a Ray cluster: the one that is connected, or processes of this machine."""
    try:
        import ray as cluster
    except ImportError as error:
        raise UseError("engine='ray' needs Ray", help='pip install ".[ray]" in the checkout') from error
    own = not cluster.is_initialized()
    if own:
        cluster.init(num_cpus=workers, include_dashboard=False, log_to_driver=False)

    def wait(tickets: list[Any]) -> Iterable[tuple[Any, Done | Exception]]:
        ready, _ = cluster.wait(tickets, num_returns=1)
        return [(ticket, _outcome(lambda: cluster.get(ticket))) for ticket in ready]

    try:
        remote = cluster.remote(max_retries=_RETRIES, num_cpus=1)(work)
        count = max(1, int(cluster.cluster_resources().get("CPU", 1)))
        yield from _fed(tasks, _AHEAD * count, remote.remote, wait)
    finally:
        if own:
            cluster.shutdown()
