"""Arrays from callers: refused where they are not samples, copied only where they must be."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from .errors import UseError


def samples(given: npt.ArrayLike | None, name: str) -> npt.NDArray[Any] | None:
    """One row of real numbers, aligned and in the byte order of this machine.

    Raises
    ------
    UseError
        Where it is not one row of real numbers.
    """
    if given is None:
        return None
    if isinstance(given, np.ma.MaskedArray):
        raise UseError(
            f"{name} is a masked array",
            help="fill it with NaN, which is a gap: x.astype(float).filled(numpy.nan)",
        )
    try:
        array = np.asarray(given)
    except (TypeError, ValueError) as error:
        raise UseError(f"{name} can't be taken as an array: {error}") from error
    if array.dtype.kind not in "fiu":
        raise UseError(
            f"{name} holds {array.dtype}, not real numbers",
            help="give float32, float64 or integer codes",
        )
    if array.ndim != 1:
        raise UseError(
            f"{name} has the shape {array.shape}",
            help="give one row of samples; of a table, one column: x[:, 0]",
        )
    if array.size == 0:
        raise UseError(f"{name} is empty", help="give at least 16 samples")
    wanted = array.dtype.newbyteorder("=")
    if wanted.kind == "f" and wanted.itemsize not in (4, 8):
        wanted = np.dtype(np.float32 if wanted.itemsize < 4 else np.float64)
    if array.dtype != wanted or not array.flags.aligned:
        array = np.require(array, wanted, "A")
    return array


def number(given: object, name: str) -> float:
    """A real number.

    Raises
    ------
    UseError
        Where it is none.
    """
    if isinstance(given, (bool, np.bool_, str, bytes)) or not hasattr(given, "__float__"):
        raise UseError(f"{name} is {given!r}, not a number")
    try:
        return float(given)
    except (TypeError, ValueError, OverflowError) as error:
        raise UseError(f"{name} is {given!r:.60}, not a number") from error
