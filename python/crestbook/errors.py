"""What can go wrong, and what to do about it."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

__all__ = ["CrestbookError", "DataError", "Interrupted", "NotMeasured", "OutputError", "UseError"]


class CrestbookError(Exception):
    """Any error of crestbook.

    Attributes
    ----------
    code : str
        What kind of error it is, such as ``"damaged"``; docs/schema/error.schema.json lists all.
    file : pathlib.Path or None
        The file it is about.
    place : mapping or None
        Where in that file: ``line`` and ``field`` or ``column``, ``byte``, or ``value``.
    excerpt : str or None
        The line at fault, with a mark under the place.
    help : str or None
        What to do.
    """

    def __init__(
        self,
        message: str,
        *,
        code: str = "wrong_use",
        file: str | Path | None = None,
        place: Mapping[str, int] | None = None,
        excerpt: str | None = None,
        help: str | None = None,
    ) -> None:
        super().__init__(message)
        self.message = message
        self.code = code
        self.file = None if file is None else Path(file)
        self.place = place
        self.excerpt = excerpt
        self.help = help

    def __str__(self) -> str:
        lines = [self.message]
        if self.excerpt:
            lines.append(self.excerpt)
        if self.help:
            lines.append(f"help: {self.help}")
        return "\n".join(lines)

    def __reduce__(self) -> tuple[Any, ...]:
        told = {
            "code": self.code,
            "file": self.file,
            "place": self.place,
            "excerpt": self.excerpt,
            "help": self.help,
        }
        return (_raised_again, (type(self), self.message, told))


def _raised_again(kind: type[CrestbookError], message: str, told: dict[str, Any]) -> CrestbookError:
    return kind(message, **told)


class UseError(CrestbookError, ValueError):
    """A wrong argument, sheet, profile or job file."""


class DataError(CrestbookError):
    """Data that can't be read, or are damaged."""


class OutputError(CrestbookError):
    """A file that can't be written."""


class Interrupted(CrestbookError):
    """The work was broken off."""


class NotMeasured(CrestbookError, LookupError):
    """A measure that can't be determined; the message is the reason."""


class NotMeasuredAttribute(NotMeasured, AttributeError):
    """The same of ``set.power_w``, so that ``getattr(set, "power_w", None)`` is ``None``."""
