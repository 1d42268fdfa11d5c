"""Runs every notebook, as CI does; `--html FOLDER` also renders them, `--strip` takes outputs away.

    python notebooks/run.py --html rendered
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import nbformat
from nbclient import NotebookClient
from nbclient.exceptions import CellExecutionError

HERE = Path(__file__).resolve().parent


def run(path: Path, html: Path | None) -> bool:
    """Runs one notebook; says what failed."""
    book = nbformat.read(path, as_version=4)
    begun = time.monotonic()
    client = NotebookClient(
        book, timeout=300, kernel_name="python3", resources={"metadata": {"path": str(HERE)}}
    )
    try:
        client.execute()
    except CellExecutionError as error:
        print(f"{path.name}: {error}", file=sys.stderr)
        return False
    print(f"{path.name}: {time.monotonic() - begun:.1f} s")
    if html is not None:
        from nbconvert import HTMLExporter

        page, _ = HTMLExporter().from_notebook_node(book)
        html.mkdir(parents=True, exist_ok=True)
        (html / f"{path.stem}.html").write_text(page, encoding="utf-8")
    return True


def strip(path: Path) -> None:
    """Takes outputs and counts away, as notebooks stand in git."""
    book = nbformat.read(path, as_version=4)
    for cell in book.cells:
        cell.metadata = {}
        if cell.cell_type == "code":
            cell.outputs, cell.execution_count = [], None
    nbformat.write(book, path)


def main() -> int:
    """Runs what is asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("notebooks", nargs="*", type=Path, default=sorted(HERE.glob("*.ipynb")))
    parser.add_argument("--html", type=Path, help="folder for rendered pages")
    parser.add_argument("--strip", action="store_true", help="take outputs away instead")
    asked = parser.parse_args()
    if asked.strip:
        for path in asked.notebooks:
            strip(path)
        return 0
    return 0 if all([run(path, asked.html) for path in asked.notebooks]) else 1


if __name__ == "__main__":
    sys.exit(main())
