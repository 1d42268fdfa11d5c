"""Captures by the million: one table, whatever engine measures them."""

from __future__ import annotations

from ._run import BatchReport, batch

__all__ = ["BatchReport", "batch"]
