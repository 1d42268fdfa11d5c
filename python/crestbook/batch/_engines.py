"""Who does the work: threads of this process, a dask cluster, or a Ray cluster."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

from ..errors import UseError
from ._work import Done, Task, work

#: Tasks on the way for each worker: enough to keep it busy, few enough to bound memory.
_AHEAD = 3
#: Times that a task is tried again after its worker died.
_RETRIES = 3


def threads(tasks: Iterable[Task], workers: int | None) -> Iterator[tuple[Task, Done | Exception]]:
    """In threads of this process; the engine leaves the interpreter free."""
    import os
    from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait

    count = workers or os.cpu_count() or 1
    waiting: dict[Future[Done], Task] = {}
    with ThreadPoolExecutor(count) as pool:
        try:
            more = iter(tasks)
            over = False
            while True:
                while not over and len(waiting) < _AHEAD * count:
                    task = next(more, None)
                    over = task is None
                    if task is not None:
                        waiting[pool.submit(work, task)] = task
                if not waiting:
                    return
                ready, _ = wait(waiting, return_when=FIRST_COMPLETED)
                for future in ready:
                    yield waiting.pop(future), _outcome(future.result)
        finally:
            for future in waiting:
                future.cancel()


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
        raise UseError("engine='dask' needs dask", help='pip install "crestbook[dask]"') from error
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
        raise UseError("engine='ray' needs Ray", help='pip install "crestbook[ray]"') from error
    own = not cluster.is_initialized()
    if own:
        cluster.init(num_cpus=workers, include_dashboard=False, log_to_driver=False)
    try:
        remote = cluster.remote(max_retries=_RETRIES, num_cpus=1)(work)
        count = max(1, int(cluster.cluster_resources().get("CPU", 1)))
        waiting: dict[Any, Task] = {}
        more = iter(tasks)
        over = False
        while True:
            while not over and len(waiting) < _AHEAD * count:
                task = next(more, None)
                over = task is None
                if task is not None:
                    waiting[remote.remote(task)] = task
            if not waiting:
                return
            ready, _ = cluster.wait(list(waiting), num_returns=1)
            for reference in ready:
                yield waiting.pop(reference), _outcome(lambda r=reference: cluster.get(r))
    finally:
        if own:
            cluster.shutdown()
