"""The tracking curve against SciPy's PCHIP and root finder."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq

from zerobeat.tuning.tracking import TrackingCurve, pchip_slopes
from zerobeat.tuning.readings import Reading


def readings(seed):
    rng = np.random.default_rng(seed)
    notes = np.sort(rng.choice(np.arange(24, 108), size=int(rng.integers(3, 30)), replace=False))
    return [Reading(100.0 * n, float(rng.normal(0.0, 15.0)), 0.05) for n in notes]


@pytest.mark.parametrize("seed", range(40))
def test_slopes_values_and_inverse_agree_with_scipy(seed):
    # SciPy's PchipInterpolator: slopes of Fritsch and Butland 1984.
    curve = TrackingCurve.from_readings(readings(seed))
    x, y = np.array(curve.knots_cents), np.array(curve.sounding_cents)
    peer = PchipInterpolator(x, y)
    assert pchip_slopes(x, y) == pytest.approx(peer.derivative()(x), abs=1e-9)
    for at in np.linspace(x[0], x[-1], 61):
        assert curve.sounding(at) == pytest.approx(float(peer(at)), abs=1e-8)
    for wanted in np.linspace(y[0] + 1e-6, y[-1] - 1e-6, 61):
        root = brentq(lambda at, w=wanted: float(peer(at)) - w, x[0], x[-1], xtol=1e-10)
        assert curve.commanded(wanted) == pytest.approx(root, abs=0.001)
    assert curve.extrapolated(x[-1] + 1.0) and not curve.extrapolated(x[0])
    beyond = curve.commanded(y[-1] + 300.0)
    assert curve.sounding(beyond) == pytest.approx(y[-1] + 300.0, abs=1e-6)
