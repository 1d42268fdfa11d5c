"""A batch: list, leave out what is done, hand out, gather."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any, Literal
from uuid import uuid4

from .. import _engine
from ..errors import UseError
from ..table import Table
from ..verification import Profile
from . import _engines
from ._places import Source, Store, listed
from ._work import Done, How, Task, known_of, stamp_key

#: Rows of captures whose bytes could not be had, of the last run.
_UNREAD = "unread.parquet"


@dataclass(frozen=True)
class BatchReport:
    """What became of a batch."""

    #: Folder of the table.
    out: str
    #: Captures asked for.
    captures: int
    #: Captures measured in this run, those included that can't be: they are rows of kind ``error``.
    measured: int
    #: Those of them that can't be measured.
    failed: int
    #: Captures that were in the table already, and have not changed.
    known: int
    #: Captures whose bytes could not be had, with the reason; the next run tries them again.
    unread: tuple[tuple[str, str], ...]

    def to_polars(self) -> Any:
        """The whole table as a polars frame, in the order of captures; needs the extra ``polars``."""
        import polars

        frame = polars.read_parquet(f"{self.out}/*.parquet")
        return frame.sort("capture", "key", maintain_order=True)


def batch(
    captures: str | os.PathLike[str] | Iterable[str | os.PathLike[str]],
    *,
    profile: Profile | str | os.PathLike[str] | None = None,
    setting: str | None = None,
    engine: Literal["threads", "dask", "ray"] = "threads",
    out: str | os.PathLike[str] = "results.parquet",
    workers: int | None = None,
    client: Any = None,
    chunk: int = 64,
    storage_options: dict[str, Any] | None = None,
    progress: Callable[[int, int], object] | None = None,
    **options: Any,
) -> BatchReport:
    """Measures many captures into one table.

    The table is a folder of Parquet files with the columns of the long table (docs/job.md): a row for
    each measure, reason, flag and finding of each capture, and a row of kind ``error`` for a capture that
    can't be measured. polars, DuckDB and Spark read it as it is. A second run measures what is new or has
    changed, by content.

    Parameters
    ----------
    captures : path, folder, pattern, address, or several of them
        Files of this machine, and whatever fsspec reaches (``s3://...``, ``https://...``). Sheets and
        second files are found beside each capture.
    profile : Profile or path, optional
        Compares each capture with the setting that its sheet names, or with `setting`.
    engine : str
        ``threads``; ``dask``, with `client` or on this machine; ``ray``, on the connected cluster or on
        this machine.
    out : path or address
        Folder of the table.
    workers : int, optional
        Captures measured at a time; all cores of this machine by default.
    chunk : int
        Captures of one file of the table, and of one task.
    storage_options : dict, optional
        For fsspec.
    progress : callable, optional
        Called with captures done and their total. By default a bar, where tqdm is installed and standard
        error is a terminal.
    **options
        As in :func:`crestbook.measure`.

    Raises
    ------
    UseError
        Where nothing is found, an argument is wrong, or an engine is not installed.
    OutputError
        Where the table can't be written.
    """
    if engine not in ("threads", "dask", "ray"):
        raise UseError(f"engine={engine!r}", help="threads, dask or ray")
    if client is not None and engine != "dask":
        raise UseError("`client` belongs to engine='dask'")
    if workers is not None and workers < 1:
        raise UseError(f"workers={workers}", help="give at least 1")
    storage = dict(storage_options or {})
    expected = None
    if profile is not None:
        expected = profile if isinstance(profile, Profile) else Profile(profile)
        if setting is not None:
            expected.setting(setting)
    elif setting is not None:
        raise UseError("`setting` belongs to a profile", help="give the profile too")
    if isinstance(captures, (str, os.PathLike)):
        places: list[str | os.PathLike[str]] = [captures]
    elif isinstance(captures, Iterable):
        places = list(captures)
    else:
        raise UseError(f"{captures!r} is no path", help="give paths, folders, patterns or addresses")
    if not isinstance(out, (str, os.PathLike)):
        raise UseError(f"out={out!r}", help="give the folder of the table")
    if not isinstance(chunk, int) or not 1 <= chunk <= 100_000:
        raise UseError(f"chunk={chunk!r}", help="give 1 to 100000 captures")
    sources = listed(places, storage, os.fspath(out))
    if not sources:
        raise UseError("no captures are there", help=f"looked at: {places[:3]}")
    how = How(os.fspath(out), storage, expected.text if expected else None, setting, options, uuid4().hex)
    _try_options(how)
    store = Store(how.out, storage)
    store.make()
    held = store.lock()
    store.sweep()
    known = known_of(store)
    fresh = [source for source in sources if stamp_key(source, how) not in known]
    total = Done(known=len(sources) - len(fresh))
    tell = _teller(progress)
    tell(total.known, len(sources))
    tasks = (Task(how, part) for part in _parts(fresh, chunk))
    for task, outcome in _spread(engine, tasks, workers, client):
        _count(total, task, outcome)
        tell(total.known + total.measured + len(total.unread), len(sources))
    _keep_unread(store, total)
    if held is not None:
        held.close()
    return BatchReport(
        how.out,
        len(sources),
        total.measured,
        total.failed,
        total.known,
        tuple(sorted(total.unread)),
    )


def _try_options(how: How) -> None:
    """Refuses wrong options before the first capture is fetched."""
    import numpy as np

    probe = np.sin(np.arange(4096) * 0.3)
    _engine.from_arrays(probe, None, 1e7, None).measure(how.options or None, None)


def _parts(sources: list[Source], chunk: int) -> Iterator[tuple[Source, ...]]:
    for start in range(0, len(sources), chunk):
        yield tuple(sources[start : start + chunk])


def _spread(
    engine: str, tasks: Iterable[Task], workers: int | None, client: Any
) -> Iterator[tuple[Task, Done | Exception]]:
    if engine == "dask":
        return _engines.dask(tasks, workers, client)
    if engine == "ray":
        return _engines.ray(tasks, workers)
    return _engines.threads(tasks, workers)


def _count(total: Done, task: Task, outcome: Done | Exception) -> None:
    if isinstance(outcome, Exception):
        # Nothing of it is in the table: the next run tries it again.
        why = f"the worker failed: {outcome}"
        total.unread.extend((source.name, why) for source in task.sources)
        return
    total.measured += outcome.measured
    total.failed += outcome.failed
    total.known += outcome.known
    total.rows += outcome.rows
    total.unread.extend(outcome.unread)


def _keep_unread(store: Store, total: Done) -> None:
    """Rows of what could not be had in this run, in the place of those of the last."""
    if not total.unread:
        store.remove(_UNREAD)
        return
    rows = [Table(_engine.fault_row(name, why)) for name, why in sorted(total.unread)]
    store.write(_UNREAD, Table.joined(rows).to_parquet())


def _teller(progress: Callable[[int, int], object] | None) -> Callable[[int, int], object]:
    if progress is not None:
        return progress
    import sys

    if not sys.stderr.isatty():
        return lambda done, total: None
    try:
        from tqdm import tqdm
    except ImportError:
        return lambda done, total: None
    bar = tqdm(unit="capture")

    def tell(done: int, total: int) -> None:
        bar.total = total
        bar.update(done - bar.n)
        if done == total:
            bar.close()

    return tell
