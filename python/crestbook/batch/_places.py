"""Files on this machine and elsewhere, as far as a batch needs them."""

from __future__ import annotations

import glob
import os
import re
import tempfile
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from .. import _engine
from ..errors import UseError

#: Endings of files that belong to a capture but are none.
_COMPANIONS = (".capture.toml", ".truth.json", ".sigmf-data", ".layout.toml")
#: Endings of the second file of a pair, in the place of the first one's own.
_SECONDS = (".sigmf-data", ".dat", ".DAT")
#: Names of the files of a table.
_OWN = re.compile(r"(part-[0-9a-f]{24}\.(parquet|known)|seen-[0-9a-f]{24}\.known|unread\.parquet|\.lock)")


def is_url(place: str) -> bool:
    """Whether it is an address and not a path."""
    return "://" in place


def filesystem(url: str, options: dict[str, Any]) -> tuple[Any, str]:
    """The file system of an address, and the path in it; needs fsspec."""
    try:
        from fsspec.core import url_to_fs
    except ImportError as error:
        raise UseError(
            f"{url} needs fsspec", help='pip install ".[remote]" in the checkout'
        ) from error
    try:
        found: tuple[Any, str] = url_to_fs(url, **options)
    except ImportError as error:
        raise UseError(f"{url}: {error}", help='pip install ".[remote]" in the checkout') from error
    return found


@dataclass(frozen=True)
class Source:
    """A capture to be measured, and what stands beside it under the same stem."""

    #: As it stands in the table.
    name: str
    #: Sizes and times or tags of its files as listed: equal where nothing changed.
    stamp: str
    #: Addresses or paths of its files, the data file first.
    files: tuple[str, ...]


def _is_capture(name: str) -> bool:
    low = name.lower()
    return (
        not low.startswith(".")
        and not low.endswith(_COMPANIONS)
        and _engine.may_hold_data(Path(name))
    )


def _stamp(infos: Iterable[dict[str, Any]]) -> str:
    def one(info: dict[str, Any]) -> str:
        told = [
            info.get(key) for key in ("size", "ETag", "etag", "mtime", "LastModified", "md5Hash")
        ]
        return f"{info['name']} {told}"

    return "\n".join(one(info) for info in infos)


def _is_second(name: str, names: dict[str, Any]) -> bool:
    """Whether a file beside it describes this one, which holds bare numbers."""
    stem, dot, ending = name.rpartition(".")
    return ending.lower() == "dat" and any(f"{stem}{dot}{one}" in names for one in ("cfg", "CFG"))


def _beside(name: str, names: dict[str, Any]) -> list[str]:
    """The data file, then its sheet and its second file, where they are there."""
    inner = name[:-3] if name.lower().endswith(".gz") else name
    stem = inner.rpartition(".")[0] or inner
    sheets = [f"{one}.capture.toml" for one in (name, inner, stem)]
    seconds = [stem + ending for ending in _SECONDS]
    wanted = dict.fromkeys(one for one in [*sheets, *seconds] if one != name)
    return [name, *(one for one in wanted if one in names)]


def _local(patterns: list[str], but: str) -> list[Source]:
    paths: set[str] = set()
    table = os.path.realpath(but)
    for pattern in map(os.path.normpath, patterns):
        if os.path.isdir(pattern):
            for folder, inner, names in os.walk(pattern):
                if any(name.endswith(".known") for name in names):
                    continue  # A table, of whichever batch.
                if "job.toml" in names:
                    # Of a job the captures alone, not its results.
                    inner[:] = [name for name in inner if name == "captures"]
                    continue
                paths.update(os.path.join(folder, name) for name in names if _is_capture(name))
        elif glob.has_magic(pattern) and not os.path.exists(pattern):
            found = glob.glob(pattern, recursive=True)
            paths.update(path for path in found if _is_capture(os.path.basename(path)))
        else:
            # Named outright it is tried, whatever it is.
            paths.add(pattern)
    folders: dict[str, dict[str, Any]] = {}
    sources = []
    for path in sorted(paths):
        folder, name = os.path.split(path)
        if os.path.realpath(folder) == table:
            continue  # The table itself.
        if folder not in folders:
            try:
                entries = list(os.scandir(folder or "."))
            except OSError:
                entries = []
            folders[folder] = {entry.name: entry for entry in entries if entry.is_file()}
        there = folders[folder]
        if path not in patterns and _is_second(name, there):
            continue
        own = _beside(name, there)
        infos = []
        for one in own:
            if one in there:
                facts = there[one].stat()
                infos.append({"name": one, "size": facts.st_size, "mtime": facts.st_mtime_ns})
        files = tuple(os.path.join(folder, one) for one in own)
        sources.append(Source(path, _stamp(infos) if infos else "", files))
    return sources


def _remote(patterns: list[str], options: dict[str, Any]) -> list[Source]:
    sources = []
    for pattern in patterns:
        fs, path = filesystem(pattern, options)

        def back(inner: str, fs: Any = fs) -> str:
            return str(fs.unstrip_protocol(inner))

        if glob.has_magic(path):
            wanted = [p for p in fs.glob(path) if _is_capture(p.rsplit("/", 1)[-1])]
        elif fs.isdir(path):
            wanted = [p for p in fs.find(path) if _is_capture(p.rsplit("/", 1)[-1])]
        else:
            wanted = [path]
        folders: dict[str, dict[str, Any]] = {}
        for one in sorted(wanted):
            folder, _, name = one.rpartition("/")
            if folder not in folders:
                try:
                    listed = fs.ls(folder, detail=True)
                except (OSError, ValueError, NotImplementedError):
                    # Not every server lists its folders.
                    listed = []
                folders[folder] = {info["name"].rsplit("/", 1)[-1]: info for info in listed}
            there = folders[folder]
            if one != path and _is_second(name, there):
                continue
            own = _beside(name, there)
            stamp = _stamp(there[n] for n in own if n in there)
            files = tuple(back(f"{folder}/{n}" if folder else n) for n in own)
            sources.append(Source(files[0], stamp, files))
    return sources


def listed(
    places: Iterable[str | os.PathLike[str]], options: dict[str, Any], but: str
) -> list[Source]:
    """The captures of paths, folders, patterns and addresses, each once, in the order of their names.

    `but` is the folder of the table, which may lie among them.
    """
    given = []
    for place in places:
        if not isinstance(place, (str, os.PathLike)):
            raise UseError(f"{place!r} is no path", help="give paths, folders, patterns or addresses")
        given.append(os.fspath(place))
    local = _local([place for place in given if not is_url(place)], "" if is_url(but) else but)
    remote = _remote([place for place in given if is_url(place)], options)
    found = {source.name: source for source in [*local, *remote]}
    return [found[name] for name in sorted(found)]


class Fetched:
    """The files of a source on this machine; copies of remote ones go at the end."""

    def __init__(self, source: Source, options: dict[str, Any]) -> None:
        self._folder: tempfile.TemporaryDirectory[str] | None = None
        if not any(is_url(file) for file in source.files):
            self.paths = [Path(file) for file in source.files]
            return
        self._folder = tempfile.TemporaryDirectory(prefix="crestbook-")
        self.paths = []
        try:
            for file in source.files:
                self.paths.append(self._get(file, options))
        except BaseException:
            self._folder.cleanup()
            raise

    def _get(self, file: str, options: dict[str, Any]) -> Path:
        assert self._folder is not None
        fs, inner = filesystem(file, options)
        path = Path(self._folder.name) / inner.rstrip("/").rsplit("/", 1)[-1]
        fs.get_file(inner, str(path))
        return path

    def also(self, source: Source, names: Iterable[str], options: dict[str, Any]) -> None:
        """Fetches files that the sheet names and that do not have the stem of the capture."""
        there = {path.name for path in self.paths}
        base = source.files[0].rpartition("/")[0]
        for name in names:
            bare = name.rsplit("/", 1)[-1]
            if bare == name and bare not in there:
                if self._folder is None:
                    self.paths.append(self.paths[0].with_name(bare))
                else:
                    self.paths.append(self._get(f"{base}/{bare}", options))

    def __enter__(self) -> Fetched:
        return self

    def __exit__(self, *_: object) -> None:
        if self._folder is not None:
            self._folder.cleanup()


class Store:
    """The folder of a table, on this machine or elsewhere."""

    def __init__(self, out: str, options: dict[str, Any]) -> None:
        self.out = out.rstrip("/")
        self.options = options
        self._fs: Any = None
        if is_url(out):
            self._fs, self._path = filesystem(self.out, options)

    def __reduce__(self) -> tuple[Any, ...]:
        return (Store, (self.out, self.options))

    def names(self) -> list[str]:
        """Names of the files in it."""
        if self._fs is None:
            return sorted(os.listdir(self.out)) if os.path.isdir(self.out) else []
        if not self._fs.exists(self._path):
            return []
        self._fs.invalidate_cache()
        return sorted(p.rstrip("/").rsplit("/", 1)[-1] for p in self._fs.ls(self._path, detail=False))

    def lock(self) -> Any:
        """Holds the folder for this process, where the system can; refuses if another one holds it."""
        if self._fs is not None:
            return None
        try:
            import fcntl
        except ImportError:
            return None
        held = open(os.path.join(self.out, ".lock"), "w")  # noqa: SIM115 - held until the end
        try:
            fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            held.close()
            raise UseError(
                f"another batch writes to {self.out}",
                file=self.out,
                help="wait until it is done, or give another folder",
            ) from error
        return held

    def sweep(self) -> None:
        """Takes away parts that a worker had no time to enter in the memory of the table."""
        names = set(self.names())
        for name in names:
            ours = _OWN.fullmatch(name) and name.startswith("part-")
            if ours and name.endswith(".parquet"):
                if name.removesuffix(".parquet") + ".known" not in names:
                    self.remove(name)

    def make(self) -> None:
        """Makes the folder; refuses a file in its place, and a folder of somebody else's files."""
        names = self.names()
        if not any(name.endswith(".known") for name in names):
            strange = next((name for name in names if not _OWN.fullmatch(name)), None)
            if strange is not None:
                raise UseError(
                    f"{self.out} holds {strange}, which is of no batch",
                    file=self.out,
                    help="give a new folder for the table",
                )
        if self._fs is not None:
            self._fs.makedirs(self._path, exist_ok=True)
            return
        if os.path.exists(self.out) and not os.path.isdir(self.out):
            raise UseError(
                f"{self.out} is a file",
                file=self.out,
                help="the table is a folder of Parquet files: give another name",
            )
        os.makedirs(self.out, exist_ok=True)

    def read(self, name: str) -> bytes:
        """The bytes of a file."""
        if self._fs is None:
            return Path(self.out, name).read_bytes()
        return bytes(self._fs.cat_file(f"{self._path}/{name}"))

    def write(self, name: str, data: bytes) -> None:
        """Writes a file: whole, or not at all."""
        if self._fs is not None:
            # An object store shows an object when all of it is there.
            self._fs.pipe_file(f"{self._path}/{name}", data)
            return
        handle, path = tempfile.mkstemp(prefix=".crestbook-", dir=self.out)
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            os.chmod(path, 0o644)
            os.replace(path, os.path.join(self.out, name))
        except BaseException:
            if os.path.exists(path):
                os.unlink(path)
            raise

    def remove(self, name: str) -> None:
        """Takes a file away, where it is there."""
        if self._fs is None:
            Path(self.out, name).unlink(missing_ok=True)
        elif self._fs.exists(f"{self._path}/{name}"):
            self._fs.rm_file(f"{self._path}/{name}")
