"""Where an uncertainty comes from: its budget, and the same by simulation."""

from __future__ import annotations

import os
from typing import Any

from .capture import Capture, Synthetic, read
from .results import BudgetLine, Simulated

__all__ = ["budget", "simulate"]

_Source = Capture | Synthetic | str | os.PathLike[str]


def _capture(of: _Source) -> Capture:
    if isinstance(of, Synthetic):
        return of.capture()
    return of if isinstance(of, Capture) else read(of)


def budget(
    of: _Source, measure: str = "power_w", part: str = "whole", **options: Any
) -> tuple[BudgetLine, ...]:
    """The lines of the budget of one measure (JCGM 100), largest share first.

    Parameters
    ----------
    of : Capture, Synthetic or path
        What to measure.
    measure : str
        Key of the measure, in its own unit.
    part : str
        ``whole``, ``cut``, ``coag``, ``rest`` or ``cycle``.
    **options
        As in :func:`crestbook.measure`.

    Raises
    ------
    NotMeasured
        Where the measure can't be had.
    """
    found = _capture(of).measure(budget=True, **options).part(part)[measure]
    return tuple(sorted(found.budget or (), key=lambda line: -line.share))


def simulate(
    of: _Source,
    measure: str = "power_w",
    part: str = "whole",
    *,
    draws: int | None = None,
    seed: int = 1,
    **options: Any,
) -> Simulated | None:
    """The distribution of one measure by drawing (JCGM 101); ``None`` where it has no uncertainty.

    Parameters
    ----------
    draws : int, optional
        Number of draws; by default as many as it takes to settle.
    seed : int
        The same seed gives the same draws.
    """
    how: Any = "auto" if draws is None else draws
    measured = _capture(of).measure(simulate=how, seed=seed, **options)
    found: Simulated | None = measured.part(part)[measure].monte_carlo
    return found
