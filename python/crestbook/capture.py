"""Captures: from files, from bytes, from arrays, and exact synthetic ones."""

from __future__ import annotations

import operator
import os
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, Literal

import numpy as np
import numpy.typing as npt

from . import _engine
from ._arrays import number, samples
from ._sheet import as_pairs, as_toml
from .errors import UseError
from .results import Check, Measurement, MeasureSet

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from .verification import Profile

__all__ = [
    "Capture",
    "Channel",
    "Picture",
    "Synthetic",
    "from_arrays",
    "measure",
    "read",
    "synth",
]

Progress = Callable[[int, int], object]
Floats = npt.NDArray[np.float64]
Sheet = Mapping[str, Any] | str | os.PathLike[str]


class Picture:
    """A picture as SVG, which notebooks show."""

    __slots__ = ("svg",)

    def __init__(self, svg: str) -> None:
        #: As wide as there is room for, and no wider.
        self.svg = svg.replace("<svg ", '<svg style="max-width:100%;height:auto" ', 1)

    def _repr_svg_(self) -> str:
        return self.svg

    def save(self, path: str | Path) -> None:
        """Writes it to an .svg file."""
        Path(path).write_text(self.svg, encoding="utf-8")


class Channel:
    """Samples of one channel, V or A, offset taken away: read where they are asked for.

    ``len(c)``, ``c[k]``, ``c[start:end]``, ``c[::step]``; ``numpy.asarray(c)`` reads all of them.
    """

    __slots__ = ("_capture", "_which", "unit")

    def __init__(self, capture: _engine.Capture, which: Literal[0, 1], unit: str) -> None:
        self._capture = capture
        self._which = which
        #: ``"V"`` or ``"A"``.
        self.unit = unit

    def __len__(self) -> int:
        return len(self._capture)

    @property
    def shape(self) -> tuple[int]:
        """Number of samples."""
        return (len(self),)

    def _read(self, start: int, end: int) -> Floats:
        found = self._capture.samples(start, end)[self._which]
        assert found is not None
        return found

    def __getitem__(self, at: int | slice) -> Any:
        if isinstance(at, slice):
            start, stop, step = at.indices(len(self))
            if step > 0:
                return self._read(start, max(start, stop))[::step]
            # From the other end.
            count = len(range(start, stop, step))
            if count == 0:
                return np.empty(0)
            return self._read(start + (count - 1) * step, start + 1)[::step]
        try:
            at = operator.index(at)
        except TypeError as error:
            raise UseError(
                f"a channel is read by a number or a slice, not by {type(at).__name__}",
                help="numpy.asarray(channel) reads all of it",
            ) from error
        k = at + len(self) if at < 0 else at
        if not 0 <= k < len(self):
            raise IndexError(f"sample {at} of {len(self)}")
        return float(self._read(k, k + 1)[0])

    def __iter__(self) -> Iterator[float]:
        """Sample by sample, read a piece at a time."""
        for start in range(0, len(self), 65_536):
            yield from self._read(start, min(start + 65_536, len(self))).tolist()

    def __array__(self, dtype: npt.DTypeLike | None = None, copy: bool | None = None) -> npt.NDArray[Any]:
        if copy is False:
            raise ValueError("the samples are read from the capture: there is no array to share")
        return self._read(0, len(self)).astype(dtype or np.float64, copy=False)

    def __repr__(self) -> str:
        return f"<crestbook.Channel: {len(self)} samples, {self.unit}>"


class Capture:
    """One record of a capture; :func:`read` opens one.

    Memory does not grow with the record: samples are read where they are asked for.
    """

    __slots__ = ("_capture",)

    def __init__(self, capture: _engine.Capture) -> None:
        self._capture = capture

    @property
    def file(self) -> Path:
        """The data file."""
        return Path(self._capture.file)

    def __len__(self) -> int:
        """Number of samples."""
        return len(self._capture)

    @property
    def records(self) -> int:
        """Records of the file; this is one of them."""
        return self._capture.records

    @property
    def sample_rate_hz(self) -> float:
        """Samples per second."""
        return self._capture.sample_rate_hz

    @property
    def duration_s(self) -> float:
        """Length, s."""
        return len(self) / self.sample_rate_hz

    @property
    def v(self) -> Channel:
        """The voltage, V.

        Raises
        ------
        UseError
            Where the capture has none.
        """
        return self._channel(0, "voltage", "V")

    @property
    def i(self) -> Channel:
        """The current, A.

        Raises
        ------
        UseError
            Where the capture has none.
        """
        return self._channel(1, "current", "A")

    def _channel(self, which: Literal[0, 1], name: str, unit: str) -> Channel:
        if not self._capture.channels[which]:
            raise UseError(
                f"the capture has no {name}",
                file=self.file,
                help=f"name its column with {name}.channel in the sheet",
            )
        return Channel(self._capture, which, unit)

    def window(self, start_s: float, end_s: float) -> dict[str, Floats]:
        """Time (s), volts and amperes between two times, as ``t``, ``v``, ``i``."""
        start, end = self._span(start_s, end_s)
        v, i = self._capture.samples(start, end)
        told = {"t": np.arange(start, end) / self.sample_rate_hz}
        if v is not None:
            told["v"] = v
        if i is not None:
            told["i"] = i
        return told

    def _span(self, start_s: float, end_s: float) -> tuple[int, int]:
        rate = self.sample_rate_hz
        times = [number(x, "a time") for x in (start_s, end_s)]
        finite = all(abs(time) < 1e12 for time in times)
        start, end = (round(time * rate) for time in times) if finite else (0, 0)
        if not 0 <= start < end <= len(self):
            raise UseError(
                f"{start_s} s to {end_s} s is not within the record",
                code="wrong_range",
                help=f"it is {self.duration_s:.6g} s long, counted from 0",
            )
        return start, end

    def measure(
        self,
        start_s: float | None = None,
        end_s: float | None = None,
        *,
        progress: Progress | None = None,
        **options: Any,
    ) -> Any:
        """Measures the record; between two times only that stretch.

        Parameters
        ----------
        start_s, end_s : float, optional
            Between these times, s: a :class:`MeasureSet` of that stretch, with the offsets and noise of
            the whole record.
        progress : callable, optional
            Called with pieces done and their total.
        **options
            As in :func:`measure`.

        Returns
        -------
        Measurement, or MeasureSet of a stretch.

        Raises
        ------
        CrestbookError
            Where the capture can't be measured.
        """
        if start_s is None and end_s is None:
            return Measurement(self._capture.measure(options or None, progress))
        if options:
            raise UseError("a stretch is measured with the usual settings", help="leave them out")
        start, end = self._span(start_s or 0.0, self.duration_s if end_s is None else end_s)
        # What is in doubt about the record is in doubt about its parts.
        flags = Measurement(self._capture.measure(None, None)).flags
        return MeasureSet(self._capture.measure_range(start, end), flags)

    def check(
        self,
        profile: Profile,
        setting: str | None = None,
        *,
        progress: Progress | None = None,
        **options: Any,
    ) -> Check:
        """Measures and compares with a setting of a profile; by default the one that the sheet names."""
        if not hasattr(profile, "_profile"):
            raise UseError(f"{profile!r} is no Profile", help="crestbook.Profile(path) reads one")
        told = self._capture.check(profile._profile, setting, options or None, progress)
        return Check(told)

    def columns(
        self, n: int, start_s: float | None = None, end_s: float | None = None
    ) -> dict[str, Floats]:
        """The record in `n` columns: middle (s), and smallest, largest and RMS value of each channel.

        Every peak is in its column, however long the record. Keys: ``t``, ``v_low``, ``v_high``,
        ``v_rms`` and the same with ``i``.
        """
        if not 1 <= n <= 1_000_000:
            raise UseError(f"{n} columns", help="give 1 to 1000000")
        whole = start_s is None and end_s is None
        start, end = (
            (0, len(self))
            if whole
            else self._span(start_s or 0.0, self.duration_s if end_s is None else end_s)
        )
        told = self._capture.columns(start, end, n)
        t = (told.pop("start") + told.pop("end")) / 2 / self.sample_rate_hz
        return {"t": t, **told}

    def picture(self, title: str | None = None) -> Picture:
        """The picture that the command line draws: the whole record and each kind of output from near."""
        return Picture(self._capture.picture(title))

    def plot(self, ax: Axes | None = None, n: int = 1000) -> Axes:
        """Voltage as a band between smallest and largest value, phases below; needs the extra ``plot``."""
        import matplotlib.pyplot as plt

        axes = plt.subplots(figsize=(8, 3))[1] if ax is None else ax
        columns = self.columns(n)
        side, unit = ("v", "voltage, V") if self._capture.channels[0] else ("i", "current, A")
        low, high = columns[f"{side}_low"], columns[f"{side}_high"]
        axes.fill_between(columns["t"], low, high, step="mid", color="0.25", linewidth=0.4)
        # A strip of phases above the output, where it covers nothing.
        bottom, top = axes.get_ylim()
        axes.set_ylim(bottom, top + 0.22 * (top - bottom))
        hatch = {"cut": "///", "coag": "...", "rest": ""}
        for phase in self.measure().phases[:200]:
            axes.axvspan(
                phase.start_s,
                phase.end_s,
                ymin=0.93,
                facecolor="white",
                edgecolor="black",
                hatch=hatch[phase.kind],
                linewidth=0.6,
            )
            if phase.duration_s > 0.06 * self.duration_s:
                middle = (phase.start_s + phase.end_s) / 2
                axes.annotate(
                    phase.kind,
                    (middle, 0.92),
                    xycoords=("data", "axes fraction"),
                    ha="center",
                    va="top",
                    fontsize=8,
                )
        axes.set_xlabel("time, s")
        axes.set_ylabel(unit)
        return axes

    def estimate_delay(self) -> dict[str, Any]:
        """The delay between the channels, from a capture into the stated resistor."""
        return self._capture.estimate_delay()

    def convert(
        self, out: str | Path, *, overwrite: bool = False, progress: Progress | None = None
    ) -> Path:
        """Writes the record in the format of the ending of `out`, its sheet beside it.

        Raises
        ------
        UseError
            Where the ending is of no format, or a file is in the way.
        """
        data = Path(out)
        sheet = data.with_name(data.stem + ".capture.toml")
        for path in (data, sheet):
            if path.exists() and not overwrite:
                raise UseError(
                    f"{path}: a file of this name already exists",
                    file=path,
                    help="choose another name, or pass overwrite=True",
                )
        sheet.write_text(self._capture.convert(data, progress), encoding="utf-8")
        return data

    def __repr__(self) -> str:
        return f"<crestbook.Capture {self.file}: {len(self)} samples, {self.sample_rate_hz:g} Hz>"


def read(
    source: str | os.PathLike[str] | bytes | IO[bytes],
    *,
    sheet: Sheet | None = None,
    keys: Mapping[str, Any] | None = None,
    record: int | None = None,
    name: str | None = None,
    hash: bool = False,
    progress: Progress | None = None,
) -> Capture:
    """Opens a capture in any format that crestbook reads (docs/formats.md).

    Parameters
    ----------
    source : path, bytes or binary file
        A data file or a capture sheet; or the bytes of a data file of one file.
    sheet : path or mapping, optional
        Another sheet than the one beside the file, also as a mapping: ``{"load": {"nominal_ohm": 500.0}}``.
    keys : mapping, optional
        Single keys that override the sheet, such as ``{"load.nominal_ohm": 500}``.
    record : int, optional
        Which record of a file of several, from 1.
    name : str, optional
        Name of bytes, for messages.
    hash : bool
        Whether the data files are hashed.
    progress : callable, optional
        Called with pieces done and their total.

    Raises
    ------
    UseError
        Where the sheet is wrong or something must be stated that is not.
    DataError
        Where the data can't be read or are damaged.
    """
    if keys is not None and not isinstance(keys, Mapping):
        raise UseError(f"keys={keys!r}", help='give a mapping, such as {"load.nominal_ohm": 500}')
    if record is not None and (isinstance(record, bool) or not isinstance(record, int) or record < 1):
        raise UseError(f"record={record!r}", help="records are counted from 1")
    pairs = as_pairs(keys)
    if isinstance(source, (str, os.PathLike)):
        path = Path(source)
        if isinstance(sheet, Mapping):
            if pairs:
                raise UseError("a sheet as a mapping holds all keys", help="leave `keys` out")
            stated = as_toml(sheet) or ""
            return Capture(_engine.open(path, None, stated, [], record, hash, progress))
        file = None if sheet is None else Path(sheet)
        return Capture(_engine.open(path, file, None, pairs, record, hash, progress))
    if pairs:
        raise UseError("`keys` override the sheet of a file", help="give bytes a `sheet`")
    if isinstance(source, (bytes, bytearray, memoryview)):
        data = bytes(source)
    elif hasattr(source, "read"):
        try:
            data = source.read()
        except ValueError as error:
            raise UseError(f"the file can't be read: {error}", help="open it first") from error
        if not isinstance(data, bytes):
            raise UseError("the file was opened as text", help="open it with mode 'rb'")
        name = name or getattr(source, "name", None)
    else:
        raise UseError(
            f"{type(source).__name__} is no capture",
            help="give a path, bytes or a binary file; arrays go to crestbook.measure",
        )
    text = None if sheet is None else as_toml(sheet)
    return Capture(_engine.from_bytes(str(name or "bytes"), data, text, record, hash))


def measure(
    v: npt.ArrayLike | None = None,
    i: npt.ArrayLike | None = None,
    *,
    rate: float,
    load: float | None = None,
    v_scale: float | None = None,
    i_scale: float | None = None,
    sheet: Sheet | None = None,
    progress: Progress | None = None,
    **options: Any,
) -> Measurement:
    """Measures voltage and current, sampled evenly.

    Parameters
    ----------
    v, i : array, shape (n,)
        Volts and amperes, either or both: float32, float64, or integer codes with a scale. A NaN is a
        gap. Arrays are read where they lie, contiguous or not.
    rate : float
        Samples per second.
    load : float, optional
        Nominal resistance of the load, ohm.
    v_scale, i_scale : float, optional
        Volts and amperes per number in the array; integers need one.
    sheet : path or mapping, optional
        What a capture sheet states beside that (docs/sheet.md), such as
        ``{"voltage": {"relative_standard_uncertainty": 0.01}}``.
    progress : callable, optional
        Called with pieces done and their total.
    **options
        ``budget=True`` for the lines of each budget; ``simulate="auto"`` or a number of draws, with
        ``seed``; ``duty_threshold``, ``coag_crest_factor``, ``continuous_crest_factor``, ``arc_peak_v``,
        ``rest_share``, ``rest_min_s``, ``phase_min_s``, ``burst_samples``, ``threads``.

    Raises
    ------
    UseError
        Wrong shapes, types or options.
    DataError
        Where the samples can't be measured.

    Examples
    --------
    >>> import numpy, crestbook
    >>> v = 300.0 * numpy.sin(0.3 * numpy.arange(100_000))
    >>> m = crestbook.measure(v, v / 500.0, rate=10e6)
    >>> round(m.whole.power_w.value, 2)
    90.0
    """
    capture = from_arrays(
        v, i, rate=rate, load=load, v_scale=v_scale, i_scale=i_scale, sheet=sheet, progress=progress
    )
    measured: Measurement = capture.measure(progress=progress, **options)
    return measured


def from_arrays(
    v: npt.ArrayLike | None = None,
    i: npt.ArrayLike | None = None,
    *,
    rate: float,
    load: float | None = None,
    v_scale: float | None = None,
    i_scale: float | None = None,
    sheet: Sheet | None = None,
    progress: Progress | None = None,
) -> Capture:
    """The same arrays as a :class:`Capture`, to look into; see :func:`measure`."""
    stated: dict[str, dict[str, Any]] = {}
    for channel, scale in (("voltage", v_scale), ("current", i_scale)):
        if scale is not None:
            stated[channel] = {"scale": number(scale, f"the scale of the {channel}")}
    if load is not None:
        stated["load"] = {"nominal_ohm": number(load, "load")}
    voltage, current = samples(v, "v"), samples(i, "i")
    text = as_toml(sheet, stated)
    return Capture(_engine.from_arrays(voltage, current, number(rate, "rate"), text, progress))


class Synthetic:
    """An exact synthetic capture: samples by formula, true values by closed form."""

    __slots__ = ("_made", "shape")

    def __init__(self, made: _engine.Synthetic, shape: str) -> None:
        self._made = made
        self.shape = shape

    @property
    def sample_rate_hz(self) -> float:
        """Samples per second."""
        return self._made.sample_rate_hz

    @property
    def load_ohm(self) -> float:
        """Load, ohm."""
        return self._made.load_ohm

    def arrays(self) -> tuple[Floats, Floats]:
        """Volts and amperes, shape (n,) each."""
        return self._made.samples()

    @property
    def truth(self) -> dict[str, Any]:
        """Phase edges and measures from closed forms, not from the analysing code."""
        return self._made.truth()

    def capture(self, *, sheet: Sheet | None = None) -> Capture:
        """As a capture, to measure and to look into."""
        v, i = self.arrays()
        # A sheet may state another load than the true one: mistakes can be shown.
        stated = isinstance(sheet, Mapping) and "load" in sheet
        load = None if stated or isinstance(sheet, (str, os.PathLike)) else self.load_ohm
        return from_arrays(v, i, rate=self.sample_rate_hz, load=load, sheet=sheet)

    def measure(self, *, sheet: Sheet | None = None, **options: Any) -> Measurement:
        """Measures it; see :func:`measure`."""
        measured: Measurement = self.capture(sheet=sheet).measure(**options)
        return measured

    def save(
        self, path: str | Path, *, overwrite: bool = False, progress: Progress | None = None
    ) -> Path:
        """Writes data (.csv, .wav, .npy and more), sheet and truth."""
        self._made.save(Path(path), overwrite, progress)
        return Path(path)

    def __repr__(self) -> str:
        return f"<crestbook.Synthetic {self.shape}>"


def synth(
    shape: Literal["continuous", "gated", "damped", "modulated", "cycled"], **flags: Any
) -> Synthetic:
    """An exact synthetic capture; the same flags give the same samples.

    Parameters
    ----------
    shape : str
        ``continuous``, ``gated``, ``damped``, ``modulated`` or ``cycled`` (cut, coag, rest).
    **flags
        As on the command line, with ``_`` for ``-``; units stand in the names. All: ``rate_hz``,
        ``duration_s``, ``carrier_hz``, ``peak_v`` or the mean ``power_w``, ``load_ohm``, ``snr_db``,
        ``seed``, ``clip`` (a share of the peak), ``skew_s`` (the current lags), ``bits``, ``start_s``.
        Gated: ``burst_rate_hz``, ``duty`` (a share). Damped: ``burst_rate_hz``, ``decrement`` (neper a
        cycle). Modulated: ``modulation_hz``, ``depth`` (a share). Continuous: ``ramp_s``. Cycled: ``cut_s``,
        ``coag_s``, ``rest_s`` (0 leaves it out), ``coag_shape``, ``coag_peak_v``, ``ramp_s``, and the flags
        of the coag's shape.

    Raises
    ------
    UseError
        A flag that does not exist, is out of range, or has no effect on the shape.

    Examples
    --------
    >>> import crestbook
    >>> s = crestbook.synth("gated", peak_v=500.0, duty=0.25)
    >>> round(s.truth["whole"]["crest_factor"], 3)  # 1.414 / sqrt(0.25)
    2.828
    """
    return Synthetic(_engine.synth({"shape": shape, **flags}), shape)

