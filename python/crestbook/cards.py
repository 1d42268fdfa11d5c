"""What settings put out in neutral electrical terms: cards, comparisons, nearest settings.

Electrical likeness is not tissue likeness; docs/neutral-terms.md.
"""

from __future__ import annotations

import html
import json
import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any

from . import _engine
from .capture import Picture
from .errors import UseError
from .verification import Job, JobResult

__all__ = ["Card", "Comparison", "Nearest", "NeutralLine", "compare", "nearest", "translation"]


@dataclass(frozen=True)
class NeutralLine:
    """What a setting puts out into a load, in one line that reads back."""

    #: The line itself.
    text: str
    #: Its numbers, in SI units.
    numbers: Mapping[str, Any]
    #: A form for a sticker.
    short: str = ""
    #: The same in words.
    sentence: str = ""

    @classmethod
    def parse(cls, text: str) -> NeutralLine:
        """Reads a line.

        Raises
        ------
        UseError
            Where it is none, with the place.

        Examples
        --------
        >>> line = NeutralLine.parse("500 ohm ±2.8 %: cut - 80 W 283 Vp CF 1.41 | - per -, mean 80 W | 400 kHz | open -, over load -")
        >>> line.numbers["phases"][0]["power_w"]
        80.0
        """
        return cls(text.strip(), MappingProxyType(_engine.neutral_line(text)))

    def __str__(self) -> str:
        return self.text


class _Shown:
    """A document with a text."""

    __slots__ = ("_document",)

    def __init__(self, document: Any) -> None:
        self._document = document

    def to_json(self) -> str:
        """The document that the command line prints with ``--json``."""
        text: str = self._document.to_json()
        return text

    def to_dict(self) -> dict[str, Any]:
        """The same as dicts and lists."""
        told: dict[str, Any] = json.loads(self.to_json())
        return told

    def text(self, all: bool = False) -> str:
        """What the command line shows."""
        told: str = self._document.text(all)
        return told

    def __eq__(self, other: object) -> bool:
        return type(self) is type(other) and bool(self._document == other._document)

    __hash__ = None  # type: ignore[assignment]

    def __repr__(self) -> str:
        return self.text()

    def _repr_html_(self) -> str:
        return f"<pre>{html.escape(self.text())}</pre>"


class Comparison(_Shown):
    """Two cards side by side; ``rows`` and ``not_compared``."""

    __slots__ = ()

    @property
    def rows(self) -> list[dict[str, Any]]:
        """What both have measured: values, difference, its U, and the difference in multiples of it."""
        rows: list[dict[str, Any]] = self.to_dict()["rows"]
        return rows

    @property
    def not_compared(self) -> list[str]:
        """What was left out, and why."""
        told: list[str] = self.to_dict()["not_compared"]
        return told


class Nearest(_Shown):
    """Settings that come near to one, nearest first."""

    __slots__ = ()

    @property
    def matches(self) -> list[dict[str, Any]]:
        """Unit, setting, dial with U, distance, and each quantity with whether it agrees."""
        matches: list[dict[str, Any]] = self.to_dict()["matches"]
        return matches

    @property
    def rank_changes(self) -> float | None:
        """Share of draws from the uncertainties in which another setting came first."""
        told: float | None = self.to_dict().get("rank_changes")
        return told


class Card:
    """What each setting of a unit puts out, as measured in a job."""

    __slots__ = ("_card",)

    def __init__(self, of: Job | JobResult | str | os.PathLike[str]) -> None:
        """The card of a job, of its folder, or of a card or result that was kept as JSON."""
        if isinstance(of, Job):
            of = of.result
        if isinstance(of, JobResult):
            self._card = _engine.Card.of(of._document)
            return
        path = Path(of)
        if path.is_dir():
            self._card = _engine.Card.of(Job(path).result._document)
            return
        try:
            text = path.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise UseError(f"the card can't be read: {error}", file=path) from error
        schema = json.loads(text).get("schema", "")
        if str(schema).startswith("crestbook/job/"):
            self._card = _engine.Card.of(JobResult.from_json(text)._document)
        else:
            self._card = _engine.Card.from_json(text)

    @classmethod
    def from_json(cls, text: str) -> Card:
        """Reads what :meth:`to_json` or the command line wrote."""
        made = cls.__new__(cls)
        made._card = _engine.Card.from_json(text)
        return made

    def __reduce__(self) -> tuple[Any, ...]:
        return (Card.from_json, (self.to_json(),))

    def to_json(self) -> str:
        """As the command line writes it."""
        return self._card.to_json()

    def to_dict(self) -> dict[str, Any]:
        """The same as dicts and lists."""
        told: dict[str, Any] = json.loads(self.to_json())
        return told

    @property
    def name(self) -> str:
        """The unit, with its serial number."""
        return self._card.name

    @property
    def settings(self) -> tuple[str, ...]:
        """Ids of the settings."""
        return tuple(self._card.settings)

    def line(
        self, setting: str, *, dial: float | None = None, load_ohm: float | None = None
    ) -> NeutralLine:
        """The neutral line of a setting: at its own dial and load, or at others that were captured."""
        text, numbers, short, sentence = self._card.line(setting, dial, load_ohm)
        return NeutralLine(text, MappingProxyType(numbers), short, sentence)

    def save(self, path: str | os.PathLike[str], *, pocket: bool = False) -> Path:
        """Writes the sheet as .html, .json, .svg (a map) or .txt."""
        self._card.save(Path(path), pocket)
        return Path(path)

    def map(self, *others: Card, crest_over_duty: bool = False) -> Picture:
        """The settings of this and other units on one map."""
        cards = [self._card, *(other._card for other in others)]
        return Picture(_engine.Card.map(cards, crest_over_duty))

    def text(self) -> str:
        """What the command line shows."""
        return self._card.text()

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Card) and self._card == other._card

    __hash__ = None  # type: ignore[assignment]

    def __repr__(self) -> str:
        return f"<crestbook.Card {self.name}: {', '.join(self.settings)}>"

    def _repr_html_(self) -> str:
        return f"<pre>{html.escape(self.text())}</pre>"


def compare(a: Card, b: Card, *pairs: tuple[str, str]) -> Comparison:
    """Two cards side by side: settings of the same id, or `pairs` of them."""
    return Comparison(_engine.compare(a._card, b._card, list(pairs)))


def nearest(
    to: Card, setting: str, cards: Card | Iterable[Card], *, dial: float | None = None, most: int = 5
) -> Nearest:
    """The settings and dials of `cards` that come nearest to a setting of `to`."""
    within = [cards] if isinstance(cards, Card) else list(cards)
    return Nearest(_engine.nearest(to._card, setting, [one._card for one in within], dial, most))


def translation(of: Card, to: Card) -> list[Nearest]:
    """For each setting of one unit what comes nearest in another."""
    return [Nearest(one) for one in _engine.translation(of._card, to._card)]
