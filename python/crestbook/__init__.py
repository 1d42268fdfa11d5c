"""What a high-frequency surgical generator really puts out, from sampled voltage and current.

>>> import crestbook
>>> m = crestbook.synth("damped", peak_v=3000.0, burst_rate_hz=20e3, duration_s=0.05).measure()
>>> m.coag.crest_factor.value > 4
True

Results describe output into a test load, not tissue effect or fitness for use; the manufacturer's
procedure, the applicable standard and local codes prevail.
"""

from __future__ import annotations

from ._engine import __version__
from .batch import BatchReport, batch
from .capture import Capture, Channel, Picture, Synthetic, from_arrays, measure, read, synth
from .errors import (
    CrestbookError,
    DataError,
    Interrupted,
    NotMeasured,
    OutputError,
    UseError,
)
from .results import (
    MEASURES,
    BudgetLine,
    Check,
    Coverage,
    Cycles,
    Estimate,
    Finding,
    Flag,
    Limit,
    MeasureInfo,
    Measurement,
    MeasureSet,
    Phase,
    Phases,
    Simulated,
)
from .table import Table
from .uncertainty import budget, simulate
from .verification import Job, JobResult, Profile, check, demo

__all__ = [
    "MEASURES",
    "BatchReport",
    "BudgetLine",
    "Capture",
    "Channel",
    "Check",
    "Coverage",
    "CrestbookError",
    "Cycles",
    "DataError",
    "Estimate",
    "Finding",
    "Flag",
    "Interrupted",
    "Job",
    "JobResult",
    "Limit",
    "MeasureInfo",
    "MeasureSet",
    "Measurement",
    "NotMeasured",
    "OutputError",
    "Phase",
    "Phases",
    "Picture",
    "Profile",
    "Simulated",
    "Synthetic",
    "Table",
    "UseError",
    "__version__",
    "batch",
    "budget",
    "check",
    "demo",
    "from_arrays",
    "measure",
    "read",
    "simulate",
    "synth",
]
