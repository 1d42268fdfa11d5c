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
from .archive import Archive, Trend, Verification
from .batch import BatchReport, batch
from .capture import Capture, Channel, Picture, Synthetic, from_arrays, measure, read, synth
from .cards import Card, Comparison, Nearest, NeutralLine, compare, nearest, translation
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
    "Archive",
    "BatchReport",
    "BudgetLine",
    "Capture",
    "Card",
    "Channel",
    "Check",
    "Coverage",
    "Comparison",
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
    "Nearest",
    "NeutralLine",
    "NotMeasured",
    "OutputError",
    "Phase",
    "Phases",
    "Picture",
    "Profile",
    "Simulated",
    "Synthetic",
    "Table",
    "Trend",
    "UseError",
    "Verification",
    "__version__",
    "batch",
    "budget",
    "check",
    "compare",
    "demo",
    "from_arrays",
    "measure",
    "nearest",
    "read",
    "simulate",
    "synth",
    "translation",
]
