"""How long messages take from the port they came in by to the port they leave by."""

from __future__ import annotations

from collections import deque

KEPT = 1000  # the newest messages; sorting them for a picture takes a tenth of a millisecond


class Delays:
    """Delays of the newest messages that made something sound or move.

    Attributes:
        add: takes one delay in seconds; costs nothing that a note would feel.
    """

    def __init__(self) -> None:
        self._kept: deque[float] = deque(maxlen=KEPT)
        self.add = self._kept.append

    def shown(self) -> dict[str, float] | None:
        """Return milliseconds: the median, what 99 in 100 stay under, the most; None before any."""
        ordered = sorted(self._kept)
        if not ordered:
            return None
        last = len(ordered) - 1
        found = (("median_ms", last // 2), ("p99_ms", int(0.99 * last)), ("most_ms", last))
        return {name: round(1e3 * ordered[place], 2) for name, place in found}
