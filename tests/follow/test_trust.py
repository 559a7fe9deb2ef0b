"""Readings that depend on what no drift knows of are not trusted (design: Follow)."""

import numpy as np
import pytest

from zerobeat.follow.drift_model import DriftReading
from zerobeat.follow.trust import VoiceTrust


def trusted(left, count=80, grid=0.0, **fields):
    """Return the verdict on readings whose rest is ``left(reading, k, noise)``."""
    rng = np.random.default_rng(3)
    trust = VoiceTrust()
    for k in range(count):
        since = float(rng.choice((0.2, 0.4, 0.7, 1.1)))
        reading = DriftReading(
            at_s=2.0 * k,
            pitch_cents=float(rng.choice((6000, 6200, 6400, 6700))),
            drift_cents=0.0,
            sigma_cents=0.05,
            since_onset_s=since,
            interval_cents=float(rng.choice((-700, -200, 0, 300, 500))),
            velocity=float(rng.integers(40, 120)),
            level_dbfs=float(rng.uniform(-30, -15)),
            slope_cents_per_s=fields.get("slope", 0.0) + 0.3 * float(rng.standard_normal()),
            slope_sigma=0.3,
        )
        trust.add(reading, left(reading, k, 0.08 * float(rng.standard_normal())))
    return trust.verdict(grid)


def test_a_healthy_voice_is_trusted():
    assert trusted(lambda one, k, noise: noise) == ""


@pytest.mark.parametrize(
    ("cause", "left"),
    [
        ("time since the onset", lambda one, k, noise: noise + np.exp(-one.since_onset_s / 0.5)),
        ("interval", lambda one, k, noise: one.interval_cents / 1200 + noise),
        ("velocity", lambda one, k, noise: (one.velocity - 80) / 80 + noise),
        ("pitch", lambda one, k, noise: (one.pitch_cents - 6300) / 900 + noise),
        ("level", lambda one, k, noise: (one.level_dbfs + 22) / 14 + noise),
    ],
)
def test_a_dependence_is_found_and_named(cause, left):
    assert f"depend on {cause}" in trusted(left).replace("the interval", "interval")


def test_a_pitch_that_falls_within_its_notes_is_an_envelope():
    assert "time since the onset" in trusted(lambda one, k, noise: noise, slope=-1.0)


def test_scatter_and_slow_swings_are_no_drift():
    assert "scatter" in trusted(lambda one, k, noise: 20 * noise)
    assert "swings slowly" in trusted(lambda one, k, noise: 0.45 * np.sin(k / 3) + noise)


def test_whole_steps_of_an_oscillator_are_no_modulation():
    jumps = lambda one, k, noise: 0.4 * np.sign(np.sin(k / 3))  # noqa: E731
    assert trusted(jumps, grid=1.0) == ""


def test_few_readings_are_no_verdict():
    assert trusted(lambda one, k, noise: 20 * noise, count=8) == ""
