"""A needle for turning knobs: far, near or there, by words and by its place on the line.

Large enough to be read from the panel, three metres away. What has no room, no cursor or no
terminal gets the same in one line.
"""

from __future__ import annotations

import math
import os
import shutil
import sys
from dataclasses import asdict, dataclass
from typing import Literal, TextIO

from .letters import HEIGHT, letters
from .live_line import LiveLine

NEAR_CENTS = 50.0  # cents: closer is near
FAR_END = 600.0  # cents at the end of the line; the scale is logarithmic
Where = Literal["far", "near", "there"]
Turn = Literal["up", "down", ""]


@dataclass(frozen=True, slots=True)
class Needle:
    """Where a knob stands.

    Attributes:
        voice: that is turned.
        off_cents: from where it should be, sharp (or wide) positive.
        where: far, near, or there.
        turn: which way, "" where nothing is left to do.
    """

    voice: str
    off_cents: float
    where: Where
    turn: Turn

    def values(self) -> dict[str, object]:
        """Return it as the control socket takes it."""
        return {**asdict(self), "off_cents": round(self.off_cents, 2)}


def needle_of(
    voice: str, off_cents: float, good_cents: float, near_cents: float = NEAR_CENTS
) -> Needle:
    """Return the needle of a reading; closer than ``good_cents`` is there."""
    off = abs(off_cents)
    if off <= good_cents:
        return Needle(voice, off_cents, "there", "")
    return Needle(
        voice, off_cents, "near" if off <= near_cents else "far", "down" if off_cents > 0 else "up"
    )


def needle_share(off_cents: float) -> float:
    """Return how far from its middle a needle stands, 0 to 1."""
    return math.log1p(min(abs(off_cents), FAR_END)) / math.log1p(FAR_END)


def needle_line(needle: Needle, columns: int, ends: tuple[str, str] = ("flat", "sharp")) -> str:
    """Return the line with its middle ``|`` and the needle ``#``; both are ``#`` when there."""
    room = columns - len(ends[0]) - len(ends[1]) - 2
    if room < 5:
        return ""
    half = (room - 1) // 2
    place = 0 if needle.where == "there" else max(1, round(needle_share(needle.off_cents) * half))
    at = half + (place if needle.off_cents > 0 else -place)
    cells = ["-"] * (2 * half + 1)
    cells[half] = "|"
    cells[at] = "#"
    return f"{ends[0]} {''.join(cells)} {ends[1]}"


def needle_lines(
    needle: Needle, columns: int, ends: tuple[str, str] = ("flat", "sharp")
) -> list[str]:
    """Return the word in large letters, and the line under it, three rows high."""
    off = f"{abs(needle.off_cents):.0f}" if abs(needle.off_cents) < 1000.0 else "999"
    word = "there" if needle.where == "there" else f"{needle.turn} {off}"
    line = needle_line(needle, columns, ends)
    bare = " " * len(ends[0]) + line[len(ends[0]) : len(line) - len(ends[1])].replace("-", " ")
    said = f"{needle.voice}: {needle.where}"
    return [*letters(word, columns), "", bare.rstrip(), line, bare.rstrip(), said]


class NeedleDisplay:
    """Draws a needle over and over in the same place.

    Args:
        line: says what stays; used for the needle too where it can't be drawn large.
        ends: the words at the ends of the line.
    """

    def __init__(
        self,
        line: LiveLine,
        ends: tuple[str, str] = ("flat", "sharp"),
        out: TextIO | None = None,
    ) -> None:
        self._line = line
        self._ends = ends
        self._out = sys.stdout if out is None else out
        self._drawn = 0

    def show(self, needle: Needle, text: str) -> None:
        """Draw a needle, and a line of text under it.

        Args:
            text: how far and which way, in a sentence.
        """
        columns, rows = shutil.get_terminal_size((80, 24))
        dumb = os.environ.get("TERM", "dumb") == "dumb"
        if not self._out.isatty() or dumb or rows < HEIGHT + 9 or columns < 30:
            self._line.show(text)
            return
        lines = [*needle_lines(needle, columns - 1, self._ends), text[: columns - 1]]
        up = f"\x1b[{self._drawn}A" if self._drawn else ""
        self._out.write("\r" + up + "".join(f"{one}\x1b[K\n" for one in lines))
        self._drawn = len(lines)
        self._out.flush()

    def end(self) -> None:
        """Leave the last picture standing; what is said next stands below it."""
        self._drawn = 0
