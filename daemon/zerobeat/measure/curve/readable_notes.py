"""Which notes can be read: unreadable stretches, and notes near the mains frequency."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence

MAINS_REACH_CENTS = 40.0
MAINS_MULTIPLES = 6  # higher multiples lie too close together to avoid


def near_mains(sounding_cents: float, mains_hz: Sequence[float]) -> bool:
    """Return whether a pitch lies near a low multiple of a mains frequency."""
    for hertz in mains_hz:
        for multiple in range(1, MAINS_MULTIPLES + 1):
            hum_cents = 6900.0 + 1200.0 * math.log2(hertz * multiple / 440.0)
            if abs(sounding_cents - hum_cents) < MAINS_REACH_CENTS:
                return True
    return False


def nearest_readable(note: int, good: Sequence[int], side: int) -> int | None:
    """Return the nearest_readable of ``good`` above (side 1) or below (-1) a note."""
    near = [other for other in good if (other - note) * side > 0]
    return min(near, key=lambda other: abs(other - note)) if near else None


def half_way(good: Sequence[int], silent: Collection[int]) -> int | None:
    """Return a note half way between an unreadable note and the nearest_readable readable one.

    Repeated calls bisect to the end of the readable range; None when the two are
    closer than three semitones.
    """
    for bad in silent:
        for side in (-1, 1):
            near = nearest_readable(bad, good, side)
            if near is None or abs(near - bad) <= 2:
                continue
            low, high = sorted((bad, near))
            if not any(low < other < high for other in silent):
                return (low + high) // 2
    return None


def spans(
    lowest: int, highest: int, good: Sequence[int], silent: Collection[int]
) -> list[tuple[int, int]]:
    """Return the stretches of notes that are not known to be unreadable.

    The notes between an unreadable note and the nearest_readable readable one count as
    unreadable; the readable one is inside a stretch.
    """
    bad = set(silent)
    for note in silent:
        for side in (-1, 1):
            near = nearest_readable(note, good, side)
            if near is None:
                end = highest if side > 0 else lowest
                bad.update(range(min(note, end), max(note, end) + 1))
            else:
                low, high = sorted((near, note))
                bad.update(range(low + (side < 0), high + (side < 0)))
    found: list[tuple[int, int]] = []
    for note in range(lowest, highest + 1):
        if note in bad:
            continue
        if found and found[-1][1] == note - 1:
            found[-1] = (found[-1][0], note)
        else:
            found.append((note, note))
    return found
