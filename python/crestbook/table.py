"""The long table: a row for each value, each reason why there is none, each doubt, each fault."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from . import _engine
from .errors import UseError

if TYPE_CHECKING:
    import pandas
    import polars
    import pyarrow

__all__ = ["Table"]


class Table:
    """Rows of the long table, whose columns docs/job.md describes.

    It speaks Arrow's C stream interface: ``pyarrow.table(t)``, ``polars.DataFrame(t)`` and DuckDB take it
    without a copy.

    >>> import crestbook
    >>> t = crestbook.synth("continuous").measure().table()
    >>> row = next(row for row in t if row["measure"] == "power_w" and row["part"] == "whole")
    >>> row["unit_of_value"], round(row["value"])
    ('W', 1000)
    """

    __slots__ = ("_rows",)

    #: Names of the columns, in order.
    columns: tuple[str, ...] = tuple(_engine.Table.columns)

    def __init__(self, rows: _engine.Table) -> None:
        self._rows = rows

    @classmethod
    def joined(cls, tables: Iterable[Table]) -> Table:
        """The rows of several tables, one after the other."""
        return cls(_engine.Table.joined([table._rows for table in tables]))

    def __len__(self) -> int:
        return len(self._rows)

    def __iter__(self) -> Iterator[dict[str, Any]]:
        for k in range(len(self)):
            row = self._rows.row(k)
            if row is not None:
                yield row

    def __getitem__(self, column: str) -> list[Any]:
        """One column as a list; a number that is not known is ``None``."""
        return self._rows.column(column)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Table) and self._rows == other._rows

    __hash__ = None  # type: ignore[assignment]

    def __repr__(self) -> str:
        return f"<crestbook.Table of {len(self)} rows>"

    def __arrow_c_stream__(self, requested_schema: object = None) -> object:
        return self._rows.__arrow_c_stream__(requested_schema)

    def to_arrow(self) -> pyarrow.Table:
        """As a pyarrow table; needs pyarrow 14 or later."""
        try:
            import pyarrow
        except ImportError as error:
            raise UseError(f"{error}", help="pip install pyarrow") from error
        return pyarrow.table(self)

    def to_polars(self) -> polars.DataFrame:
        """As a polars frame; needs the extra ``polars``."""
        try:
            import polars
        except ImportError as error:
            raise UseError(f"{error}", help='pip install ".[polars]" in the checkout') from error
        return polars.DataFrame(self)

    def to_pandas(self) -> pandas.DataFrame:
        """As a pandas frame; needs the extra ``pandas``."""
        return self.to_arrow().to_pandas()

    def to_parquet(self) -> bytes:
        """As the bytes of a Parquet file; the same rows give the same bytes."""
        return self._rows.parquet()

    def save(self, path: str | Path) -> None:
        """Writes a .parquet or .csv file: whole, or not at all.

        Raises
        ------
        UseError
            Where the ending is another one.
        OutputError
            Where it can't be written.
        """
        self._rows.write(Path(path))
