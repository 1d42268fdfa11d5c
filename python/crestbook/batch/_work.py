"""What a worker does: measure some captures, write their rows as one part of the table."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from .. import _engine
from ..errors import CrestbookError
from ..table import Table
from ..verification import Profile
from ._places import Fetched, Source, Store

#: Bytes of one key in the memory of a table.
KEY = 16


def _plain(value: object) -> str:
    """One text for one value, whatever its type."""
    if isinstance(value, np.generic):
        value = value.item()
    return repr(float(value)) if isinstance(value, (int, float)) else repr(value)


@dataclass(frozen=True)
class How:
    """What all captures of a batch are measured by."""

    out: str
    storage: dict[str, Any]
    profile: str | None
    setting: str | None
    options: dict[str, Any]
    #: Sign of this run: what a worker remembers of the table holds for one run.
    run: str = ""

    def mark(self) -> bytes:
        """What every result hangs on beside its capture."""
        told = sorted((key, _plain(value)) for key, value in self.options.items())
        parts = [_engine.__version__, self.profile or "", self.setting or "", repr(told)]
        return "\0".join(parts).encode()


@dataclass(frozen=True)
class Task:
    """Captures that become one part."""

    how: How
    sources: tuple[Source, ...]


@dataclass
class Done:
    """What became of a task."""

    measured: int = 0
    failed: int = 0
    known: int = 0
    rows: int = 0
    #: Captures whose bytes could not be had: they are tried again.
    unread: list[tuple[str, str]] = field(default_factory=list)


def short(digest: str | bytes) -> bytes:
    """A digest as the memory of a table keeps it."""
    raw = bytes.fromhex(digest) if isinstance(digest, str) else digest
    return raw[:KEY]


def stamp_key(source: Source, how: How) -> bytes:
    """Key of a capture by what a listing tells; empty where it tells nothing."""
    if not source.stamp:
        return b""
    told = b"\0".join([b"stamp", source.name.encode(), source.stamp.encode(), how.mark()])
    return short(hashlib.sha256(told).digest())


class Known:
    """Keys of what is in a table, sorted: 16 bytes each."""

    def __init__(self, data: bytes) -> None:
        self._keys = np.unique(np.frombuffer(data, dtype=f"S{KEY}"))

    def __contains__(self, key: bytes) -> bool:
        if not key or self._keys.size == 0:
            return False
        # NumPy's S type drops zeros at the end; the comparison does the same on both sides.
        wanted = np.array([key], dtype=f"S{KEY}")
        at = int(np.searchsorted(self._keys, wanted)[0])
        return at < self._keys.size and bool(self._keys[at] == wanted[0])


def known_of(store: Store) -> Known:
    """All that is in a table."""
    return Known(b"".join(store.read(n) for n in store.names() if n.endswith(".known")))


#: What was in the table when this process first looked, by run.
_SEEN: dict[str, Known] = {}


def _seen(how: How, store: Store) -> Known:
    if how.run not in _SEEN:
        _SEEN.clear()
        _SEEN[how.run] = known_of(store)
    return _SEEN[how.run]


@lru_cache(maxsize=4)
def _profile(text: str) -> Profile:
    return Profile.parse(text)


def _sha256(path: Path) -> str:
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while piece := file.read(1 << 20):
            digest.update(piece)
    return digest.hexdigest()


def _one(source: Source, how: How, known: Known, done: Done) -> tuple[Table | None, bytes] | None:
    """Rows and key of one capture.

    No rows where the table holds them already, nothing where its bytes can't be had.
    """
    try:
        with Fetched(source, how.storage) as fetched:
            sheets = [path for path in fetched.paths if path.name.endswith(".capture.toml")]
            for sheet in sheets:
                try:
                    named = _engine.parts_of_sheet(sheet.read_text(encoding="utf-8"))
                except (CrestbookError, UnicodeDecodeError):
                    continue  # Measuring it says what is wrong.
                fetched.also(source, named, how.storage)
            hashes = [_sha256(path) for path in fetched.paths]
            parts = [source.name.encode(), how.mark(), *(digest.encode() for digest in hashes)]
            key = _engine.key_of(parts)
            if short(key) in known:
                return None, short(key)
            profile = None if how.profile is None else _profile(how.profile)._profile
            table = Table(
                _engine.rows_of_capture(
                    fetched.paths[0],
                    source.name,
                    hashes[0],
                    key,
                    profile,
                    how.setting,
                    how.options or None,
                )
            )
    except (OSError, CrestbookError) as error:
        done.unread.append((source.name, f"{error}"))
        return None
    return table, short(key)


def work(task: Task) -> Done:
    """Measures the captures of a task and writes them as a part of the table.

    The same captures give the same file, byte for byte: a task that is done twice does no harm.
    """
    how, done = task.how, Done()
    store = Store(how.out, how.storage)
    known = _seen(how, store)
    moved: list[bytes] = []
    tables: list[Table] = []
    keys: list[bytes] = []
    stamps: list[bytes] = []
    for source in task.sources:
        found = _one(source, how, known, done)
        if found is None:
            continue
        table, key = found
        if table is None:
            # Touched, but the same: next time the listing tells.
            done.known += 1
            moved.append(stamp_key(source, how))
            continue
        kinds = set(table["kind"])
        done.failed += kinds == {"error"}
        done.measured += 1
        tables.append(table)
        keys.append(key)
        stamps.append(stamp_key(source, how))
    if tables:
        joined = Table.joined(tables)
        done.rows = len(joined)
        name = hashlib.sha256(b"".join(keys)).hexdigest()[:24]
        store.write(f"part-{name}.parquet", joined.to_parquet())
        # The memory after the rows: what it holds is in the table.
        store.write(f"part-{name}.known", b"".join([*keys, *(s for s in stamps if s)]))
    if any(moved):
        name = hashlib.sha256(b"".join(moved)).hexdigest()[:24]
        store.write(f"seen-{name}.known", b"".join(moved))
    return done
