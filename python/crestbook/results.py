"""Results: values with their uncertainty, and the reason where there is none."""

from __future__ import annotations

import html
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, overload

from . import _engine
from .errors import NotMeasured, NotMeasuredAttribute, UseError
from .table import Table

if TYPE_CHECKING:
    import pandas
    import polars
    import pyarrow
    import uncertainties

__all__ = [
    "MEASURES",
    "BudgetLine",
    "Check",
    "Coverage",
    "Cycles",
    "Estimate",
    "Finding",
    "Flag",
    "Limit",
    "MeasureInfo",
    "MeasureSet",
    "Measurement",
    "Phase",
    "Phases",
    "Simulated",
]


@dataclass(frozen=True)
class MeasureInfo:
    """What a measure is: its key, its name for people, and its unit."""

    key: str
    title: str
    unit: str


#: Every measure by its key; docs/measures.md defines each.
MEASURES: Mapping[str, MeasureInfo] = MappingProxyType(
    {row["key"]: MeasureInfo(**row) for row in _engine.measures()}
)


@dataclass(frozen=True)
class Coverage:
    """The interval that holds the value in 95 of 100 cases: value ± U."""

    expanded_uncertainty: float
    coverage_factor: float
    #: Effective degrees of freedom; ``None`` where there is no end to them.
    degrees_of_freedom: float | None = None


@dataclass(frozen=True)
class BudgetLine:
    """One term of an uncertainty."""

    input: str
    unit: str
    estimate: float
    distribution: str
    standard_uncertainty: float
    sensitivity: float
    contribution: float
    share: float
    degrees_of_freedom: float | None = None
    term: str | None = None


@dataclass(frozen=True)
class Simulated:
    """The same by drawing from the distributions (JCGM 101)."""

    draws: int
    mean: float
    standard_uncertainty: float
    low: float
    high: float
    tolerance: float
    settled: bool
    validates_linear: bool


@dataclass(frozen=True)
class Estimate:
    """A value with all that is known of its uncertainty, in the unit of the measure.

    ``str(e)`` shows both, with ``?`` where the uncertainty is at least what is told.
    """

    measure: str
    value: float
    standard_uncertainty: float | None = None
    coverage: Coverage | None = None
    #: Standard deviation over the repetitions that the value is the mean of.
    standard_deviation: float | None = None
    #: Terms that the uncertainty leaves out because nothing is stated of them.
    missing_terms: tuple[str, ...] = ()
    #: Whether one of those is a scale or the load.
    partial: bool = False
    budget: tuple[BudgetLine, ...] | None = None
    monte_carlo: Simulated | None = None

    @property
    def unit(self) -> str:
        """Symbol of the unit; empty for a plain number."""
        return MEASURES[self.measure].unit

    @property
    def u(self) -> float | None:
        """Standard uncertainty."""
        return self.standard_uncertainty

    @property
    def U(self) -> float | None:
        """Expanded uncertainty, 95 %."""
        return None if self.coverage is None else self.coverage.expanded_uncertainty

    @property
    def k(self) -> float | None:
        """Coverage factor of U."""
        return None if self.coverage is None else self.coverage.coverage_factor

    @property
    def degrees_of_freedom(self) -> float:
        """Effective degrees of freedom; infinity where there is no end to them."""
        freedom = None if self.coverage is None else self.coverage.degrees_of_freedom
        return float("inf") if freedom is None else freedom

    @property
    def distribution(self) -> str | None:
        """How the value is taken to be distributed; ``None`` without an uncertainty.

        ``"t"`` with few degrees of freedom, ``"normal"`` with many, ``"trapezoidal"`` where one or two
        rectangular terms outweigh the rest, so that k is below 1.96.
        """
        if self.k is None:
            return None
        if self.k < 1.955:
            return "trapezoidal"
        return "t" if self.degrees_of_freedom < 1e3 else "normal"

    @property
    def at_least(self) -> bool:
        """Whether the uncertainty is only a lower bound: it lacks a scale, the load or the clock."""
        return self.partial or _engine.TIME_BASE in self.missing_terms

    def to_ufloat(self) -> uncertainties.core.Variable:
        """As a number of the ``uncertainties`` library, tagged with the measure.

        Raises
        ------
        NotMeasured
            Where the uncertainty is not known.
        """
        try:
            import uncertainties
        except ImportError as error:
            raise UseError(f"{error}", help="pip install uncertainties") from error
        if self.standard_uncertainty is None:
            raise NotMeasured(
                f"the uncertainty of {self.measure} is not known",
                code="not_stated",
                help=f"state in the sheet: {', '.join(self.missing_terms) or 'scales and load'}",
            )
        return uncertainties.ufloat(self.value, self.standard_uncertainty, tag=self.measure)

    def __float__(self) -> float:
        return self.value

    def __str__(self) -> str:
        unit = f" {self.unit}" if self.unit else ""
        if self.U is None:
            return f"{self.value:.6g}{unit} (uncertainty not known)"
        doubt = " ?" if self.at_least else ""
        return f"{_beside(self.value, self.U)}{unit}{doubt}"

    def _repr_html_(self) -> str:
        return html.escape(str(self))

    @classmethod
    def _of(cls, measure: str, told: Mapping[str, Any]) -> Estimate:
        coverage = None
        if "expanded_uncertainty" in told:
            coverage = Coverage(
                told["expanded_uncertainty"],
                told["coverage_factor"],
                told.get("degrees_of_freedom"),
            )
        lines = told.get("budget")
        drawn = told.get("monte_carlo")
        return cls(
            measure=measure,
            value=told["value"],
            standard_uncertainty=told.get("standard_uncertainty"),
            coverage=coverage,
            standard_deviation=told.get("standard_deviation"),
            missing_terms=tuple(told.get("missing_terms", ())),
            partial=told.get("partial", False),
            budget=None if lines is None else tuple(BudgetLine(**line) for line in lines),
            monte_carlo=None if drawn is None else Simulated(**drawn),
        )


def _beside(value: float, expanded: float) -> str:
    """Value and U to the same digit, U with two that count; no more than eight of the value."""
    from math import floor, log10

    digits = 1 - floor(log10(expanded)) if expanded > 0 else 12
    most = 7 - floor(log10(abs(value))) if value else 7
    if digits > most:
        return f"{value:.8g} ± {expanded:.1e}" if expanded > 0 else f"{value:.8g} ± 0"
    places = max(digits, 0)
    return f"{round(value, digits):.{places}f} ± {round(expanded, digits):.{places}f}"


def _no_measure(key: str) -> str:
    from difflib import get_close_matches

    near = get_close_matches(key, MEASURES, 1)
    return f"there is no measure {key!r}" + (f"; did you mean {near[0]!r}?" if near else "")


class MeasureSet(Mapping[str, Estimate]):
    """The measures of one stretch, by key, and the reasons for those that can't be had.

    ``set["power_w"]`` and ``set.power_w`` are the same; both raise :class:`NotMeasured` with the reason
    where the measure can't be had. ``set.get("power_w")`` is then ``None``.
    """

    __slots__ = ("_all", "_missing", "flags")

    #: Of a stretch: what is in doubt about the record it is of.
    flags: tuple[Flag, ...]

    def __init__(self, told: Mapping[str, Any], flags: tuple[Flag, ...] = ()) -> None:
        self.flags = flags
        known = {key: one for key, one in told.items() if key in MEASURES}
        self._all = {key: Estimate._of(key, one) for key, one in known.items()}
        self._missing: Mapping[str, str] = MappingProxyType(dict(told.get("missing", {})))

    @property
    def missing(self) -> Mapping[str, str]:
        """Why the other measures can't be had."""
        return self._missing

    def __getitem__(self, key: str) -> Estimate:
        found = self._all.get(key)
        if found is not None:
            return found
        if key not in MEASURES:
            raise KeyError(_no_measure(key))
        raise NotMeasured(self._why(key), code="not_stated")

    def _why(self, key: str) -> str:
        return self._missing.get(key, "the file does not tell")

    def __reduce__(self) -> tuple[Any, ...]:
        return (_set_again, (self._all, dict(self._missing), self.flags))

    def get(self, key: str, default: Any = None) -> Any:
        """The measure, or ``default`` where it can't be had."""
        return self._all.get(key, default)

    def __getattr__(self, key: str) -> Estimate:
        if key.startswith("_"):
            raise AttributeError(key)
        if key not in MEASURES:
            raise AttributeError(_no_measure(key))
        found = self._all.get(key)
        if found is None:
            raise NotMeasuredAttribute(self._why(key), code="not_stated")
        return found

    def __dir__(self) -> list[str]:
        return [*super().__dir__(), *MEASURES]

    def __contains__(self, key: object) -> bool:
        return key in self._all

    def __iter__(self) -> Iterator[str]:
        return iter(self._all)

    def __len__(self) -> int:
        return len(self._all)

    def __repr__(self) -> str:
        return f"<crestbook.MeasureSet: {', '.join(f'{key} {one}' for key, one in self._all.items())}>"

    def _repr_html_(self) -> str:
        def row(key: str, shown: str) -> str:
            title = html.escape(MEASURES[key].title)
            return f"<tr><td>{title}</td><td><code>{key}</code></td><td>{html.escape(shown)}</td></tr>"

        rows = [row(key, str(one)) for key, one in self._all.items()]
        rows += [row(key, f"not measured: {why}") for key, why in self._missing.items()]
        return f"<table>{''.join(rows)}</table>"


def _set_again(
    all: dict[str, Estimate], missing: dict[str, str], flags: tuple[Flag, ...]
) -> MeasureSet:
    made = MeasureSet({"missing": missing}, flags)
    made._all.update(all)
    return made


@dataclass(frozen=True)
class Flag:
    """What is in doubt, and what to do."""

    code: str
    message: str
    #: Keys of the measures that it puts in doubt; ``phases`` for the phases themselves.
    measures: tuple[str, ...] = ()
    #: Kinds of the phases in which it was seen; empty where it touches the whole record.
    kinds: tuple[str, ...] = ()
    relative_size: float | None = None
    samples: int | None = None

    @classmethod
    def _of(cls, told: Mapping[str, Any]) -> Flag:
        return cls(
            told["code"],
            told["message"],
            tuple(told.get("measures", ())),
            tuple(told.get("in", ())),
            told.get("relative_size"),
            told.get("samples"),
        )


@dataclass(frozen=True)
class Phase:
    """A stretch of one kind: ``cut``, ``coag`` or ``rest``."""

    kind: str
    start_s: float
    end_s: float
    #: Whether the record begins or ends inside it.
    cut_off: bool
    measures: MeasureSet
    #: Kind by the waveform alone, where the expected sequence names it otherwise.
    measured_kind: str | None = None
    invalid_share: float | None = None

    @property
    def duration_s(self) -> float:
        """Length, s."""
        return self.end_s - self.start_s

    @classmethod
    def _of(cls, told: Mapping[str, Any]) -> Phase:
        return cls(
            told["kind"],
            told["start_s"],
            told["end_s"],
            told["cut_off"],
            MeasureSet(told),
            told.get("measured_kind"),
            told.get("invalid_share"),
        )


class Phases(Sequence[Phase]):
    """The phases of a record, in order; each is made when it is asked for."""

    __slots__ = ("_document",)

    def __init__(self, document: _engine.Measurement) -> None:
        self._document = document

    def __len__(self) -> int:
        return self._document.phase_count()

    @overload
    def __getitem__(self, at: int) -> Phase: ...
    @overload
    def __getitem__(self, at: slice) -> list[Phase]: ...
    def __getitem__(self, at: int | slice) -> Phase | list[Phase]:
        if isinstance(at, slice):
            return [self[k] for k in range(*at.indices(len(self)))]
        k = at + len(self) if at < 0 else at
        told = self._document.phase(k) if k >= 0 else None
        if told is None:
            raise IndexError(f"the record has {len(self)} phases")
        return Phase._of(told)

    def __reduce__(self) -> tuple[Any, ...]:
        return (_phases_again, (self._document.to_json(),))

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Phases) and self._document == other._document

    __hash__ = None  # type: ignore[assignment]

    def __repr__(self) -> str:
        return f"<crestbook.Phases: {len(self)}>"


def _phases_again(text: str) -> Phases:
    return Phases(_engine.Measurement.from_json(text))


@dataclass(frozen=True)
class Cycles:
    """The repeating sequence of phases."""

    count: int
    sequence: tuple[str, ...]
    period_s: Estimate | None
    #: Measures over all whole cycles; ``None`` where there is no whole one.
    measures: MeasureSet | None

    @classmethod
    def _of(cls, told: Mapping[str, Any]) -> Cycles:
        period, measures = told.get("period_s"), told.get("measures")
        return cls(
            told["count"],
            tuple(told["sequence"]),
            None if period is None else Estimate._of("duration_s", period),
            None if measures is None else MeasureSet(measures),
        )


class _Document:
    """What all results share."""

    __slots__ = ("_document", "_held")
    _document: Any
    _held: dict[str, Any]

    def __init__(self, document: Any) -> None:
        object.__setattr__(self, "_document", document)
        object.__setattr__(self, "_held", {})

    def __setattr__(self, name: str, value: object) -> None:
        raise AttributeError(f"a {type(self).__name__} can't be changed")

    def _once(self, name: str, make: Any) -> Any:
        if name not in self._held:
            self._held[name] = make()
        return self._held[name]

    def __eq__(self, other: object) -> bool:
        return type(self) is type(other) and self._document == other._document

    __hash__ = None  # type: ignore[assignment]

    def __reduce__(self) -> tuple[Any, ...]:
        return (type(self).from_json, (self.to_json(),))

    @classmethod
    def from_json(cls, text: str) -> Any:
        """Reads the document that :meth:`to_json` or the command line wrote.

        Raises
        ------
        DataError
            Where it is none, of another kind or form, or damaged.
        """
        raise NotImplementedError

    def to_json(self) -> str:
        """The document that the command line prints with ``--json``, number by number."""
        text: str = self._document.to_json()
        return text

    def to_dict(self) -> dict[str, Any]:
        """The same as dicts and lists."""
        told: dict[str, Any] = json.loads(self.to_json())
        return told

    def table(self) -> Table:
        """The long table: a row for each value, reason, flag and finding."""
        return Table(self._document.table())

    def to_arrow(self) -> pyarrow.Table:
        """The long table for pyarrow."""
        return self.table().to_arrow()

    def to_polars(self) -> polars.DataFrame:
        """The long table for polars."""
        return self.table().to_polars()

    def to_pandas(self) -> pandas.DataFrame:
        """The long table for pandas."""
        return self.table().to_pandas()

    def __arrow_c_stream__(self, requested_schema: object = None) -> object:
        return self.table().__arrow_c_stream__(requested_schema)


class Measurement(_Document):
    """What one record gave: phases, measures with uncertainty, flags.

    >>> import crestbook
    >>> m = crestbook.synth("continuous", peak_v=300.0, load_ohm=500.0).measure()
    >>> round(m.whole.power_w.value, 3)
    90.0
    >>> [phase.kind for phase in m.phases]
    ['cut']
    """

    __slots__ = ()
    _document: _engine.Measurement

    @classmethod
    def from_json(cls, text: str) -> Measurement:
        return cls(_engine.Measurement.from_json(text))

    def _head(self) -> dict[str, Any]:
        head: dict[str, Any] = self._once("head", self._document.head)
        return head

    @property
    def capture(self) -> Mapping[str, Any]:
        """The capture as it was read: file, samples, rate, load, subject, bench, instruments."""
        return MappingProxyType(self._head()["capture"])

    @property
    def settings(self) -> Mapping[str, Any]:
        """Every threshold that shaped the result."""
        return MappingProxyType(self._head()["settings"])

    @property
    def receipt(self) -> Mapping[str, Any]:
        """How the file was read."""
        return MappingProxyType(self._head()["receipt"])

    @property
    def flags(self) -> tuple[Flag, ...]:
        """What is in doubt."""
        made: tuple[Flag, ...] = self._once(
            "flags", lambda: tuple(Flag._of(flag) for flag in self._head()["flags"])
        )
        return made

    @property
    def power_by(self) -> str:
        """The formula by which the power was had, or why there is none."""
        told: str = self._head()["power_by"]
        return told

    def part(self, name: str) -> MeasureSet:
        """The measures of ``whole``, ``cut``, ``coag``, ``rest`` or ``cycle``.

        Raises
        ------
        NotMeasured
            Where the record has no such part.
        """

        def make() -> MeasureSet:
            try:
                return MeasureSet(self._document.part(name))
            except KeyError as error:
                raise NotMeasured(str(error.args[0]), code="not_stated") from None

        made: MeasureSet = self._once(f"part {name}", make)
        return made

    @property
    def whole(self) -> MeasureSet:
        """Measures over the whole record."""
        return self.part("whole")

    @property
    def cut(self) -> MeasureSet:
        """Measures over all cut phases."""
        return self.part("cut")

    @property
    def coag(self) -> MeasureSet:
        """Measures over all coag phases."""
        return self.part("coag")

    @property
    def rest(self) -> MeasureSet:
        """Measures over all rests."""
        return self.part("rest")

    @property
    def kinds(self) -> Mapping[str, MeasureSet]:
        """Measures by kind; only kinds that occur."""
        there = (kind for kind in ("cut", "coag", "rest") if self._document.phase_count(kind))
        return MappingProxyType({kind: self.part(kind) for kind in there})

    @property
    def phases(self) -> Phases:
        """The phases in order."""
        return Phases(self._document)

    @property
    def cycles(self) -> Cycles:
        """The repeating sequence."""
        made: Cycles = self._once("cycles", lambda: Cycles._of(self._document.cycles()))
        return made

    def text(self, all: bool = False) -> str:
        """The table that the command line shows."""
        return self._document.text(all)

    def budgets(self) -> str:
        """The budgets of a measurement with ``budget=True``, as text."""
        return self._document.budgets()

    def __repr__(self) -> str:
        return self.text()

    def _repr_html_(self) -> str:
        return f"<pre>{html.escape(self.text())}</pre>"


@dataclass(frozen=True)
class Limit:
    """A value held against its limits."""

    measure: str
    part: str
    verdict: str
    value: float | None = None
    nominal: float | None = None
    lower: float | None = None
    upper: float | None = None
    expanded_uncertainty: float | None = None
    guard_band: float | None = None
    conformance_probability: float | None = None
    consumer_risk: float | None = None
    tolerance_ratio: float | None = None
    at_least: bool = False
    missing_terms: tuple[str, ...] = ()
    rule: str = ""
    reason: str | None = None
    #: Codes of flags that put the value in doubt.
    in_doubt: tuple[str, ...] = ()
    #: Of a job: the step, what is judged in words, and its unit.
    step: str | None = None
    what: str | None = None
    unit: str | None = None
    text: str | None = None

    @classmethod
    def _of(cls, told: Mapping[str, Any]) -> Limit:
        known = {key: told[key] for key in cls.__dataclass_fields__ if key in told}
        known["part"] = told["in"]
        for key in ("missing_terms", "in_doubt"):
            known[key] = tuple(told.get(key, ()))
        return cls(**known)


@dataclass(frozen=True)
class Finding:
    """What is not as it should be, and what to look at."""

    code: str
    message: str
    #: The whole can be no better than this.
    at_best: str | None = None


class Check(_Document):
    """A record held against a setting of a profile."""

    __slots__ = ()
    _document: _engine.Check

    @classmethod
    def from_json(cls, text: str) -> Check:
        return cls(_engine.Check.from_json(text))

    def _head(self) -> dict[str, Any]:
        head: dict[str, Any] = self._once("head", self._document.head)
        return head

    @property
    def verdict(self) -> str:
        """``pass``, ``conditional pass``, ``not measured``, ``conditional fail`` or ``fail``."""
        told: str = self._head()["verdict"]
        return told

    @property
    def setting(self) -> str:
        """Setting it was compared with."""
        told: str = self._head()["setting"]
        return told

    @property
    def rule(self) -> str:
        """Decision rule in words."""
        told: str = self._head()["rule"]
        return told

    @property
    def limits(self) -> tuple[Limit, ...]:
        """Each limit with its verdict."""
        return tuple(Limit._of(limit) for limit in self._head()["limits"])

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What else is not as it should be."""
        return tuple(Finding(**finding) for finding in self._head()["findings"])

    @property
    def measurement(self) -> Measurement:
        """What was measured."""
        made: Measurement = self._once(
            "measurement", lambda: Measurement(self._document.measurement)
        )
        return made

    def text(self) -> str:
        """The table that the command line shows."""
        return self._document.text()

    def __repr__(self) -> str:
        return self.text()

    def _repr_html_(self) -> str:
        return f"<pre>{html.escape(self.text())}</pre>"
