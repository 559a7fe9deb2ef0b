"""What a player at a knob reads: the last reading of ``tune`` or ``trim``, for other screens.

The command that measures sends each reading with the command ``needle``; the status shows it
until that client goes, ends its run, or has sent none for ``OLD_S``.
"""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Any

from ..errors import CommandError

if TYPE_CHECKING:
    from ..config.fields import Section

OLD_S = 6.0  # a search over all octaves that is refused takes two
LONGEST_NEEDLE_TEXT = 200
CENTS = (-12_000.0, 12_000.0)
SPAN_CENTS = (0.1, 1200.0)


class Needle:
    """The last reading, if it is new enough."""

    def __init__(self) -> None:
        self._owner: object = None
        self._at_s = 0.0
        self._shown: dict[str, Any] | None = None

    def show(self, section: Section, voice: str, owner: object) -> str:
        """Take a reading of a voice: ``cents`` off, ``span_cents`` at full scale, ``text``."""
        cents = section.number("cents", None, *CENTS)
        span_cents = section.number("span_cents", 50.0, *SPAN_CENTS)
        text = section.text("text", "")
        if len(text) > LONGEST_NEEDLE_TEXT:
            section.faults.add(
                section.at("text"),
                f"found {len(text)} characters; allowed: {LONGEST_NEEDLE_TEXT} at most",
            )
        section.close()
        section.faults.raise_any()
        now_s = time.monotonic()
        if self._owner not in (None, owner) and self.shown(now_s) is not None:
            raise CommandError("another client shows a needle; end it, or wait")
        self._owner, self._at_s = owner, now_s
        rounded = None if cents is None else round(cents, 2)
        self._shown = {"voice": voice, "cents": rounded, "span_cents": span_cents, "text": text}
        return f"{voice}: shown"

    def shown(self, now_s: float) -> dict[str, Any] | None:
        """Return the reading for the status; None without a new one."""
        if now_s - self._at_s > OLD_S:
            self._shown = None
        return self._shown

    def gone(self, owner: object) -> None:
        """Forget the reading of a client whose connection or run has ended."""
        if owner is self._owner:
            self._owner = self._shown = None
