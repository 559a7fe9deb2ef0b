"""A curve is less known where nothing was read (C2): against the published readings."""

import numpy as np
import pytest
from measure.curve.test_model import (
    HERTZ_A,
    HERTZ_B,
    SHAPE,
    VOLTS_A,
    VOLTS_B,
    published,
)

from zerobeat.measure.curve.between_readings import known_cents, unread_cents
from zerobeat.measure.curve.model import Model, Points


def test_nothing_is_added_at_a_reading_and_most_half_way():
    read = [3600.0, 4800.0, 7200.0]
    added = unread_cents([3600.0, 4200.0, 4800.0, 6000.0, 7200.0, 8400.0], read)
    # A walk pinned at both ends: its variance is d1 d2 / (d1 + d2) octaves.
    assert added == pytest.approx([0.0, 0.5, 0.0, np.sqrt(0.5), 0.0, 1.0])


@pytest.mark.parametrize(("volts", "hertz"), [(VOLTS_A, HERTZ_A), (VOLTS_B, HERTZ_B)])
def test_a_reading_left_out_lies_within_what_is_claimed(volts, hertz):
    """Two sigma are claimed; the worst of twelve may reach three."""
    points = published(volts, hertz)
    points = Points(points.cents, points.errors, np.full(8, 0.5), np.zeros(8), points.groups)
    misses = []
    for left_out in range(1, 7):
        rest = points.without(left_out)
        mean, _ = Model(SHAPE, rest).predict([points.cents[left_out]])
        claimed = known_cents(SHAPE, rest, [points.cents[left_out]])[0]
        misses.append(abs(points.errors[left_out] - mean[0]) / claimed)
    assert max(misses) < 1.5
    assert sorted(misses)[-2] < 1.0


def test_an_octave_that_was_never_read_is_known_less_than_its_neighbours():
    notes = np.array([*range(36, 49, 2), *range(60, 73, 2)])
    errors = 0.1 * (notes - 36.0)
    points = Points(100.0 * notes, errors, np.full(14, 0.5), np.zeros(14), notes)
    at_readings = known_cents(SHAPE, points, [4200.0, 6600.0])
    between = known_cents(SHAPE, points, [5400.0])
    assert between[0] > 1.0
    assert between[0] > 1.5 * at_readings.max()
