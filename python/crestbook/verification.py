"""What a unit should put out, and its whole verification."""

from __future__ import annotations

import html
import os
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any

from . import _engine
from .capture import Capture, Progress, Synthetic, read
from .errors import UseError
from .results import Check, Finding, Limit, _Document
from .table import Table

__all__ = ["Job", "JobResult", "Profile", "check", "demo"]


class Profile:
    """The expected profile of a unit; docs/job.md describes the file."""

    __slots__ = ("_profile", "_source")

    def __init__(self, path: str | os.PathLike[str]) -> None:
        """Reads a profile.

        Raises
        ------
        UseError
            Where it can't be read or is wrong, with its line.
        """
        file = Path(path)
        try:
            text = file.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise UseError(f"the profile can't be read: {error}", file=file) from error
        self._take(str(file), text)

    @classmethod
    def parse(cls, text: str, name: str = "profile") -> Profile:
        """A profile from its text."""
        made = cls.__new__(cls)
        made._take(name, text)
        return made

    def _take(self, name: str, text: str) -> None:
        self._profile = _engine.Profile.parse(name, text)
        self._source = (name, text)

    def __reduce__(self) -> tuple[Any, ...]:
        name, text = self._source
        return (Profile.parse, (text, name))

    @property
    def model(self) -> str | None:
        """Model of the unit."""
        return self._profile.model

    @property
    def text(self) -> str:
        """The text it was read from."""
        return self._source[1]

    @property
    def settings(self) -> tuple[str, ...]:
        """Ids of the settings."""
        return tuple(self._profile.settings)

    def setting(self, id: str) -> dict[str, Any]:
        """One setting with its limits."""
        found = self._profile.setting(id)
        if found is None:
            raise UseError(
                f"the profile has no setting {id!r}", help=f"it has: {', '.join(self.settings)}"
            )
        return found

    def steps(self) -> list[str]:
        """Ids of the steps that its plan asks for."""
        return self._profile.steps()

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Profile) and self.text == other.text

    __hash__ = None  # type: ignore[assignment]

    def __repr__(self) -> str:
        return f"<crestbook.Profile {self.model or '?'}: {', '.join(self.settings)}>"


def check(
    capture: Capture | Synthetic | str | os.PathLike[str],
    profile: Profile | str | os.PathLike[str],
    setting: str | None = None,
    *,
    progress: Progress | None = None,
    **options: Any,
) -> Check:
    """Measures a capture and compares it with a setting of a profile.

    Parameters
    ----------
    capture : Capture, Synthetic or path
        What to measure.
    profile : Profile or path
        What is expected.
    setting : str, optional
        Id of the setting; by default the one that the sheet names.
    **options
        As in :func:`crestbook.measure`; they prevail over the profile.
    """
    if isinstance(capture, Synthetic):
        capture = capture.capture()
    what = capture if isinstance(capture, Capture) else read(capture)
    expected = profile if isinstance(profile, Profile) else Profile(profile)
    return what.check(expected, setting, progress=progress, **options)


class JobResult(_Document):
    """What became of a verification: verdicts, steps, findings."""

    __slots__ = ()
    _document: _engine.JobResult

    @classmethod
    def from_json(cls, text: str) -> JobResult:
        return cls(_engine.JobResult.from_json(text))

    @classmethod
    def read(cls, path: str | os.PathLike[str]) -> JobResult:
        """Reads the result.json of a job, which must be as it was written."""
        try:
            text = Path(path).read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise UseError(f"the result can't be read: {error}", file=Path(path)) from error
        return cls.from_json(text)

    def _head(self) -> dict[str, Any]:
        head: dict[str, Any] = self._once("head", self._document.head)
        return head

    @property
    def verdict(self) -> str:
        """The worst verdict."""
        told: str = self._head()["verdict"]
        return told

    @property
    def job(self) -> Mapping[str, Any]:
        """Unit, people, place, days."""
        return MappingProxyType(self._head()["job"])

    @property
    def plan(self) -> Mapping[str, Any]:
        """The plan it was judged by."""
        return MappingProxyType(self._head()["plan"])

    @property
    def counts(self) -> Mapping[str, int]:
        """Steps by state."""
        return MappingProxyType(self._head()["counts"])

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What is not as it should be with the job as a whole."""
        return tuple(Finding(**finding) for finding in self._head()["findings"])

    @property
    def lines(self) -> tuple[tuple[str, Limit], ...]:
        """Each judged line with the group it belongs to."""
        groups = self._head()["groups"]
        return tuple(
            (group["id"], Limit._of({"in": "", **line}))
            for group in groups
            for line in group["lines"]
        )

    @property
    def steps(self) -> tuple[str, ...]:
        """Ids of the steps."""
        return tuple(self._document.steps)

    def step(self, id: str) -> dict[str, Any]:
        """One step with its capture, as dicts and lists."""
        found = self._document.step(id)
        if found is None:
            raise UseError(
                f"the job has no step {id!r}", help=f"it has: {', '.join(self.steps)}"
            )
        return found

    def text(self) -> str:
        """The summary that the command line shows, with the reasons."""
        return self._document.text()

    def report(self, path: str | os.PathLike[str]) -> Path:
        """Writes the report as .html, .json or .csv."""
        self._document.report(Path(path))
        return Path(path)

    def table(self, name: str = "") -> Table:
        """The long table; `name` stands in its column `job`."""
        return Table(self._document.table(name))

    def __repr__(self) -> str:
        unit = self.job["unit"]
        named = ", ".join(str(unit[key]) for key in ("model", "serial") if key in unit)
        counts = self.counts
        todo = counts["steps"] - counts["pass"]
        return (
            f"<crestbook.JobResult {named}: {self.verdict}; {counts['steps']} steps, "
            f"{todo} not a pass>"
        )

    def _repr_html_(self) -> str:
        rows = "".join(
            f"<tr><td>{html.escape(group)}</td><td>{html.escape(line.measure)}</td>"
            f"<td>{html.escape(line.verdict)}</td><td>{html.escape(line.reason or '')}</td></tr>"
            for group, line in self.lines
            if line.verdict != "pass"
        )
        return f"<p>{html.escape(repr(self))}</p><table>{rows}</table>"


class Job:
    """A whole verification of one unit in one folder; docs/job.md."""

    __slots__ = ("_job",)

    def __init__(self, folder: str | os.PathLike[str]) -> None:
        """Opens the job of a folder.

        Raises
        ------
        UseError
            Where there is none, its files are wrong, or the plan is not the pinned one.
        """
        self._job = _engine.Job(Path(folder))

    @classmethod
    def init(
        cls,
        folder: str | os.PathLike[str],
        profile: str | os.PathLike[str],
        *,
        bench: str | os.PathLike[str] | None = None,
        state: str = "as found",
        model: str | None = None,
        serial: str | None = None,
        inventory: str | None = None,
        reason: str | None = None,
        taken_at: str | None = None,
    ) -> Job:
        """Begins a job: folder, a prepared sheet for each capture, check list."""
        made = cls.__new__(cls)
        made._job = _engine.begin_job(
            Path(folder),
            Path(profile),
            None if bench is None else Path(bench),
            state,
            model,
            serial,
            inventory,
            reason,
            taken_at,
        )
        return made

    @property
    def folder(self) -> Path:
        """Its folder."""
        return Path(self._job.folder)

    @property
    def steps(self) -> list[dict[str, Any]]:
        """Each step in the order of work: id, setting, dial, load_ohm, open, to_capture."""
        return self._job.steps()

    def judge(
        self,
        *,
        write: bool = True,
        jobs: int | None = None,
        rehash: bool = False,
        against: str | os.PathLike[str] | None = None,
        progress: Progress | None = None,
    ) -> JobResult:
        """Measures all captures and judges them together.

        Parameters
        ----------
        write : bool
            Whether the reports are written into the folder.
        jobs : int, optional
            Captures measured at a time.
        rehash : bool
            Whether every data file is hashed anew.
        against : path, optional
            Folder of an earlier job to compare with.
        """
        earlier = None if against is None else Path(against)
        return JobResult(self._job.judge(write, jobs, rehash, earlier, progress))

    @property
    def result(self) -> JobResult:
        """The result that the last run left in the folder."""
        return JobResult(self._job.result())

    def note(self, step: str, value: str | float, unit: str | None = None, **more: Any) -> None:
        """Notes a reading by hand; `more`: uncertainty, comment, meter, meter_due, taken_at, by."""
        self._job.note({"step": step, "value": str(value), "unit": unit, **more})

    def __repr__(self) -> str:
        return f"<crestbook.Job {self.folder}>"


def demo(folder: str | os.PathLike[str], *, progress: Progress | None = None) -> Job:
    """Creates the invented bench with a whole job."""
    _engine.demo(Path(folder), progress)
    return Job(folder)
