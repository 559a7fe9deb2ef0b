"""Response curves never fall, keep both ends, and make no velocity 0."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from zerobeat.tuning.response_curve import (
    EXPONENTS,
    LEAST_APART,
    curve_through,
    fixed_curve,
    learned_points,
    named_curve,
)

VALUE = st.integers(0, 127)


@st.composite
def some_points(draw):
    before = sorted(draw(st.sets(VALUE, min_size=1, max_size=20)))
    after = sorted(draw(st.lists(VALUE, min_size=len(before), max_size=len(before))))
    return list(zip(before, after, strict=True))


def never_falls(curve):
    return all(low <= high for low, high in pairwise(curve))


@pytest.mark.parametrize("name", EXPONENTS)
@pytest.mark.parametrize("lowest", [0, 1])
def test_a_named_curve_keeps_both_ends_and_never_falls(name, lowest):
    curve = named_curve(name, lowest)
    assert len(curve) == 128
    assert (curve[lowest], curve[127]) == (lowest, 127)
    assert never_falls(curve)
    assert min(curve) == lowest


def test_soft_curves_give_more_to_light_playing_and_hard_ones_less():
    middle = [named_curve(n)[64] for n in ("softer", "soft", "linear", "hard", "harder")]
    assert middle == sorted(middle, reverse=True)
    assert len(set(middle)) == 5
    assert named_curve("linear") == tuple(range(128))


@settings(deadline=None)
@given(some_points(), st.sampled_from((0, 1)))
def test_a_curve_through_points_meets_each_and_never_falls(points, lowest):
    curve = curve_through(points, lowest)
    assert len(curve) == 128
    assert never_falls(curve)
    assert min(curve) >= lowest
    for before, after in points:
        assert curve[before] == max(lowest, after)
    assert curve[0] == max(lowest, points[0][1])
    assert curve[127] == max(lowest, points[-1][1])


@settings(deadline=None)
@given(some_points(), VALUE)
def test_between_points_lies_the_straight_line(points, value):
    curve = curve_through(points)
    low = max((p for p in points if p[0] <= value), default=points[0])
    high = min((p for p in points if p[0] >= value), default=points[-1])
    if low[0] < high[0] and low[0] <= value <= high[0]:
        line = low[1] + (high[1] - low[1]) * (value - low[0]) / (high[0] - low[0])
        assert abs(curve[value] - line) <= 0.5


def test_a_fixed_curve_gives_one_value():
    assert set(fixed_curve(90)) == {90}


VELOCITIES = st.lists(st.integers(1, 127), min_size=1, max_size=9)


@settings(deadline=None)
@given(VELOCITIES, VELOCITIES)
def test_a_learned_curve_never_falls_or_there_is_none(soft, hard):
    points = learned_points(soft, hard)
    if points is None:
        assert min(hard) - max(soft) < LEAST_APART
        return
    curve = curve_through(points, 1)
    assert never_falls(curve)
    assert [before for before, _ in points] == sorted({before for before, _ in points})


@pytest.mark.parametrize(
    ("soft", "hard", "points"),
    [
        ([30, 31, 90], [95, 100, 104], [(1, 1), (31, 20), (100, 115), (127, 127)]),
        ([1], [127], [(1, 20), (127, 115)]),
        ([60], [69], None),
        ([60], [70], [(1, 1), (60, 20), (70, 115), (127, 127)]),
    ],
)
def test_soft_and_hard_playing_have_their_places(soft, hard, points):
    assert learned_points(soft, hard) == points
