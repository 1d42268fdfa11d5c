"""Capture sheets from callers, as the text that the engine reads and checks."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from .errors import UseError


def _plain(value: object, key: str) -> bool | int | float | str:
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, (bool, int, float, str)):
        return value
    raise UseError(f"the sheet's {key} is {value!r}", help="give a number or a text")


def _written(value: bool | int | float | str) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, float):
        if value != value or value in (float("inf"), float("-inf")):
            raise UseError(f"a sheet can't state {value}", help="give a finite number")
        return repr(value)
    return str(value)


def _lines(table: Mapping[str, Any], path: tuple[str, ...]) -> list[str]:
    own: list[str] = []
    inner: list[str] = []
    for key, value in table.items():
        if not isinstance(key, str):
            raise UseError(f"the sheet has the key {key!r}", help="keys are texts")
        at = (*path, key)
        name = ".".join(json.dumps(part) for part in at)
        if isinstance(value, Mapping):
            inner += [f"[{name}]", *_lines(value, at)]
        elif isinstance(value, (list, tuple)) and all(isinstance(one, Mapping) for one in value):
            for one in value:
                inner += [f"[[{name}]]", *_lines(one, at)]
        elif value is not None:
            own.append(f"{json.dumps(key)} = {_written(_plain(value, '.'.join(at)))}")
    return own + inner


def as_toml(
    given: Mapping[str, Any] | str | os.PathLike[str] | None,
    stated: Mapping[str, Mapping[str, Any]] | None = None,
) -> str | None:
    """A sheet, with what was stated beside it, as TOML."""
    if isinstance(given, (str, os.PathLike)):
        try:
            text = Path(given).read_text(encoding="utf-8")
        except OSError as error:
            raise UseError(f"the sheet can't be read: {error}", file=Path(given)) from error
        if not stated:
            return text
        raise UseError(
            "scales and load are given twice: by the sheet's file and by arguments",
            help="leave the arguments out, or give the sheet as a mapping",
        )
    if given is not None and not isinstance(given, Mapping):
        raise UseError(f"the sheet is {given!r}", help="give a path or a mapping")
    sheet: dict[str, Any] = dict(given or {})
    for table, keys in (stated or {}).items():
        held = sheet.get(table, {})
        if not isinstance(held, Mapping):
            raise UseError(f"the sheet's {table} is {held!r}", help="give a mapping of its keys")
        own = dict(held)
        for key, value in keys.items():
            if own.setdefault(key, value) != value:
                raise UseError(
                    f"{table}.{key} is {own[key]} in the sheet and {value} as an argument",
                    help="give it once",
                )
        sheet[table] = own
    if not sheet:
        return None
    return "\n".join(_lines(sheet, ())) + "\n"


def as_pairs(given: Mapping[str, Any] | None, path: str = "") -> list[tuple[str, str]]:
    """Keys of a sheet as pairs of `table.key` and text."""
    pairs: list[tuple[str, str]] = []
    for key, value in (given or {}).items():
        name = f"{path}{key}"
        if isinstance(value, Mapping):
            pairs += as_pairs(value, f"{name}.")
        else:
            plain = _plain(value, name)
            pairs.append((name, plain if isinstance(plain, str) else _written(plain)))
    return pairs
