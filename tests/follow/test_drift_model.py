"""The model of a voice's drift (design: Follow)."""

import numpy as np
import pytest

from zerobeat.follow.common_drift import BIN_S, CommonDrift
from zerobeat.follow.drift_model import DriftModel, DriftReading


def readings(seconds, drift, every_s=2.0, notes=(6000, 6400, 6700), sigma=0.05, applied=None):
    rng = np.random.default_rng(1)
    for k in range(int(seconds / every_s)):
        at_s, pitch = k * every_s, float(notes[k % len(notes)])
        taken = 0.0 if applied is None else applied(at_s)
        cents = drift(at_s, pitch) + sigma * rng.standard_normal()
        yield DriftReading(at_s, pitch, cents, sigma, taken)


def test_offset_rate_and_stretch_are_found():
    model = DriftModel(6000.0, 0.0)
    for one in readings(
        240, lambda s, p: 1.0 + 0.03 * s + 1.5 * (p - 6000) / 1200, notes=(4800, 6000, 7200)
    ):
        model.add(one)
    drift, _ = model.drift_at(6000.0)
    assert drift == pytest.approx(1.0 + 0.03 * 238, abs=0.4)
    assert model.rate_cents_per_s == pytest.approx(0.03, abs=0.01)
    assert model.stretch_cents == pytest.approx(1.5, abs=0.4)


def test_a_profiles_error_at_a_note_does_not_average_away():
    """A hundred readings of one note tell no more of the offset than a few of several."""
    one, several = DriftModel(6000.0, 0.0), DriftModel(6000.0, 0.0)
    for reading in readings(200, lambda s, p: 0.0, notes=(6000,)):
        one.add(reading)
    for reading in readings(200, lambda s, p: 0.0, notes=range(5500, 6500, 100)):
        several.add(reading)
    assert one.drift_at(6000.0)[1] > 1.3 * several.drift_at(6000.0)[1]


def test_moves_that_the_input_shows_are_told_from_those_it_does_not():
    step = lambda s: 0.45 * (int(s) // 12 % 2)  # noqa: E731
    for hidden in (0.0, 1.0):
        model = DriftModel(6000.0, 0.0)
        for one in readings(120, lambda s, p: 0.03 * s + hidden * step(s), applied=step):
            model.add(one)
        unshown, sigma = model.unshown
        assert unshown == pytest.approx(hidden, abs=0.3)
        assert sigma < 0.2


def test_rest_makes_it_less_sure_and_a_rate_is_forgotten():
    model = DriftModel(6000.0, 0.0)
    for one in readings(120, lambda s, p: 0.03 * s):
        model.add(one)
    soon, sigma_soon = model.drift_at(6000.0, 121.0)
    late, sigma_late = model.drift_at(6000.0, 1320.0)
    assert sigma_late > 4 * sigma_soon
    assert late - soon < 0.03 * 600  # it does not go on for twenty minutes


def test_loadings_are_zero_until_they_are_learned():
    names = ("reed", "horn", "glass", "bass")
    loadings = np.array([1.0, 0.7, 1.5, -0.5])
    common = CommonDrift(names)
    rng = np.random.default_rng(2)
    kelvin = 0.0
    for k in range(20):
        kelvin += 1.2 * np.sin(k / 4)
        offsets = loadings * kelvin + 0.05 * rng.standard_normal(4)
        common.step(k * BIN_S + 0.1, dict(zip(names, offsets, strict=True)))
        if k == 3:
            assert not any(common.loadings)
            assert common.moved_since("reed", 0.0) == 0.0
    ratio = common.loadings / common.loadings[0]
    assert ratio == pytest.approx(loadings, abs=0.15)
    assert abs(common.moved_since("reed", 2 * BIN_S)) <= 3.0
