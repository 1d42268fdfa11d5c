"""Results over the years: found, drawn, and checked that nothing was altered. Adding is done by `crestbook archive add`."""

from __future__ import annotations

import json
import os
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from . import _engine
from .capture import Picture
from .errors import UseError
from .table import Table
from .verification import JobResult

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["Archive", "Trend", "Verification"]

_STORE = "CRESTBOOK_ARCHIVE"


@dataclass(frozen=True)
class Trend:
    """A measure of one unit over the years."""

    #: Everything, as `crestbook archive trend --json` prints it: points, line, charts, alarm, intervals.
    document: Mapping[str, Any]
    #: The same in words.
    text: str
    #: The picture; none where no value has a day.
    picture: Picture | None

    @property
    def points(self) -> list[dict[str, Any]]:
        """Values, the oldest first: `day`, `value`, `expanded`, `lower`, `upper`, `verdict`, `used`, ..."""
        return list(self.document["points"])

    @property
    def drifts(self) -> bool | None:
        """Whether it drifts or has shifted; none where there are too few values to tell."""
        kind = self.document["alarm"]["is"]
        return None if kind == "too_few" else kind == "drift"

    def __str__(self) -> str:
        return self.text

    def _repr_html_(self) -> str:
        return self.picture.svg if self.picture else ""


@dataclass(frozen=True)
class Verification:
    """What a check of an archive found."""

    #: Everything, as `crestbook archive verify --json` prints it.
    document: Mapping[str, Any]

    @property
    def intact(self) -> bool:
        """Whether all is as it was written."""
        return bool(self.document["intact"])

    @property
    def faults(self) -> list[dict[str, Any]]:
        """What is not: `kind`, `entry`, `message`."""
        return list(self.document["faults"])

    def __bool__(self) -> bool:
        return self.intact


class Archive:
    """An archive that is there; a path, or an address of a server where the engine was built with a client for it.

    Parameters
    ----------
    store
        The archive; left out, the one that the variable `CRESTBOOK_ARCHIVE` names.
    """

    def __init__(self, store: str | os.PathLike[str] | None = None) -> None:
        named = os.environ.get(_STORE, "") if store is None else os.fspath(store)
        if not named:
            raise UseError(f"no archive is named; give a path, or set the variable {_STORE}")
        self._engine = _engine.Archive.open(named)
        self._named = named

    @property
    def origin(self) -> str:
        """Its name, which every checkpoint bears."""
        return self._engine.origin()

    def results(self, **wanted: Any) -> list[dict[str, Any]]:
        """Results, the newest day first.

        Parameters
        ----------
        unit, serial, mode, state, person, role, place, words
            What they are of; each left out does not matter. `words` all occur.
        since, until
            Days as `2026-03-02`.
        verdict
            A verdict or several, such as `"fail"`.
        replaced
            Results that a correction replaced, too.
        most
            The most results.
        """
        return list(json.loads(self._engine.list(_wanted(wanted))))

    def table(self, **wanted: Any) -> Table:
        """All numbers of these results, a row for each; `.to_pandas()` and the like make a data frame."""
        return Table(self._engine.table(_wanted(wanted)))

    def result(self, entry: int | str) -> JobResult:
        """The result of a job, by the number of its entry or the first digits of its SHA-256."""
        return JobResult(self._engine.job(str(entry)))

    def document(self, entry: int | str) -> bytes:
        """The document of a result, byte for byte."""
        return bytes(self._engine.document(str(entry)))

    def trend(
        self,
        serial: str,
        measure: str = "power_w",
        *,
        setting: str | None = None,
        dial: float | None = None,
        load: float | str | None = None,
        part: str | None = None,
        model: str | None = None,
    ) -> Trend:
        """A measure of one unit over the years.

        Raises
        ------
        UseError
            Where there is no such series, or several; the message names them.
        """
        ohm = f"{load:g}" if isinstance(load, (int, float)) else load
        document, text, svg = self._engine.trend(serial, measure, setting, dial, ohm, part, model)
        return Trend(MappingProxyType(json.loads(document)), text, Picture(svg) if svg else None)

    def verify(
        self,
        *,
        checkpoint: str | Path | None = None,
        key: str | Path | None = None,
        captures: bool = True,
    ) -> Verification:
        """Checks everything: every byte against its hash, every row against its entry.

        Parameters
        ----------
        checkpoint
            File of a checkpoint that was kept elsewhere; without one an archive that was made anew as a whole does
            not show.
        key
            File of the public key that must have signed.
        captures
            Whether captures are read, too.
        """
        kept = None if checkpoint is None else Path(checkpoint).read_text(encoding="utf-8")
        found = self._engine.verify(kept, None if key is None else Path(key), captures)
        return Verification(MappingProxyType(json.loads(found)))

    def __repr__(self) -> str:
        return f"Archive({self._named!r})"


def _wanted(wanted: dict[str, Any]) -> str:
    verdict = wanted.get("verdict")
    if isinstance(verdict, str):
        wanted = {**wanted, "verdict": [verdict]}
    return json.dumps({key: value for key, value in wanted.items() if value is not None})
