"""``curve`` of an input or a voice: how it answers to velocity, pressure and pedals.

curve: soft                                   velocity, by a named curve
curve: [[1, 1], [40, 20], [127, 127]]         velocity, by points
curve: 100                                    one velocity for all
curve: {velocity: soft, pressure: hard, pedals: [[0, 0], [64, 30], [127, 127]]}
"""

from __future__ import annotations

from ..engine.response import Response
from ..tuning.response_curve import EXPONENTS, Curve, curve_through, fixed_curve, named_curve
from .faults import Faults
from .fields import Section, found, is_nothing, read_whole
from .yaml_source import Listing, Node, Scalar, Table

ALLOWED = f"{', '.join(EXPONENTS)}, points such as [[1, 1], [64, 90], [127, 127]]"
CURVED = ("velocity", "pressure", "pedals")
MOST_POINTS = 128


def read_curve(section: Section) -> Response | None:
    """Return the curves of a section's ``curve``; None where nothing is changed."""
    node = section.node("curve")
    if node is None:
        return None
    if not isinstance(node, Table):
        velocity = _curve(node, section.faults, "velocity")
        return None if velocity is None else Response(velocity)
    inner = section.within(node)
    if inner is None:
        return None
    curves: dict[str, Curve | None] = {}
    for part in CURVED:
        value = inner.node(part)
        curves[part] = None if value is None else _curve(value, section.faults, part)
    inner.close()
    response = Response(**curves)
    return None if response == Response() else response


def _curve(node: Node, faults: Faults, part: str) -> Curve | None:
    """Return a curve; None for ``linear``, or where a fault was added."""
    lowest = 1 if part == "velocity" else 0
    if isinstance(node, Listing):
        points = _points(node, faults, lowest)
        return None if points is None else curve_through(points, lowest)
    if isinstance(node, Scalar) and not is_nothing(node):
        if node.text in EXPONENTS:
            return None if node.text == "linear" else named_curve(node.text, lowest)
        if part == "velocity" and node.text.isascii() and node.text.isdecimal():
            value = read_whole(node, faults, None, 1, 127)
            return None if value is None else fixed_curve(value)
    fixed = ", or one velocity, 1 to 127" if part == "velocity" else ""
    faults.add(node.place, f"found {found(node)}; allowed: {ALLOWED}{fixed}")
    return None


def _points(node: Listing, faults: Faults, lowest: int) -> list[tuple[int, int]] | None:
    points: list[tuple[int, int]] = []
    if not 2 <= len(node.items) <= MOST_POINTS:
        faults.add(node.place, f"found {len(node.items)} points; allowed: 2 to {MOST_POINTS}")
        return None
    for item in node.items:
        if not isinstance(item, Listing) or len(item.items) != 2:
            faults.add(item.place, f"found {found(item)}; allowed: two numbers, in and out")
            return None
        before, after = (read_whole(one, faults, None, lowest, 127) for one in item.items)
        if before is None or after is None:
            return None
        if points and not (before > points[-1][0] and after >= points[-1][1]):
            text = f"found [{before}, {after}] after [{points[-1][0]}, {points[-1][1]}]"
            faults.add(item.place, f"{text}; allowed: more in, and not less out")
            return None
        points.append((before, after))
    return points


def curve_facts(response: Response | None) -> list[str]:
    """Return what ``check`` says of the curves."""
    if response is None:
        return []
    return [
        f"{part} by a curve: 1 gives {curve[1]}, 64 gives {curve[64]}, 127 gives {curve[127]}"
        for part in CURVED
        if (curve := getattr(response, part)) is not None
    ]
