"""Faults of a load: each with its place, handed out in file order, one line each."""

from __future__ import annotations

from dataclasses import dataclass, field

from ..errors import ConfigError


@dataclass(frozen=True, slots=True)
class Place:
    """Where a value stands: file as shown, line from 1, key such as ``voices.reed.root``."""

    file: str
    line: int
    key: str = ""

    def __str__(self) -> str:
        where = f"{self.file}:{self.line}" if self.line else self.file
        return f"{where}: {self.key}" if self.key else where


@dataclass(slots=True)
class Faults:
    """Faults and warnings of one load, kept with their place for sorting."""

    problems: list[tuple[Place, str]] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)

    def add(self, place: Place, text: str) -> None:
        self.problems.append((place, _one_line(text)))

    def warn(self, place: Place, text: str) -> None:
        self.warnings.append(f"{place}: {_one_line(text)}")

    def lines(self) -> list[str]:
        """Return one line a fault: files in the order first met, lines rising, none twice."""
        files = list(dict.fromkeys(place.file for place, _ in self.problems))
        ordered = sorted(
            self.problems, key=lambda fault: (files.index(fault[0].file), fault[0].line)
        )
        return list(dict.fromkeys(f"{place}: {text}" for place, text in ordered))

    def raise_any(self) -> None:
        """Raise ``ConfigError`` with all faults, if there are any."""
        if self.problems:
            raise ConfigError(self.lines())


def shown(text: str, longest: int = 60) -> str:
    """Return a value as a fault shows it: one line, printable, not too long."""
    clean = _one_line(text, longest)
    return clean if clean.strip() else f'"{clean}"'


def _one_line(text: str, longest: int = 3000) -> str:
    clean = "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)
    return clean if len(clean) <= longest else clean[: longest - 3] + "..."
