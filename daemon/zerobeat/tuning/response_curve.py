"""Curves for what a finger or foot does: 0 to 127 in, 0 to 127 out, never falling.

A velocity of 0 would be a note-off, so curves of velocities run from 1.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

HIGHEST = 127
# y is x to this power, both from 0 to 1: below 1 light playing gives more, above 1 less.
EXPONENTS = {"linear": 1.0, "softer": 0.4, "soft": 0.65, "hard": 1.55, "harder": 2.5}
SOFT_VELOCITY, HARD_VELOCITY = 20, 115  # what soft and hard playing gives by a learned curve
LEAST_APART = 10  # soft and hard playing
Curve = tuple[int, ...]  # 128 values, by value in


def named_curve(name: str, lowest: int = 0) -> Curve:
    """Return a curve of ``EXPONENTS``; both ends stay where they are.

    >>> named_curve("soft")[0], named_curve("soft")[127], named_curve("soft", 1)[1]
    (0, 127, 1)
    """
    span = HIGHEST - lowest
    exponent = EXPONENTS[name]
    return tuple(
        lowest + int(span * (max(0, value - lowest) / span) ** exponent + 0.5)
        for value in range(128)
    )


def curve_through(points: Sequence[tuple[int, int]], lowest: int = 0) -> Curve:
    """Return the straight lines through points; level before the first and after the last.

    Args:
        points: at least one (value in, value out); those in rise, those out don't fall.
        lowest: least value out.
    """
    found: list[int] = []
    place = 0
    for value in range(128):
        while place < len(points) and points[place][0] < value:
            place += 1
        if place == len(points):
            out = float(points[-1][1])
        elif place == 0 or points[place][0] == value:
            out = float(points[place][1])
        else:
            (x0, y0), (x1, y1) = points[place - 1], points[place]
            out = y0 + (y1 - y0) * (value - x0) / (x1 - x0)
        found.append(max(lowest, int(out + 0.5)))
    return tuple(found)


def fixed_curve(value: int) -> Curve:
    """Return the same value for everything."""
    return (value,) * 128


def learned_points(soft: Iterable[int], hard: Iterable[int]) -> list[tuple[int, int]] | None:
    """Return points that give soft and hard playing of a player their place.

    Args:
        soft, hard: velocities, 1 to 127, of each way of playing; at least one each.

    Returns:
        Points for ``curve_through``; None if the two are too alike to tell.
    """
    from statistics import median  # the daemon would hold 1 MB for it

    low, high = round(median(soft)), round(median(hard))
    if high - low < LEAST_APART:
        return None
    points = [(1, 1), (low, SOFT_VELOCITY), (high, HARD_VELOCITY), (HIGHEST, HIGHEST)]
    if low == 1:
        del points[0]
    if high == HIGHEST:
        del points[-1]
    return points
