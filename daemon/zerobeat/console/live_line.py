"""A progress line, overwritten in a terminal; plain lines into a pipe or file."""

from __future__ import annotations

import shutil
import sys
import time
from typing import TextIO

PLAIN_S = 5.0  # between two progress lines where they can't be written over


class LiveLine:
    """Shows progress; ``say`` writes a line that stays.

    No colour and no cursor movement but a carriage return, so that NO_COLOR, a
    slow line and a screen of 80 columns need no care.
    """

    def __init__(self, out: TextIO | None = None) -> None:
        self._out = sys.stdout if out is None else out
        self._live = self._out.isatty()
        self._shown = 0
        self._written_at_s = -PLAIN_S

    def show(self, text: str) -> None:
        """Replace the progress line."""
        if self._live:
            columns = shutil.get_terminal_size((80, 24)).columns or 80
            text = text[: columns - 1]
            self._out.write("\r" + text.ljust(self._shown))
            self._shown = len(text)
        elif time.monotonic() - self._written_at_s >= PLAIN_S:
            self._written_at_s = time.monotonic()
            self._out.write(text + "\n")
        self._out.flush()

    def clear(self) -> None:
        """Erase the progress line."""
        if self._live and self._shown:
            self._out.write("\r" + " " * self._shown + "\r")
            self._out.flush()
        self._shown = 0

    def say(self, text: str) -> None:
        """Write a line that stays."""
        self.clear()
        self._out.write(text + "\n")
        self._out.flush()
