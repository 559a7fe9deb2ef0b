"""Faults found while files are read: one line each, in the order of the files."""

from __future__ import annotations

from dataclasses import dataclass, field

from ..errors import ConfigError, allow_suggestions
from ..text import printable


@dataclass(frozen=True, slots=True)
class Place:
    """Position of a value: file as shown, line from 1, key such as ``voices.reed.root``."""

    file: str
    line: int
    key: str = ""

    def __str__(self) -> str:
        where = f"{self.file}:{self.line}" if self.line else self.file
        return f"{where}: {self.key}" if self.key else where


MOST_SHOWN = 50  # faults of one load; more are counted


@dataclass(slots=True)
class Faults:
    """Faults and warnings of one load, kept with their place for sorting.

    Args:
        stop_after: raise ``ConfigError`` with so many faults; None reads on to the end.
        suggestions: how many near names may be looked for; each costs up to a millisecond.
    """

    problems: list[tuple[Place, str]] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    stop_after: int | None = None
    suggestions: int = MOST_SHOWN
    more: int = 0

    def __post_init__(self) -> None:
        allow_suggestions(self.suggestions)

    def add(self, place: Place, text: str) -> None:
        if len(self.problems) < MOST_SHOWN:
            self.problems.append((place, printable(text)))
        else:
            self.more += 1
        if self.stop_after is not None and len(self.problems) >= self.stop_after:
            self.raise_any()

    @property
    def full(self) -> bool:
        """True once further faults are only counted, so that slow searches can be skipped."""
        return len(self.problems) >= MOST_SHOWN

    def warn(self, place: Place, text: str) -> None:
        if len(self.warnings) < MOST_SHOWN:
            self.warnings.append(f"{printable(str(place))}: {printable(text)}")

    def lines(self) -> list[str]:
        """Return one line a fault: files in the order first met, lines rising, none twice."""
        files = list(dict.fromkeys(place.file for place, _ in self.problems))
        ordered = sorted(
            self.problems, key=lambda fault: (files.index(fault[0].file), fault[0].line)
        )
        found = dict.fromkeys(f"{printable(str(place))}: {text}" for place, text in ordered)
        return [*found, f"and {self.more} more"] if self.more else [*found]

    def raise_any(self) -> None:
        """Raise ``ConfigError`` with all faults, if there are any."""
        if self.problems:
            raise ConfigError(self.lines())


def escaped(text: str, longest: int = 60) -> str:
    """Return a value as a fault shows it: one line, printable, not too long."""
    clean = printable(text, longest)
    return clean if clean.strip() else f'"{clean}"'
