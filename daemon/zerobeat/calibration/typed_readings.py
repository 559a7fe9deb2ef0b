"""Tables that a player typed: a tuner's readings, a meter's volts."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TypeVar

from ..errors import ConfigError, NoteNameError
from ..tuning.units import parse_note

TUNER_SIGMA_CENTS = 0.5  # a tuner's last digit is 0.1 to 1 cent
MOST_FILE_LINES = 4000
MOST_CENTS = 1200.0
MOST_VOLTS = 15.0
_DECIMAL = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)\Z", re.ASCII)
Row = TypeVar("T")


@dataclass(frozen=True, slots=True)
class TypedReading:
    """A line of a tuner's table: the key played, the cents shown, how sure that is."""

    note: int
    cents: float
    sigma_cents: float
    line: int


@dataclass(frozen=True, slots=True)
class TypedVolts:
    """A line of a meter's table: channel 0 to 15, the note sent, the volts read."""

    channel: int
    note: int
    volts: float
    line: int


def parse_readings(text: str, file: str, middle_c_octave: int = 4) -> list[TypedReading]:
    """Return a tuner's readings: a note and its cents on each line, perhaps a spread.

    Blank lines and what follows ``#`` are left out; columns stand apart by
    blanks, tabs, commas or semicolons.

    Raises:
        ConfigError: every bad line, each with file and line.

    >>> parse_readings("C4 +3.2\\n61; -1.5; 0.2", "reed.txt")[0].cents
    3.2
    """

    def read(columns: list[str], line: int) -> TypedReading:
        if len(columns) not in (2, 3):
            raise _BadLineError("a note and cents, such as C4 +3.2, and perhaps a spread")
        sigma = _typed_number(columns[2], "spread", 0.0, MOST_CENTS) if len(columns) == 3 else None
        return TypedReading(
            _typed_note(columns[0], middle_c_octave),
            _typed_number(columns[1], "cents", -MOST_CENTS, MOST_CENTS),
            TUNER_SIGMA_CENTS if sigma is None else max(sigma, 0.01),
            line,
        )

    return list(_parse_rows(text, file, read))


def parse_volts(text: str, file: str, middle_c_octave: int = 4) -> list[TypedVolts]:
    """Return a meter's readings: channel number, note and volts on each line.

    Raises:
        ConfigError: every bad line, each with file and line.

    >>> parse_volts("1 C2 0.0012", "quad.txt")
    [TypedVolts(channel=0, note=36, volts=0.0012, line=1)]
    """
    seen: dict[tuple[int, int], int] = {}

    def read(columns: list[str], line: int) -> TypedVolts:
        if len(columns) != 3:
            raise _BadLineError("a channel number, a note and volts, such as 1 C2 0.0012")
        if not columns[0].isdecimal() or not 1 <= int(columns[0]) <= 16:
            raise _BadLineError(f"channel number {columns[0]}; allowed: 1 to 16", whole=True)
        channel, note = int(columns[0]) - 1, _typed_note(columns[1], middle_c_octave)
        first = seen.setdefault((channel, note), line)
        if first != line:
            raise _BadLineError(f"note {columns[1]} as on line {first}; allowed: once", whole=True)
        return TypedVolts(
            channel, note, _typed_number(columns[2], "volts", -MOST_VOLTS, MOST_VOLTS), line
        )

    return list(_parse_rows(text, file, read))


class _BadLineError(Exception):
    """A line that can't be read; the text is what is allowed, or the ``whole`` complaint."""

    def __init__(self, text: str, whole: bool = False) -> None:
        super().__init__(text)
        self.whole = whole


def _parse_rows(text: str, file: str, read: Callable[[list[str], int], Row]) -> Iterator[Row]:
    problems: list[str] = []
    found: list[Row] = []
    lines = text.splitlines()
    for line, content in enumerate(lines[: MOST_FILE_LINES + 1], start=1):
        content = content.partition("#")[0].replace("\N{MINUS SIGN}", "-").strip("\ufeff \t")
        if not content:
            continue
        try:
            found.append(read(_columns(content), line))
        except _BadLineError as bad:
            said = str(bad) if bad.whole else f"{content[:40]!r}; allowed: {bad}"
            problems.append(f"{file}:{line}: found {said}")
    if len(lines) > MOST_FILE_LINES:
        problems.append(f"{file}: found {len(lines)} lines; allowed: up to {MOST_FILE_LINES}")
    if not problems and not found:
        problems.append(f"{file}: found no readings; needed: one a line")
    if problems:
        raise ConfigError(problems)
    yield from found


def _columns(content: str) -> list[str]:
    """Return the columns of a line.

    A comma between digits may be a decimal one: beside other separators, or
    where no point shows that it is not, it is refused.
    """
    between = re.search(r"\d,\d+(?![.\d])", content)
    if between and (re.search(r"[ \t;]", content) or "." not in content):
        if content.count(",") > 1 or re.search(r"[ \t;]", content):
            raise _BadLineError(
                f"{content[:40]!r}; allowed: numbers with a point, such as 3.2", whole=True
            )
    return [one for one in re.split(r"[ \t;,]+", content) if one]


def _typed_note(text: str, middle_c_octave: int) -> int:
    try:
        return parse_note(int(text) if text.isdecimal() else text, middle_c_octave)
    except NoteNameError as error:
        raise _BadLineError(
            str(error).removeprefix("note: ").removeprefix("found "), whole=True
        ) from None


def _typed_number(text: str, name: str, low: float, high: float) -> float:
    if not _DECIMAL.match(text) or not low <= float(text) <= high:
        raise _BadLineError(f"{name} {text}; allowed: a number, {low:g} to {high:g}", whole=True)
    return float(text)
